"""On which local dates a site has a crew, and when a local working hour falls."""

import datetime as dt
import difflib
import zoneinfo
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Final

WEEKDAYS: Final = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_NAMES: Final = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
WORK_STARTS: Final = dt.time(9)
"""The hour assumed where a plan has to count hours between visits; dates alone do not say it."""


def weekday_of(on: dt.date) -> str:
    """Return the weekday's word in requests and answers, for example ``sat``."""
    return WEEKDAYS[on.weekday()]


def spoken(on: dt.date) -> str:
    """Return a date as it is said to a crew, for example ``Saturday 2026-03-14``."""
    return f"{_NAMES[on.weekday()]} {on.isoformat()}"


@dataclass(frozen=True)
class WorkCalendar:
    """The days on which somebody is there to work.

    Attributes
    ----------
    work_days
        Weekdays with a crew, of ``mon`` to ``sun``.
    closures
        Dates without a crew although the weekday has one.
    extra_days
        One-off dates with a crew although the weekday has none. A closure wins over an extra day: nobody
        should be sent to a closed gate.
    reasons
        Why the site is closed, for the closures of which that is known.
    """

    work_days: frozenset[str]
    closures: frozenset[dt.date] = field(default_factory=frozenset)
    extra_days: frozenset[dt.date] = field(default_factory=frozenset)
    reasons: Mapping[dt.date, str] = field(default_factory=dict, compare=False)

    def is_crew_day(self, on: dt.date) -> bool:
        """Return whether a crew is there on a local date."""
        return on not in self.closures and (weekday_of(on) in self.work_days or on in self.extra_days)

    def why_no_crew(self, on: dt.date) -> str:
        """Return why nobody is there on a date that is no crew day."""
        if on in self.closures:
            reason = self.reasons.get(on)
            return f"the site is closed on {spoken(on)}" + (f" ({reason})" if reason else "")
        return f"no crew works on {_NAMES[on.weekday()]}s ({on.isoformat()})"

    def crew_days(self, first: dt.date, last: dt.date) -> Iterator[dt.date]:
        """Yield the crew days from ``first`` to ``last``, both included, in order."""
        for offset in range((last - first).days + 1):
            on = first + dt.timedelta(offset)
            if self.is_crew_day(on):
                yield on

    def next_crew_day(self, on: dt.date, *, within_days: int) -> dt.date | None:
        """Return the first crew day on or after ``on``, or None if none comes ``within_days`` of it."""
        return next(self.crew_days(on, on + dt.timedelta(within_days)), None)


@cache
def _zones() -> frozenset[str]:
    """Return the names in the time-zone database; read once, because listing it walks its files."""
    return frozenset(zoneinfo.available_timezones())


def zone_fault(time_zone: str) -> str | None:
    """Return what is wrong with a time-zone name and the remedy, or None if it is a known one."""
    if time_zone in _zones():
        return None
    close = difflib.get_close_matches(time_zone, sorted(_zones()), n=1)
    remedy = f"did you mean {close[0]!r}?" if close else "give an IANA name such as 'Europe/Lisbon'"
    return f"{time_zone!r} is not a known time zone; {remedy}"


def local_instant(time_zone: str, on: dt.date, at: dt.time) -> dt.datetime:
    """Return the instant of a local wall-clock time.

    Parameters
    ----------
    time_zone
        IANA name of the site's zone.
    on, at
        Local date and wall-clock time (without offset).

    Returns
    -------
    datetime.datetime
        Aware, in UTC. A time the clocks skip is read with the offset before the gap (half past two becomes
        half past three); a time they pass twice is its first passing.

    References
    ----------
    [1] RFC 5545, section 3.3.5, form 3: local time with a time-zone reference.
    """
    # fold=0 is exactly that reading: before the gap when skipped, the first passing when doubled.
    local = dt.datetime.combine(on, at.replace(fold=0), tzinfo=zoneinfo.ZoneInfo(time_zone))
    return local.astimezone(dt.UTC)


def hours_between(time_zone: str, first: dt.date, last: dt.date, at: dt.time = WORK_STARTS) -> float:
    """Return the elapsed hours [h] from ``at`` on one local date to ``at`` on another, clock changes counted."""
    return (local_instant(time_zone, last, at) - local_instant(time_zone, first, at)) / dt.timedelta(hours=1)
