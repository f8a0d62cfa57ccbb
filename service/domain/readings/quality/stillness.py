"""A stuck sensor, or a number copied from the line above.

References
----------
[1] IOOS QARTOD manuals, test "flat line"; WMO guidelines on quality control of automatic weather stations
    (Zahumensky 2004), "persistence". The figures are the operator's to choose.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.readings.quality.columns import DAY_US, HOUR_US, ROUND_OFF_C, Track
from service.domain.readings.quality.windows import covered, ranges

FLAT_WITHIN_C: Final = 0.15
FLAT_LOGGER_DAYS: Final = 2.0
FLAT_HAND_DAYS: Final = 1.5
FLAT_HAND_COUNT: Final = 4
"""A logger within 0.15 Cel over two days; by hand four equal numbers over a day and a half. House rule
figures."""

FLAT_COARSE_COUNT: Final = 6
DAYS_PER_C: Final = 4.0
"""On a scale of whole degrees equal numbers are ordinary: a pile that drifts by a quarter of a degree a day shows
the same whole degree for four days. So six equal numbers, and four days per degree of the scale. House figures."""

LOGGER_HOLE_H: Final = 12.0
HAND_HOLE_DAYS: Final = 4.0
"""Across a longer hole nothing was seen to stand still; a long weekend by hand. House figures."""

_FEWEST: Final = 3


def flat_line(readings: Track) -> NDArray[np.bool_]:
    """Return which readings are part of a flat stretch, its first ones included."""
    if readings.size < _FEWEST:
        return np.zeros(readings.size, np.bool_)
    return _same_by_hand(readings) if readings.is_hand_read else _still_logger(readings)


def flat_after_days(readings: Track) -> float:
    """Return how long a stretch must stand still to be flat on this scale [d]."""
    least = FLAT_HAND_DAYS if readings.is_hand_read else FLAT_LOGGER_DAYS
    return max(least, DAYS_PER_C * _coarseness_c(readings))


def _coarseness_c(readings: Track) -> float:
    return readings.resolution_c if readings.resolution_c > FLAT_WITHIN_C else 0.0


def _still_logger(readings: Track) -> NDArray[np.bool_]:
    at, told_c = readings.at_us, readings.temperature_c
    first = np.searchsorted(at, at - round(flat_after_days(readings) * DAY_US), "right") - 1
    last = np.arange(readings.size)
    holes = np.concatenate(([0], np.cumsum(np.diff(at) > LOGGER_HOLE_H * HOUR_US)))
    asked = (first >= 0) & (last - first + 1 >= _FEWEST)
    # Both ends first: most windows of a living pile fail here, before any range is taken.
    asked &= np.abs(told_c - told_c[first]) <= FLAT_WITHIN_C + ROUND_OFF_C
    asked &= holes == holes[first]
    first, last = first[asked], last[asked]
    flat = ranges(told_c, first, last) <= FLAT_WITHIN_C + ROUND_OFF_C
    return covered(readings.size, first[flat], last[flat])


def _same_by_hand(readings: Track) -> NDArray[np.bool_]:
    at, told_c = readings.at_us, readings.temperature_c
    breaks = (np.abs(np.diff(told_c)) > ROUND_OFF_C) | (np.diff(at) > HAND_HOLE_DAYS * DAY_US)
    edges = np.flatnonzero(breaks)
    first, last = np.concatenate(([0], edges + 1)), np.concatenate((edges, [readings.size - 1]))
    fewest = FLAT_COARSE_COUNT if _coarseness_c(readings) else FLAT_HAND_COUNT
    flat = last - first + 1 >= fewest
    flat &= at[last] - at[first] >= flat_after_days(readings) * DAY_US
    return covered(readings.size, first[flat], last[flat])
