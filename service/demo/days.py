"""The days of an invented site: who is there when, counted back from the end of the scenario."""

import datetime as dt
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from service.demo.places import Site
from service.domain.schedules import WorkCalendar, local_instant

DAY: Final = dt.timedelta(days=1)
_HOUR: Final = dt.timedelta(hours=1)
_SEARCHED_DAYS: Final = 400
_LONGEST_BREAK_DAYS: Final = 30


def today_at(site: Site, now: dt.datetime) -> dt.date:
    """Return the local date."""
    return now.astimezone(ZoneInfo(site.time_zone)).date()


def closures_of(site: Site, now: dt.datetime) -> tuple[dt.date, ...]:
    """Return the dates a site is closed."""
    return tuple(sorted(today_at(site, now) - ago * DAY for ago in site.closures_ago_days))


def calendar_of(site: Site, now: dt.datetime) -> WorkCalendar:
    """Return the days a site's crew is there."""
    return WorkCalendar(frozenset(site.work_days), frozenset(closures_of(site, now)))


def crew_day_before(calendar: WorkCalendar, on: dt.date) -> dt.date:
    """Return the last crew day up to and including a date."""
    return next(
        day for ago in range(_LONGEST_BREAK_DAYS) for day in [on - ago * DAY] if calendar.is_crew_day(day)
    )


def crew_day_after(calendar: WorkCalendar, on: dt.date) -> dt.date:
    """Return the first crew day from a date on."""
    found = calendar.next_crew_day(on, within_days=_LONGEST_BREAK_DAYS)
    assert found is not None
    return found


def working_hour(site: Site, on: dt.date, hours_later: int, rng: np.random.Generator) -> dt.datetime:
    """Return an instant of a crew's day: its hour, so many hours later, and some odd minutes."""
    return local_instant(site.time_zone, on, dt.time(site.hour + hours_later, int(rng.integers(0, 55))))


def last_clock_change(time_zone: str, before: dt.datetime) -> dt.datetime:
    """Return the last instant before another at which a zone's clocks were changed, to the hour.

    Raises
    ------
    ValueError
        The zone has none within 400 days.
    """
    zone = ZoneInfo(time_zone)
    later = before.replace(minute=0, second=0, microsecond=0)
    for _ in range(_SEARCHED_DAYS):
        if _offset(zone, later - DAY) != _offset(zone, later):
            break
        later -= DAY
    else:
        raise ValueError(f"{time_zone} changes no clocks; choose a zone that does")
    while _offset(zone, later - _HOUR) == _offset(zone, later):
        later -= _HOUR
    return later


def _offset(zone: ZoneInfo, at: dt.datetime) -> dt.timedelta | None:
    return at.astimezone(zone).utcoffset()
