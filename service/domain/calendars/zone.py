"""A time zone told along with a calendar, for the years it needs.

Our own, because what the library writes (icalendar 7.3) cannot be used: it looks for changes in strides that step over
Morocco's month of Ramadan, writes the hour to which clocks are set forward where RFC 5545 section 3.6.5 wants it in the
offset before, and writes the later changes as RDATE, for which ical.js (2.2.1) forgets the first.
"""

import datetime as dt
import itertools
from collections.abc import Iterator
from functools import lru_cache
from zoneinfo import ZoneInfo

from icalendar import Timezone, TimezoneDaylight, TimezoneStandard

_DAY = dt.timedelta(1)
_SECOND = dt.timedelta(seconds=1)


def told_zone(time_zone: str, first_year: int, last_year: int) -> Timezone:
    """Return a VTIMEZONE with each change of clocks in its own part.

    Parameters
    ----------
    time_zone
        IANA name.
    first_year, last_year
        Both included.
    """
    told = Timezone()
    told.add("tzid", time_zone)
    for at, before, after in _changes(time_zone, first_year, last_year):
        there = at.astimezone(ZoneInfo(time_zone))
        part = TimezoneDaylight() if there.dst() else TimezoneStandard()
        part.add("dtstart", (at + before).replace(tzinfo=None))
        part.add("tzoffsetfrom", before)
        part.add("tzoffsetto", after)
        part.add("tzname", there.tzname())
        told.add_component(part)
    return told


@lru_cache(256)
def _changes(
    time_zone: str, first_year: int, last_year: int
) -> tuple[tuple[dt.datetime, dt.timedelta, dt.timedelta], ...]:
    """Return where the first year begins and each change after it: the instant, the offsets before and after."""
    zone = ZoneInfo(time_zone)
    first = dt.datetime(first_year, 1, 1, tzinfo=zone).astimezone(dt.UTC)
    last = dt.datetime(last_year + 1, 1, 1, tzinfo=zone).astimezone(dt.UTC)
    there = _offset(zone, first)
    return ((first, there, there), *_found(zone, first, last))


def _found(
    zone: ZoneInfo, first: dt.datetime, last: dt.datetime
) -> Iterator[tuple[dt.datetime, dt.timedelta, dt.timedelta]]:
    days = (first + day * _DAY for day in range((last - first) // _DAY + 2))
    for one, next_day in itertools.pairwise(days):
        before, after = _offset(zone, one), _offset(zone, next_day)
        low, high = one, next_day
        while before != after and high - low > _SECOND:
            middle = low + (high - low) // _SECOND // 2 * _SECOND
            low, high = (middle, high) if _offset(zone, middle) == before else (low, middle)
        if before != after and high < last:
            yield high, before, after


def _offset(zone: ZoneInfo, at: dt.datetime) -> dt.timedelta:
    offset = at.astimezone(zone).utcoffset()
    assert offset is not None, "a zone has an offset at every instant"
    return offset
