"""Rate of change and spike: what a pile can do between two readings, and what it cannot undo by the next.

References
----------
[1] IOOS QARTOD manuals, tests "rate of change" and "spike". Their figures are left to the operator, and older code
    takes readings for evenly spaced; ours are irregular, and a turn rightly drops a pile by 20 to 30 Cel.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.readings.quality.columns import DAY_US, HOUR_US, ROUND_OFF_C, Track
from service.domain.readings.quality.turning import Turns, turn_between

ANY_TIME_C: Final = 6.0
UP_C_PER_DAY: Final = 26.0
UP_FOR_AT_MOST_DAYS: Final = 1.5
DOWN_C_PER_DAY: Final = 8.0
DOWN_BY_TURN_C_PER_DAY: Final = 45.0
DOWN_FOR_AT_LEAST_DAYS: Final = 0.3
DOWN_BY_TURN_AT_ONCE_C: Final = 30.0
"""How far a pile moves in so many days: up 6 + 26 min(days, 1.5), down 6 + 8 max(days, 0.3), with a turn between
6 + 45 max(days, 0.3) and at least 30 Cel, for a turn drops it at once. House rule figures."""

COMPARED_WITHIN_DAYS: Final = 3.0
"""Readings further apart say nothing of each other; common practice, no source."""

SPIKE_C: Final = 8.0
SPIKE_OF_GAP: Final = 0.6
SPIKE_FAILS_C: Final = 15.0
"""A spike stands off the middle of its neighbours by more than 8 + 0.6 times their own distance. House rule
figures."""

SPIKE_WITHIN_H: Final = 36.0
"""One reading a day with a late one between; further apart, nothing is a spike. Common practice, no source."""


def most_up_c(days: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how far a pile can heat in so many days [Cel]."""
    return ANY_TIME_C + UP_C_PER_DAY * np.minimum(days, UP_FOR_AT_MOST_DAYS)


def most_down_c(days: NDArray[np.float64], *, turned: NDArray[np.bool_] | bool) -> NDArray[np.float64]:
    """Return how far a pile can cool in so many days, with or without a turn between [Cel]."""
    lasting = np.maximum(days, DOWN_FOR_AT_LEAST_DAYS)
    by_turn = np.maximum(ANY_TIME_C + DOWN_BY_TURN_C_PER_DAY * lasting, DOWN_BY_TURN_AT_ONCE_C)
    return np.where(turned, by_turn, ANY_TIME_C + DOWN_C_PER_DAY * lasting)


def rate_of_change(readings: Track, turns: Turns) -> NDArray[np.bool_]:
    """Return where a reading lies further from the one before than a pile moves in that time.

    A reading is compared with the latest one before it that does not stand out as a spike, so that the reading
    after a spike is not blamed for it. What stands out is told without the turns: a turn more on record can only
    take objections back.
    """
    objects = np.zeros(readings.size, np.bool_)
    if readings.size < 2:  # noqa: PLR2004 - a change needs two
        return objects
    sound = np.where(_off_its_neighbours(readings) > 0, -1, np.arange(readings.size))
    before, here = np.maximum.accumulate(sound)[:-1], np.arange(1, readings.size)
    at, told_c = readings.at_us, readings.temperature_c
    days = (at[here] - at[before]) / DAY_US
    rise = told_c[here] - told_c[before]
    too_far = (rise > most_up_c(days) + ROUND_OFF_C) | (-rise > most_down_c(days, turned=False) + ROUND_OFF_C)
    asked = np.flatnonzero(too_far & (days <= COMPARED_WITHIN_DAYS))
    turned = turn_between(turns, at[before[asked]], at[here[asked]])
    explained = turned & (-rise[asked] <= most_down_c(days[asked], turned=True) + ROUND_OFF_C)
    objects[here[asked]] = (rise[asked] > 0) | ~explained
    return objects


def spike(readings: Track, turns: Turns) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where a reading is a suspect spike, and where it fails as one.

    It needs the reading after it. It fails when it stands off by more than 15 Cel *and* one of its two legs is
    more than even a turn that nobody recorded would explain: with daily readings the cold one after such a turn
    stays, for leaving it out would favour the pile. Two in a row on the same side are never spikes: the next
    reading then stands as far off, which is how a real event looks.
    """
    off_c = _off_its_neighbours(readings)
    asked = np.flatnonzero(off_c > 0)
    at, told_c = readings.at_us, readings.temperature_c
    asked = asked[~turn_between(turns, at[asked - 1], at[asked + 1])]
    suspect, fails = np.zeros(readings.size, np.bool_), np.zeros(readings.size, np.bool_)
    suspect[asked] = True
    impossible = _impossible(told_c[asked] - told_c[asked - 1], at[asked] - at[asked - 1]) | _impossible(
        told_c[asked + 1] - told_c[asked], at[asked + 1] - at[asked]
    )
    fails[asked] = impossible & (off_c[asked] > SPIKE_FAILS_C + ROUND_OFF_C)
    return suspect & ~fails, fails


def _impossible(rise_c: NDArray[np.float64], lasting_us: NDArray[np.int64]) -> NDArray[np.bool_]:
    days = lasting_us / DAY_US
    return (rise_c > most_up_c(days) + ROUND_OFF_C) | (-rise_c > most_down_c(days, turned=True) + ROUND_OFF_C)


def _off_its_neighbours(readings: Track) -> NDArray[np.float64]:
    """Return how far each reading that stands out stands off the middle of its neighbours [Cel], else 0."""
    found = np.zeros(readings.size)
    if readings.size < 3:  # noqa: PLR2004 - a spike has two neighbours
        return found
    told_c, apart_us = readings.temperature_c, np.diff(readings.at_us)
    middle_c = (told_c[:-2] + told_c[2:]) / 2
    off_c = np.abs(told_c[1:-1] - middle_c)
    near = np.maximum(apart_us[:-1], apart_us[1:]) <= SPIKE_WITHIN_H * HOUR_US
    out = off_c > SPIKE_C + SPIKE_OF_GAP * np.abs(told_c[2:] - told_c[:-2]) + ROUND_OFF_C
    found[1:-1] = np.where(out & near, off_c, 0.0)
    return found
