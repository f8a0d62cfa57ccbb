"""A probe that tells the air, not the pile: colder than the air can make it, or pulled out.

References
----------
[1] WMO guidelines on quality control of automatic weather stations (Zahumensky 2004), "internal consistency".
    The figures are house rule figures.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.readings.quality.columns import HOUR_US, ROUND_OFF_C, Track
from service.domain.readings.quality.windows import Places, covered, ranges

BELOW_AIR_C: Final = 12.0
"""A pile is not that much colder than the air around it; house rule figure."""

AIR_WITHIN_C: Final = 4.0
AIR_CORRELATION: Final = 0.95
AIR_COMPARED_H: Final = 24.0
"""A logger that follows the air this closely for a day was pulled out; house rule figures."""

AIR_COMPARED_COUNT: Final = 12
MOST_OF_A_DAY: Final = 0.8
STIRS_BY_C: Final = 0.15
"""What makes a day comparable: readings, their span, and that both moved; common practice, no source."""

AIR_HOLE_H: Final = 6.0
"""Between readings of the air further apart it is not known; house figure."""


def air_at(at_us: NDArray[np.int64], air: Track) -> NDArray[np.float64]:
    """Return the air temperature at instants [Cel], not a number where it was not read shortly before and after."""
    if air.size < 2:  # noqa: PLR2004 - between two readings
        return np.full(at_us.shape, np.nan)
    told = np.interp(at_us, air.at_us, air.temperature_c, left=np.nan, right=np.nan)
    for place in np.flatnonzero(np.diff(air.at_us) > AIR_HOLE_H * HOUR_US):
        first = np.searchsorted(at_us, air.at_us[place], "right")
        told[first : np.searchsorted(at_us, air.at_us[place + 1], "left")] = np.nan
    return told


def near_ambient(readings: Track, air: Track) -> NDArray[np.bool_]:
    """Return where a reading is more than 12 Cel below the air, or of a logger that follows the air for a day."""
    air_c = air_at(readings.at_us, air)
    below: NDArray[np.bool_] = air_c - readings.temperature_c > BELOW_AIR_C + ROUND_OFF_C
    return below if readings.is_hand_read else below | _follows(readings, air_c)


def follows_air(readings: Track, air: Track) -> NDArray[np.bool_]:
    """Return which readings belong to a day in which the probe followed the air: it was probably pulled out."""
    return _follows(readings, air_at(readings.at_us, air))


def _follows(readings: Track, air_c: NDArray[np.float64]) -> NDArray[np.bool_]:
    first, last = _days_near_the_air(readings, air_c)
    follows = _correlation(readings.temperature_c, air_c, first, last) > AIR_CORRELATION
    first, last = first[follows], last[follows]
    stirred = np.minimum(ranges(readings.temperature_c, first, last), ranges(air_c, first, last))
    stirs = stirred >= STIRS_BY_C - ROUND_OFF_C
    return covered(readings.size, first[stirs], last[stirs])


def _days_near_the_air(readings: Track, air_c: NDArray[np.float64]) -> tuple[Places, Places]:
    """Return the windows of a day in which every reading is within 4 Cel of a known air temperature."""
    at = readings.at_us
    away = ~(np.abs(readings.temperature_c - air_c) <= AIR_WITHIN_C + ROUND_OFF_C)
    # Most readings of a hot pile are away from the air: only what lies between them is looked at.
    last = np.flatnonzero(~away)
    first = np.searchsorted(at, at[last] - round(AIR_COMPARED_H * HOUR_US), "left")
    first = np.maximum(first, np.maximum.accumulate(np.where(away, np.arange(at.size) + 1, 0))[last])
    wide = (last - first + 1 >= AIR_COMPARED_COUNT) & (
        at[last] - at[first] >= MOST_OF_A_DAY * AIR_COMPARED_H * HOUR_US
    )
    return first[wide], last[wide]


def _correlation(
    told_c: NDArray[np.float64], air_c: NDArray[np.float64], first: Places, last: Places
) -> NDArray[np.float64]:
    """Return Pearson's correlation inside each window, from running sums."""
    if not first.size:
        return np.zeros(0)
    known = np.isfinite(air_c)
    # About their own middle, so that the running sums keep their digits.
    x = np.where(known, told_c - told_c.mean(), 0.0)
    y = np.where(known, air_c - air_c[known].mean(), 0.0)
    count = last - first + 1

    def total(one: NDArray[np.float64]) -> NDArray[np.float64]:
        running = np.concatenate(([0.0], np.cumsum(one)))
        inside: NDArray[np.float64] = running[last + 1] - running[first]
        return inside

    sum_x, sum_y = total(x), total(y)
    both = total(x * y) - sum_x * sum_y / count
    spread = (total(x * x) - sum_x**2 / count) * (total(y * y) - sum_y**2 / count)
    moved = spread > ROUND_OFF_C**2
    return np.where(moved, both / np.sqrt(np.where(moved, spread, 1.0)), 0.0)
