"""From many readings to what a drawing can hold, without losing the lowest and highest of any pixel column."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.curves.record import HOUR_US, Limit, Line

_LOGGER_US: Final = 6 * HOUR_US
_SILENT_TIMES: Final = 8
_SILENT_LEAST_US: Final = 2 * HOUR_US
"""A logger silent for eight of its own intervals, and two hours, has a gap; house figures. One read by hand has it
only past the longest gap of the rule."""

SIDE: Final = 0.6
"""How far at least a reading that misses a limit is drawn on its side of it [px], half the width of a line: rounding
must not hide an excursion."""


@dataclass(frozen=True)
class Gap:
    """A time without a reading that counts; ``has_excluded``: readings were taken in it, and none counts."""

    label: str
    from_us: int
    to_us: int
    has_excluded: bool


@dataclass(frozen=True)
class Scale:
    """Where instants and temperatures stand on the paper [px]; y grows downward."""

    left: float
    right: float
    top: float
    bottom: float
    since_us: int
    until_us: int
    low_c: float
    high_c: float
    limits: tuple[Limit, ...] = ()

    def x(self, at_us: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return where instants stand, to a tenth."""
        share = (at_us - self.since_us) / (self.until_us - self.since_us)
        return np.round(self.left + share * (self.right - self.left), 1)

    def x_of(self, at_us: int) -> float:
        """Return where one instant stands, kept on the paper."""
        return float(np.clip(self.x(np.array([at_us])), self.left, self.right)[0])

    def y_of(self, temperature_c: float) -> float:
        """Return where a temperature stands, wherever limits are."""
        share = (self.high_c - temperature_c) / (self.high_c - self.low_c)
        return round(self.top + share * (self.bottom - self.top), 1)

    def y(self, temperature_c: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where readings stand, to a tenth, always on their own side of every limit."""
        share = (self.high_c - temperature_c) / (self.high_c - self.low_c)
        drawn = np.round(self.top + np.clip(share, 0, 1) * (self.bottom - self.top), 1)
        for limit in self.limits:
            line = self.y_of(limit.temperature_c)
            # On the limit is inside for a floor and for a ceiling alike.
            below, above = temperature_c < limit.temperature_c, temperature_c > limit.temperature_c
            drawn = np.where(below, np.maximum(drawn, line + (0 if limit.is_upper else SIDE)), drawn)
            drawn = np.where(above, np.minimum(drawn, line - (SIDE if limit.is_upper else 0)), drawn)
        return np.round(drawn, 1)

    def points(self, at_us: NDArray[np.int64], temperature_c: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where readings stand: ``(2, n)``, x above y."""
        return np.stack((self.x(at_us), self.y(temperature_c)))


def pieces(line: Line, longest_gap_us: int) -> list[tuple[NDArray[np.int64], NDArray[np.float64]]]:
    """Cut the readings that count wherever they are too far apart to be joined."""
    at, temperature_c = line.where(line.counts)
    if not at.size:
        return []
    cuts = np.flatnonzero(np.diff(at) > allowed_us(at, longest_gap_us)) + 1
    return list(zip(np.split(at, cuts), np.split(temperature_c, cuts), strict=True))


def allowed_us(at: NDArray[np.int64], longest_gap_us: int) -> int:
    """Return how far apart two readings may be and still be joined [us]."""
    rhythm = rhythm_us(at)
    if rhythm == 0 or rhythm > _LOGGER_US:
        return longest_gap_us
    return min(longest_gap_us, max(_SILENT_LEAST_US, _SILENT_TIMES * rhythm))


def rhythm_us(at: NDArray[np.int64]) -> int:
    """Return the usual time between two readings [us]; 0 when there are not two."""
    return round(float(np.median(np.diff(at)))) if at.size > 1 else 0


def gaps(line: Line, longest_gap_us: int, shown: tuple[int, int]) -> list[Gap]:
    """Return every gap of a line, before its first and after its last reading too, within the span shown."""
    at, _ = line.where(line.counts)
    since, until = max(line.since_us, shown[0]), min(line.until_us, shown[1])
    # A line read more rarely than the rule allows has a gap at each reading: only what stands out is named.
    allowed = max(allowed_us(at, longest_gap_us), 2 * rhythm_us(at) if rhythm_us(at) > longest_gap_us else 0)
    ends = np.concatenate(([since], at, [until]))
    others, _ = line.where(~line.counts)
    found = []
    for place in np.flatnonzero(np.diff(ends) > allowed):
        start, end = int(ends[place]), int(ends[place + 1])
        within = np.searchsorted(others, (start, end))
        found.append(Gap(line.label, start, end, bool(within[1] > within[0])))
    return found


def reduced(x: NDArray[np.float64], temperature_c: NDArray[np.float64], column_px: float) -> NDArray[np.intp]:
    """Choose the readings to draw: the first and the last, and the lowest and highest of every pixel column.

    Returns
    -------
    NDArray
        ``(m,)`` ascending places; with ``c`` columns, no more than ``2 c + 2``.
    """
    column = np.floor(x / column_px)
    order = np.lexsort((temperature_c, column))
    starts = np.flatnonzero(np.diff(column[order], prepend=-np.inf))
    ends = np.append(starts[1:], x.size) - 1
    return np.unique(np.concatenate((order[starts], order[ends], [0, x.size - 1])))


def merged(gaps_found: Sequence[Gap]) -> list[tuple[tuple[str, ...], Gap]]:
    """Bring together the gaps that several lines share within an hour: a gateway that is silent silences all."""
    together: list[tuple[list[str], Gap]] = []
    for gap in sorted(gaps_found, key=lambda one: (one.from_us, one.to_us, one.label)):
        for labels, other in together:
            near = abs(gap.from_us - other.from_us) <= HOUR_US and abs(gap.to_us - other.to_us) <= HOUR_US
            if near and gap.has_excluded == other.has_excluded:
                labels.append(gap.label)
                break
        else:
            together.append(([gap.label], gap))
    return [(tuple(labels), gap) for labels, gap in together]
