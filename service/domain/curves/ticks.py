"""Where axes have their marks: round temperatures, and days and hours of the site's own clock."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from service.domain.curves.record import DAY_US, HOUR_US

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_US: Final = timedelta(microseconds=1)
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_MOST: Final = 10
_HOUR_STEPS: Final = (1, 2, 3, 6, 12)
_DAY_STEPS: Final = (1, 2, 7, 14)
_MONTH_STEPS: Final = (1, 3, 6, 12, 60)
_TEMPERATURE_STEPS: Final = (10, 20, 50, 100, 200, 500, 1000)


@dataclass(frozen=True)
class TimeTick:
    """A mark of the time axis: its instant [us] and what the site's clock or calendar shows then."""

    at_us: int
    label: str


@dataclass(frozen=True)
class ClockChange:
    """An instant [us] at which the site's clocks go forward or back, and the offsets before and after [min]."""

    at_us: int
    before_min: int
    after_min: int


def local(at_us: int, zone: ZoneInfo) -> datetime:
    """Return an instant as the site's clock shows it."""
    return (_EPOCH + at_us * _US).astimezone(zone)


def day_label(day: date) -> str:
    """Return a day as axes write it, for example ``4 May``."""
    return f"{day.day} {_MONTHS[day.month - 1]}"


def offset_label(minutes: int) -> str:
    """Return an offset from UTC, for example ``UTC+05:30``."""
    sign, size = "-" if minutes < 0 else "+", abs(minutes)
    return f"UTC{sign}{size // 60:02d}:{size % 60:02d}"


def offset_min(at_us: int, zone: ZoneInfo) -> int:
    """Return the offset from UTC in force at an instant [min]."""
    offset = local(at_us, zone).utcoffset()
    return 0 if offset is None else round(offset / timedelta(minutes=1))


def time_ticks(since_us: int, until_us: int, zone: ZoneInfo) -> list[TimeTick]:
    """Return at most ten marks at round hours, days, weeks or months of the site's clock.

    A day may last 23 or 25 hours; the marks stand where the days really begin.
    """
    span = until_us - since_us
    for step in _HOUR_STEPS:
        if span <= _MOST * step * HOUR_US:
            return list(_hours(since_us, until_us, zone, step))
    first, last = local(since_us, zone).date(), local(until_us, zone).date()
    for step in _DAY_STEPS:
        if span <= _MOST * step * DAY_US:
            return [TimeTick(at, day_label(day)) for day, at in _days(first, last, zone, step, until_us)]
    months = (last.year - first.year) * 12 + last.month - first.month
    step = next((one for one in _MONTH_STEPS if months <= _MOST * one), 120)
    return list(_month_starts(first, months, zone, step, until_us))


def day_marks(since_us: int, until_us: int, zone: ZoneInfo) -> list[int]:
    """Return where each day begins at the site [us]."""
    first, last = local(since_us, zone).date(), local(until_us, zone).date()
    return [at for _, at in _days(first, last, zone, 1, until_us)]


def _begins(day: date, zone: ZoneInfo) -> int:
    return (datetime.combine(day, time(), zone).astimezone(UTC) - _EPOCH) // _US


def _hours(since_us: int, until_us: int, zone: ZoneInfo, step: int) -> Iterator[TimeTick]:
    quarter = HOUR_US // 4  # some zones stand off UTC by half and quarter hours
    for at in range(-(-since_us // quarter) * quarter, until_us + 1, quarter):
        clock = local(at, zone)
        if clock.minute == 0 and clock.hour % step == 0:
            yield TimeTick(at, day_label(clock.date()) if clock.hour == 0 else f"{clock:%H:%M}")


def _days(first: date, last: date, zone: ZoneInfo, step: int, until_us: int) -> Iterator[tuple[date, int]]:
    day = first + timedelta(days=1)
    if step % 7 == 0:
        day += timedelta(days=-day.weekday() % 7)
    while day <= last:
        at = _begins(day, zone)
        if at <= until_us:
            yield day, at
        day += timedelta(days=step)


def _month_starts(first: date, months: int, zone: ZoneInfo, step: int, until_us: int) -> Iterator[TimeTick]:
    for ahead in range(1, months + 1):
        year, month = divmod(first.year * 12 + first.month - 1 + ahead, 12)
        if (year * 12 + month) % step == 0:
            at = _begins(date(year, month + 1, 1), zone)
            if at <= until_us:
                yield TimeTick(at, f"{_MONTHS[month]} {year}")


def clock_changes(since_us: int, until_us: int, zone: ZoneInfo) -> list[ClockChange]:
    """Return when the site's clocks were put forward or back within a span, to the second."""
    found = []
    at, before = since_us, offset_min(since_us, zone)
    while at < until_us:
        ahead = min(at + DAY_US, until_us)
        after = offset_min(ahead, zone)
        if after != before:
            found.append(ClockChange(_changed(at, ahead, before, zone), before, after))
        at, before = ahead, after
    return found


def _changed(low: int, high: int, before: int, zone: ZoneInfo) -> int:
    while high - low > 1_000_000:  # noqa: PLR2004 - a second
        middle = (low + high) // 2
        low, high = (middle, high) if offset_min(middle, zone) == before else (low, middle)
    return round(high / 1e6) * 1_000_000


def temperature_range(lowest_c: float, highest_c: float) -> tuple[float, float]:
    """Return round ends of an axis that holds both, from 20 Cel or below."""
    return float(math.floor(min(20.0, lowest_c) / 10) * 10), float(math.ceil((highest_c + 2) / 10) * 10)


def temperature_ticks(low: float, high: float) -> list[int]:
    """Return round numbers from one end of an axis to the other, in whichever unit both are told."""
    step = next((one for one in _TEMPERATURE_STEPS if high - low <= _MOST * one), 5000)
    return list(range(math.ceil(low / step) * step, math.floor(high) + 1, step))
