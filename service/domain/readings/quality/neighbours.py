"""Two probes of one pile at one depth that disagree: at least one depth, position or probe is not as recorded."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.readings.quality.columns import HOUR_US, ROUND_OFF_C, Track
from service.domain.readings.quality.turning import Turns, turn_between

APART_C: Final = 15.0
"""Same pile, same day, same depth; house rule figure."""
SAME_DEPTH_CM: Final = 10.0
"""House figure: the outer 10 cm of a pile span more than that, its core does not."""
SAME_DAY_H: Final = 12.0
"""Nearest in time and no further apart, so that no time zone decides; house figure."""


def apart_from_neighbours(readings: Track, others: Sequence[Track], turns: Turns) -> NDArray[np.bool_]:
    """Return where a reading is more than 15 Cel from that of any neighbour nearest in time, no turn between."""
    objects = np.zeros(readings.size, np.bool_)
    for other in others:
        if not other.size or not _same_depth(readings, other):
            continue
        nearest = _nearest(readings.at_us, other.at_us)
        apart_c = np.abs(readings.temperature_c - other.temperature_c[nearest])
        asked = np.flatnonzero(apart_c > APART_C + ROUND_OFF_C)
        at, other_at = readings.at_us[asked], other.at_us[nearest[asked]]
        near = np.abs(at - other_at) <= SAME_DAY_H * HOUR_US
        near &= ~turn_between(turns, np.minimum(at, other_at), np.maximum(at, other_at))
        objects[asked[near]] = True
    return objects


def _same_depth(one: Track, other: Track) -> bool:
    depth, other_depth = one.series.depth_cm, other.series.depth_cm
    return depth is not None and other_depth is not None and abs(depth - other_depth) <= SAME_DEPTH_CM


def _nearest(at_us: NDArray[np.int64], other_us: NDArray[np.int64]) -> NDArray[np.intp]:
    """Return the place of the nearest of ``other_us`` for each instant; of two as near, the earlier."""
    if np.array_equal(at_us, other_us):
        return np.arange(at_us.size)
    after = np.clip(np.searchsorted(other_us, at_us), 1, max(1, other_us.size - 1))
    after = np.minimum(after, other_us.size - 1)
    before = np.maximum(after - 1, 0)
    return np.where(at_us - other_us[before] <= other_us[after] - at_us, before, after)
