"""Instants as whole microseconds since 1970 UTC, so that elapsed time is integer arithmetic."""

from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.domain.errors import Invalid

Instants = NDArray[np.int64]
Flags = NDArray[np.bool_]

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND: Final = timedelta(microseconds=1)
HOUR_US: Final = 3_600_000_000
DAY_US: Final = 24 * HOUR_US
DISTANT_PAST: Final = -(2**60)
DISTANT_FUTURE: Final = 2**60


def to_us(moment: datetime, pointer: str) -> int:
    """Return microseconds since 1970 UTC.

    Parameters
    ----------
    moment
        An instant with its UTC offset.
    pointer
        RFC 6901 pointer of the value, for the refusal.

    Raises
    ------
    Invalid
        If the time has no offset: on the night the clocks go back it would name two instants.
    """
    if moment.tzinfo is None or moment.utcoffset() is None:
        raise Invalid.field(
            pointer, f"{moment.isoformat()} has no UTC offset; add Z or an offset such as +02:00"
        )
    return (moment - EPOCH) // MICROSECOND


def to_datetime(instant_us: int) -> datetime:
    """Return the aware UTC time of an instant."""
    return EPOCH + timedelta(microseconds=int(instant_us))


def to_datetimes(instants: Instants) -> list[datetime]:
    """Return the aware UTC times of many instants, at a third of the cost of one by one."""
    return [one.replace(tzinfo=UTC) for one in instants.astype("datetime64[us]").tolist()]


def hours_us(hours: float) -> int:
    """Return hours as whole microseconds."""
    return round(hours * HOUR_US)


def local_date(instant_us: int, time_zone: ZoneInfo) -> date:
    """Return the calendar day an instant falls on at the site."""
    return to_datetime(instant_us).astimezone(time_zone).date()


def local_midnights(first: date, last: date, time_zone: ZoneInfo) -> Instants:
    """Return where each calendar day begins at the site, and where the last one ends.

    Returns
    -------
    Instants
        ``(last - first).days + 2`` instants, ascending; a day may last 23, 24 or 25 hours.
    """
    days = [first + timedelta(days=n) for n in range((last - first).days + 2)]
    return np.array(
        [(datetime.combine(day, time(), time_zone) - EPOCH) // MICROSECOND for day in days], dtype=np.int64
    )


def same_clock_time_after(instant_us: int, days: int, time_zone: ZoneInfo) -> int:
    """Return the instant ``days`` calendar days later at the same clock time at the site."""
    clock = to_datetime(instant_us).astimezone(time_zone).replace(tzinfo=None) + timedelta(days=days)
    return (clock.replace(tzinfo=time_zone) - EPOCH) // MICROSECOND
