"""Readings drawn together by clock hour or calendar day of the place they were taken at."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Final, Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.domain.errors import Invalid
from service.domain.quantities import Unit
from service.domain.readings.quality import celsius

Resolution = Literal["hour", "day"]

_LENGTH_US: Final = {"hour": 3_600_000_000, "day": 86_400_000_000}
_US_PER_S: Final = 1_000_000
_S_PER_DAY: Final = 86_400
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, eq=False)
class Buckets:
    """Hours or days in which there is at least one usable reading, by ``(start_us, unit)``.

    Attributes
    ----------
    start_us, end_us
        ``(n,)`` half-open span of the whole hour or day [us since 1970-01-01T00:00Z], also where the readings asked
        for do not fill it.
    unit
        ``(n,)`` ``Unit`` of the numbers: Cel for every temperature, else as recorded; readings of one quantity in two
        units that do not convert give two buckets of one span.
    count
        ``(n,)`` usable readings, never 0.
    minimum, mean, maximum
        ``(n,)`` of them; the mean gives every reading one voice, however they are spaced.
    first_us, last_us
        ``(n,)`` instants of the earliest and the latest of them.
    """

    start_us: NDArray[np.int64]
    end_us: NDArray[np.int64]
    unit: NDArray[np.int16]
    count: NDArray[np.int64]
    minimum: NDArray[np.float64]
    mean: NDArray[np.float64]
    maximum: NDArray[np.float64]
    first_us: NDArray[np.int64]
    last_us: NDArray[np.int64]


def resample(
    observed_us: NDArray[np.int64],
    value: NDArray[np.float64],
    unit: NDArray[np.int16],
    usable: NDArray[np.bool_],
    *,
    resolution: Resolution,
    time_zone: ZoneInfo,
) -> Buckets:
    """Draw readings of one probe and quantity together for display; never for a verdict.

    A reading on a boundary belongs to what begins there. Where there is no usable reading there is no bucket:
    nothing is filled in between.

    An hour is a whole hour on the clock of the place, so it begins at :15 UTC where the clock is 5:45 ahead; where
    the clock is changed it is cut at the change, so no bucket is longer than an hour and none holds two readings of
    the clock. A day is a calendar day of the place, from its first midnight (or from the change that skips midnight)
    to the next: 23, 24 or 25 h.

    Parameters
    ----------
    observed_us
        ``(n,)`` instants [us since 1970-01-01T00:00Z], in any order.
    value, unit
        ``(n,)`` numbers and their ``Unit``.
    usable
        ``(n,)`` which of them count; one that is not a finite number never does.
    resolution
        ``hour`` or ``day``.
    time_zone
        Of the site.

    Raises
    ------
    Invalid
        If the columns differ in length, or no such resolution is known.
    """
    if resolution not in _LENGTH_US:
        raise Invalid.field("/resolution", f"{resolution!r} is not known; use 'hour' or 'day'")
    if len({observed_us.shape, value.shape, unit.shape, usable.shape}) != 1:
        raise Invalid.field(
            "", "columns differ in length; give one instant, value, unit and mask per reading"
        )
    counts = usable & np.isfinite(value)
    told, told_unit = in_display_unit(value[counts], unit[counts])
    at = observed_us[counts]
    if not at.size:
        return _NONE
    edges_us = _edges_us(int(at.min()), int(at.max()), resolution, time_zone)
    parts = [
        _of_one_unit(at[here], told[here], int(code), edges_us)
        for code in np.unique(told_unit)
        for here in [told_unit == code]
    ]
    return parts[0] if len(parts) == 1 else _by_start(parts)


def in_display_unit(
    value: NDArray[np.float64], unit: NDArray[np.int16]
) -> tuple[NDArray[np.float64], NDArray[np.int16]]:
    """Tell temperatures in Cel, to a millionth, and leave other numbers as they are; for display only.

    Returns
    -------
    tuple[NDArray[np.float64], NDArray[np.int16]]
        New columns of numbers and ``Unit`` codes; 131 [degF] is 55 Cel and 343.15 K is 70 Cel, without a tail.
    """
    is_other = (unit == Unit.DEG_F) | (unit == Unit.KELVIN)
    return celsius(value, unit), np.where(is_other, Unit.CEL, unit).astype(np.int16)


def _of_one_unit(
    at: NDArray[np.int64], told: NDArray[np.float64], unit: int, edges_us: NDArray[np.int64]
) -> Buckets:
    # Sorting by value too, where instants are equal, makes the sum and so the mean independent of arrival.
    if bool((at[1:] <= at[:-1]).any()):
        order = np.lexsort((told, at))
        at, told = at[order], told[order]
    opens = np.searchsorted(at, edges_us, "left")
    filled = np.flatnonzero(opens[1:] > opens[:-1])
    first, count = opens[filled], opens[filled + 1] - opens[filled]
    minimum = np.minimum.reduceat(told, first)
    maximum = np.maximum.reduceat(told, first)
    # Rounding can put the mean of equal numbers beside them: 0.1 three times sums to 0.30000000000000004.
    mean = np.clip(np.add.reduceat(told, first) / count, minimum, maximum)
    return Buckets(
        edges_us[filled],
        edges_us[filled + 1],
        np.full(first.shape, unit, np.int16),
        count.astype(np.int64),
        minimum,
        mean,
        maximum,
        at[first],
        at[first + count - 1],
    )


def _by_start(parts: list[Buckets]) -> Buckets:
    columns = {name: np.concatenate([getattr(part, name) for part in parts]) for name in _COLUMNS}
    order = np.lexsort((columns["unit"], columns["start_us"]))
    return Buckets(**{name: column[order] for name, column in columns.items()})


def _edges_us(first_us: int, last_us: int, resolution: Resolution, time_zone: ZoneInfo) -> NDArray[np.int64]:
    """Boundaries of hours or days from at or before the first instant to after the last."""
    length = _LENGTH_US[resolution]
    since_us, until_us = first_us - 2 * _LENGTH_US["day"], last_us + 2 * _LENGTH_US["day"]
    edges: list[NDArray[np.int64]] = []
    numbers: list[NDArray[np.int64]] = []
    for start_us, end_us, offset_us in _offsets(since_us, until_us, time_zone):
        local = np.arange(-(-(start_us + offset_us) // length), -(-(end_us + offset_us) // length))
        edges += [np.array([start_us]), local * length - offset_us]
        numbers += [np.array([(start_us + offset_us) // length]), local]
    edge, number = np.concatenate(edges), np.concatenate(numbers)
    if resolution == "day":
        # A change of the clock begins a day only where it skips midnight; where it brings a second one, the first
        # holds.
        keep = np.concatenate([[True], number[1:] > np.maximum.accumulate(number)[:-1]])
    else:
        keep = np.concatenate([[True], edge[1:] > edge[:-1]])
    kept: NDArray[np.int64] = edge[keep]
    return kept


def _offsets(since_us: int, until_us: int, time_zone: ZoneInfo) -> list[tuple[int, int, int]]:
    """Stretches of one offset from UTC, ``(start, end, offset)`` [us], that together cover a span."""
    years = range((_EPOCH + timedelta(microseconds=since_us)).year, _year(until_us) + 1)
    changes = [change for year in years for change in _changes(time_zone, year)]
    inside = [
        (at * _US_PER_S, off * _US_PER_S) for at, off in changes if since_us < at * _US_PER_S < until_us
    ]
    starts = [(since_us, _offset_s(time_zone, since_us // _US_PER_S) * _US_PER_S), *inside]
    ends = [*(at for at, _ in inside), until_us]
    return [(start, end, offset) for (start, offset), end in zip(starts, ends, strict=True)]


def _year(moment_us: int) -> int:
    return (_EPOCH + timedelta(microseconds=moment_us)).year


@lru_cache(maxsize=1024)
def _changes(time_zone: ZoneInfo, year: int) -> tuple[tuple[int, int], ...]:
    """When the clock is changed in a UTC year, and to what offset [s].

    Looked for day by day: since 1970 no zone has changed twice within a week (IANA zone data 2025b).
    """
    begins = int(datetime(year, 1, 1, tzinfo=UTC).timestamp())
    ends = int(datetime(year + 1, 1, 1, tzinfo=UTC).timestamp())
    found = []
    before = _offset_s(time_zone, begins)
    for day in range(begins, ends, _S_PER_DAY):
        after = _offset_s(time_zone, day + _S_PER_DAY)
        if after != before:
            low, high = day, day + _S_PER_DAY
            while high - low > 1:
                middle = (low + high) // 2
                if _offset_s(time_zone, middle) == before:
                    low = middle
                else:
                    high = middle
            found.append((high, after))
        before = after
    return tuple(found)


def _offset_s(time_zone: ZoneInfo, moment_s: int) -> int:
    offset = (_EPOCH + timedelta(seconds=moment_s)).astimezone(time_zone).utcoffset()
    assert offset is not None
    return round(offset.total_seconds())


_COLUMNS: Final = tuple(Buckets.__dataclass_fields__)
_NONE: Final = Buckets(
    *(
        np.array([], dtype)
        for dtype in [np.int64, np.int64, np.int16, np.int64, *[np.float64] * 3, *[np.int64] * 2]
    )
)
