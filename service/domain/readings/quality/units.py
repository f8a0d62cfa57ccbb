"""A number recorded under the wrong temperature unit: 131 sent as Cel was most likely read in degF.

Only a person can settle it: a probe pushed from the air into a hot pile jumps in the same way.
"""

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.quantities import Unit
from service.domain.readings.quality.change import (
    COMPARED_WITHIN_DAYS,
    UP_FOR_AT_MOST_DAYS,
    most_down_c,
    most_up_c,
)
from service.domain.readings.quality.columns import DAY_US, ROUND_OFF_C, Track
from service.domain.readings.quality.turning import Turns, turn_between

PLAINLY_FAHRENHEIT: Final = (120.0, 170.0)
"""As Cel no compost, as degF (49 to 77 Cel) the working range of a hot pile; common practice, no source."""

PLAINLY_CELSIUS: Final = (45.0, 75.0)
"""As Cel the working range of a hot pile, as degF (7 to 24 Cel) a cold one; common practice, no source."""

FITS_WITHIN_C: Final = 15.0
TOO_FAR_C: Final = 30.0
"""No pile jumps by the second between two readings; common practice, no source."""

A_FRESH_PILE_DAYS: Final = 0.5
"""Over more than half a day a fresh pile may heat as far as piles ever do (45 Cel) before its unit is asked about;
house figure."""


def in_other_unit_c(value: NDArray[np.float64], unit: NDArray[np.integer[Any]]) -> NDArray[np.float64]:
    """Return what each reading would be in the unit it may have been read in [Cel]; not a number for kelvin."""
    return np.where(unit == Unit.CEL, (value - 32) * 5 / 9, np.where(unit == Unit.DEG_F, value, np.nan))


def mistaken_unit_c(
    value: float, unit: int, *, told_c: float, before_c: float | None, days: float
) -> float | None:
    """Return what a reading would be had its unit been mistaken [Cel], None when there is no such doubt.

    Without a sound reading at most three days before, the number alone must be plain, and only a Cel number can
    be: a low [degF] one is no more than a cool pile.

    Parameters
    ----------
    value, unit
        As recorded; ``unit`` is a ``Unit`` code.
    told_c
        The reading taken at its word [Cel].
    before_c, days
        The sound reading before it at the same place [Cel], None when there is none, and how long before [d].
    """
    values, units = np.array([value]), np.array([unit])
    other_c = float(in_other_unit_c(values, units)[0])
    if before_c is None or days > COMPARED_WITHIN_DAYS:
        plain = unit == Unit.CEL and PLAINLY_FAHRENHEIT[0] <= value <= PLAINLY_FAHRENHEIT[1]
        return other_c if plain else None
    jumps = jumps_by_a_unit(values, units, np.array([told_c]), np.array([before_c]), np.array([days]))
    return other_c if jumps[0] else None


def jumps_by_a_unit(
    value: NDArray[np.float64],
    unit: NDArray[np.integer[Any]],
    told_c: NDArray[np.float64],
    before_c: NDArray[np.float64],
    days: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Return where a jump is further than a pile moves and the other unit explains it.

    The jump must be more than 30 Cel and more than heating or cooling explains, so that a real rise towards a fire
    is not argued away; in the other unit it must be no more than a pile does in that time, at most 15 Cel.
    """
    rise = told_c - before_c
    other_rise = in_other_unit_c(value, unit) - before_c
    heating = most_up_c(np.where(days > A_FRESH_PILE_DAYS, UP_FOR_AT_MOST_DAYS, days))
    upwards = (unit == Unit.CEL) & (rise > np.maximum(TOO_FAR_C, heating) + ROUND_OFF_C)
    most_down = most_down_c(days, turned=False)
    downwards = (unit == Unit.DEG_F) & (-rise > np.maximum(TOO_FAR_C, most_down) + ROUND_OFF_C)
    downwards &= (value >= PLAINLY_CELSIUS[0]) & (value <= PLAINLY_CELSIUS[1])
    limit = np.minimum(FITS_WITHIN_C, np.where(other_rise > 0, most_up_c(days), most_down)) + ROUND_OFF_C
    doubtful: NDArray[np.bool_] = (upwards | downwards) & (np.abs(other_rise) <= limit)
    return doubtful


def unit_doubtful(readings: Track, turns: Turns) -> NDArray[np.bool_]:
    """Return where a reading follows a jump that the other unit explains.

    The doubt lasts until the readings jump again, at most three days and only while the other unit explains them.
    Around a turn there is none: probes come out, lie in the air, and go back.
    """
    at, told_c = readings.at_us, readings.temperature_c
    none = np.zeros(readings.size, np.bool_)
    jumps = np.flatnonzero(np.abs(np.diff(told_c)) > TOO_FAR_C + ROUND_OFF_C) + 1
    if not jumps.size:
        return none
    days = (at[jumps] - at[jumps - 1]) / DAY_US
    begins = jumps_by_a_unit(
        readings.value[jumps], readings.unit[jumps], told_c[jumps], told_c[jumps - 1], days
    )
    begins &= (days <= COMPARED_WITHIN_DAYS) & ~turn_between(turns, at[jumps - 1], at[jumps])
    # Each reading belongs to the latest jump before it.
    lasting = np.diff(jumps, append=readings.size)
    since = np.repeat(at[jumps], lasting)
    other_c = in_other_unit_c(readings.value[jumps[0] :], readings.unit[jumps[0] :])
    fits = np.abs(other_c - np.repeat(told_c[jumps - 1], lasting)) <= FITS_WITHIN_C + ROUND_OFF_C
    soon = at[jumps[0] :] - since <= COMPARED_WITHIN_DAYS * DAY_US
    none[jumps[0] :] = np.repeat(begins, lasting) & fits & soon
    return none
