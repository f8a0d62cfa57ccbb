"""A site's work calendar as a value: which crews come on which local dates, for how long, and when nobody may."""

import datetime as dt
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Final

from service.domain.schedules import WEEKDAYS, weekday_of

CREW: Final = "crew"
"""What a crew is called that nobody named."""
MINUTES_PER_H: Final = 60


@dataclass(frozen=True)
class Shift:
    """One crew's work on one day.

    Attributes
    ----------
    crew
        Its name.
    people
        How many of it come.
    hours
        How long each of them works [h], by the clock on the wall.
    """

    crew: str
    people: int
    hours: float

    @property
    def minutes(self) -> int:
        """Person-minutes."""
        return self.people * round(self.hours * MINUTES_PER_H)


Week = Mapping[str, tuple[Shift, ...]]
"""The shifts of each weekday (``mon`` to ``sun``) that has any."""
MonthDay = tuple[int, int]
"""A month and a day of it."""


@dataclass(frozen=True)
class Season:
    """A part of every year with a week of its own.

    Attributes
    ----------
    name
        As the site calls it.
    first, last
        Both included; a season whose last lies before its first runs over New Year.
    week
        Takes the ordinary week's place; empty for a season without a crew.
    """

    name: str
    first: MonthDay
    last: MonthDay
    week: Week

    def holds(self, on: dt.date) -> bool:
        """Return whether a date lies in the season; 29 February counts in the years that have it."""
        day = (on.month, on.day)
        if self.first <= self.last:
            return self.first <= day <= self.last
        return day >= self.first or day <= self.last


@dataclass(frozen=True)
class HolidayChosen:
    """The public holiday a closure was chosen from, as it was offered then; it is not looked up again.

    Attributes
    ----------
    country, subdivision
        ISO 3166-1 code, and the part of the country or None.
    name, name_en
        In the local language, and in English where that was offered.
    source
        What offered it, with its version.
    """

    country: str
    subdivision: str | None
    name: str
    name_en: str | None
    source: str


@dataclass(frozen=True)
class Closure:
    """A date on which the site is shut, whoever would come."""

    on: dt.date
    reason: str
    holiday: HolidayChosen | None = None


@dataclass(frozen=True)
class ExtraDay:
    """A shift on one date, beside those the week has for it."""

    on: dt.date
    shift: Shift


@dataclass(frozen=True)
class SiteCalendar:
    """When crews are at a site; every date is a local one in the site's zone.

    Attributes
    ----------
    week
        The ordinary week.
    seasons
        Parts of the year with weeks of their own; they do not overlap.
    closures
        One a date at most. A closure wins over the week, over a season and over an extra day: nobody should be
        sent to a closed gate.
    extra_days
        Shifts beside the week's.
    is_assumed
        Whether nobody recorded it: the work days are the site's, hours and people are assumed.
    """

    week: Week
    seasons: tuple[Season, ...] = ()
    closures: tuple[Closure, ...] = ()
    extra_days: tuple[ExtraDay, ...] = ()
    is_assumed: bool = field(default=False)

    @cached_property
    def _closed(self) -> Mapping[dt.date, Closure]:
        return {closure.on: closure for closure in self.closures}

    @cached_property
    def _extra(self) -> Mapping[dt.date, tuple[Shift, ...]]:
        return _by_date(self.extra_days)

    @property
    def work_days(self) -> tuple[str, ...]:
        """The weekdays of the ordinary week on which a crew comes."""
        return tuple(word for word in WEEKDAYS if self.week.get(word))

    def season_on(self, on: dt.date) -> Season | None:
        """Return the season a date lies in, if it lies in one."""
        return next((season for season in self.seasons if season.holds(on)), None)

    def closure_on(self, on: dt.date) -> Closure | None:
        """Return the closure of a date, if it has one."""
        return self._closed.get(on)

    def is_extra(self, on: dt.date) -> bool:
        """Return whether a shift was added to a date."""
        return on in self._extra

    def crews_on(self, on: dt.date) -> tuple[Shift, ...]:
        """Return who works on a date; nobody on a closed one."""
        if on in self._closed:
            return ()
        season = self.season_on(on)
        week = self.week if season is None else season.week
        return (*week.get(weekday_of(on), ()), *self._extra.get(on, ()))


def crew_minutes(calendar: SiteCalendar, first: dt.date, last: dt.date) -> dict[dt.date, int]:
    """Return the person-minutes of each date from ``first`` to ``last``, both included.

    Parameters
    ----------
    calendar
        A calendar that fits.
    first, last
        Local dates; clock changes do not matter, because a crew works by the clock on the wall.

    Returns
    -------
    dict of date to int
        Person-minutes [min] of all crews together. 0 for a closed date; no entry for a date without a crew,
        which might be opened.
    """
    found = {}
    for offset in range((last - first).days + 1):
        on = first + dt.timedelta(offset)
        shifts = calendar.crews_on(on)
        if shifts or calendar.closure_on(on) is not None:
            found[on] = sum(shift.minutes for shift in shifts)
    return found


def _by_date(extra_days: Iterable[ExtraDay]) -> Mapping[dt.date, tuple[Shift, ...]]:
    found: dict[dt.date, tuple[Shift, ...]] = {}
    for extra in extra_days:
        found[extra.on] = (*found.get(extra.on, ()), extra.shift)
    return found
