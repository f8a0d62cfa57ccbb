"""What cannot be a work calendar, each with a pointer to the value and the remedy."""

import datetime as dt
from collections.abc import Iterator
from typing import Final

from service.domain.calendars.calendar import MonthDay, Season, Shift, SiteCalendar, Week
from service.domain.errors import FieldError, Invalid

HOURS_A_DAY: Final = 24
_LEAP_YEAR: Final = 2000
"""It has every day a year can have."""
_LOOKED_AHEAD_DAYS: Final = 366


def refuse_what_does_not_fit(calendar: SiteCalendar, today: dt.date) -> None:
    """Check a calendar.

    Parameters
    ----------
    calendar
        What is to be recorded.
    today
        The local date at the site: in the year from then on there must be a crew at least once.

    Raises
    ------
    Invalid
        With one pointer for each value that does not fit.
    """
    found = [
        *_week_errors(calendar.week, "/week"),
        *_season_errors(calendar.seasons),
        *_closure_errors(calendar),
        *_extra_errors(calendar),
    ]
    found = found or list(_no_crew_errors(calendar, today))
    if found:
        raise Invalid(*found)


def _week_errors(week: Week, at: str) -> Iterator[FieldError]:
    for word, shifts in week.items():
        for index, shift in enumerate(shifts):
            yield from _shift_errors(shift, f"{at}/{word}/{index}")
            if shift.crew in {other.crew for other in shifts[:index]}:
                detail = f"'{shift.crew}' stands twice on {word}; give each crew once, with its hours in all"
                yield FieldError(f"{at}/{word}/{index}/crew", detail)


def _shift_errors(shift: Shift, at: str) -> Iterator[FieldError]:
    if shift.people < 1:
        detail = f"{shift.people} people do no work; give 1 or more, or leave the crew out that day"
        yield FieldError(f"{at}/people", detail)
    if not 0 < shift.hours <= HOURS_A_DAY:
        detail = f"{shift.hours:g} h do not fit a day; give above 0, at most {HOURS_A_DAY}"
        yield FieldError(f"{at}/hours", detail)
    elif shift.minutes == 0 and shift.people > 0:
        yield FieldError(f"{at}/hours", f"{shift.hours:g} h are less than a minute; give the hours of work")


def _season_errors(seasons: tuple[Season, ...]) -> Iterator[FieldError]:
    taken: dict[MonthDay, Season] = {}
    names: set[str] = set()
    for index, season in enumerate(seasons):
        at = f"/seasons/{index}"
        yield from _week_errors(season.week, f"{at}/week")
        if season.name in names:
            yield FieldError(f"{at}/name", f"'{season.name}' stands twice; name each season differently")
        names.add(season.name)
        faults = [
            FieldError(f"{at}/{end}", f"{written(day)} is no day of a year; give month and day such as 07-01")
            for end, day in (("from", season.first), ("to", season.last))
            if not _is_day(day)
        ]
        yield from faults
        if faults:
            continue
        days = [day for day in _days_of_a_year() if season.holds(dt.date(_LEAP_YEAR, *day))]
        shared = next((day for day in days if day in taken), None)
        if shared is not None:
            detail = (
                f"'{season.name}' and '{taken[shared].name}' both hold {written(shared)}; seasons do not overlap:"
                " end one the day before the other begins"
            )
            yield FieldError(f"{at}/from", detail)
        taken |= dict.fromkeys(days, season)


def _closure_errors(calendar: SiteCalendar) -> Iterator[FieldError]:
    seen: set[dt.date] = set()
    for index, closure in enumerate(calendar.closures):
        if closure.on in seen:
            detail = f"{closure.on} is closed twice; give it once (a holiday that is kept is a closure too)"
            yield FieldError(f"/closures/{index}/date", detail)
        seen.add(closure.on)


def _extra_errors(calendar: SiteCalendar) -> Iterator[FieldError]:
    seen: set[tuple[dt.date, str]] = set()
    for index, extra in enumerate(calendar.extra_days):
        yield from _shift_errors(extra.shift, f"/extra_days/{index}")
        if (extra.on, extra.shift.crew) in seen:
            detail = f"'{extra.shift.crew}' stands twice on {extra.on}; give it once, with its hours in all"
            yield FieldError(f"/extra_days/{index}/crew", detail)
        seen.add((extra.on, extra.shift.crew))


def _no_crew_errors(calendar: SiteCalendar, today: dt.date) -> Iterator[FieldError]:
    """Yield the fault of a calendar by which nobody comes in the year ahead."""
    ahead = [today + dt.timedelta(days) for days in range(_LOOKED_AHEAD_DAYS)]
    if any(calendar.crews_on(on) for on in ahead):
        return
    opened = SiteCalendar(calendar.week, calendar.seasons, (), calendar.extra_days)
    if any(opened.crews_on(on) for on in ahead):
        detail = (
            f"they cover every day from {ahead[0]} to {ahead[-1]} on which a crew would come; leave one open, or"
            " add an extra day"
        )
        yield FieldError("/closures", detail)
    else:
        detail = (
            f"no crew comes on any day from {ahead[0]} to {ahead[-1]}; give at least one weekday a crew with people"
            " and hours, or an extra day"
        )
        yield FieldError("/week", detail)


def written(day: MonthDay) -> str:
    """Return a month and day as requests write them, for example ``07-01``."""
    return f"{day[0]:02d}-{day[1]:02d}"


def _is_day(day: MonthDay) -> bool:
    try:
        dt.date(_LEAP_YEAR, *day)
    except ValueError:
        return False
    return True


def _days_of_a_year() -> Iterator[MonthDay]:
    first = dt.date(_LEAP_YEAR, 1, 1)
    for offset in range(366):
        on = first + dt.timedelta(offset)
        yield on.month, on.day
