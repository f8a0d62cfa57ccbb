"""Comparing a recorded temperature with a rule's limit, in the recorded unit and exactly."""

import math
from collections.abc import Callable
from fractions import Fraction
from functools import cache
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from service.domain.quantities import UNITS_OF, Quantity, Unit, temperature_in
from service.domain.temperatures import written

Operator = Literal[">=", ">"]
TEMPERATURE_UNITS: Final = UNITS_OF[Quantity.TEMPERATURE]


@cache
def lowest_qualifying(operator: Operator, limit: Fraction, unit: Unit, recorded: Unit) -> float:
    """Return the smallest double, in the recorded unit, that satisfies a lower limit.

    Parameters
    ----------
    operator
        ``>=`` (at the limit qualifies) or ``>`` (it does not).
    limit, unit
        The limit as the rule's text gives it.
    recorded
        Unit of the readings.

    Returns
    -------
    float
        ``f`` such that ``value >= f`` is the same as ``written(value) operator limit`` without rounding.
    """
    exact = temperature_in(limit, unit, recorded)
    if operator == ">=":
        return _smallest(exact, lambda value: written(value) >= exact)
    return _smallest(exact, lambda value: written(value) > exact)


@cache
def highest_allowed(limit: Fraction, unit: Unit, recorded: Unit) -> float:
    """Return the largest double, in the recorded unit, that is not above an upper limit."""
    exact = temperature_in(limit, unit, recorded)
    above = _smallest(exact, lambda value: written(value) > exact)
    return math.nextafter(above, -math.inf)


def _smallest(near: Fraction, satisfies: Callable[[float], bool]) -> float:
    value = float(near)
    while not satisfies(value):
        value = math.nextafter(value, math.inf)
    while satisfies(lower := math.nextafter(value, -math.inf)):
        value = lower
    return value


def per_unit(
    limit_in: Callable[[Unit], float], units: NDArray[np.integer[Any]]
) -> NDArray[np.float64] | float:
    """Spread a limit over readings, each in the unit it was recorded in.

    Parameters
    ----------
    limit_in
        Gives the limit in one unit.
    units
        ``(n,)`` unit codes.

    Returns
    -------
    NDArray or float
        One number when all readings share a unit, else ``(n,)``.
    """
    if units.size and bool((units == units[0]).all()):
        return limit_in(Unit(int(units[0])))
    table = np.full(max(Unit) + 1, np.nan)
    for unit in TEMPERATURE_UNITS:
        table[unit] = limit_in(unit)
    return np.asarray(table[units], dtype=np.float64)
