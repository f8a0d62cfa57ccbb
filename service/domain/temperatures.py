"""Recorded temperatures told in degrees Celsius, each the double nearest to its exact value."""

import math
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.quantities import Unit, temperature_in

_MILLION: Final = 1_000_000
_PARTS: Final = 9 * _MILLION
"""Ninths of a millionth of a degree: readings with up to six decimals are whole numbers of them in any unit."""
_LARGEST: Final = 2.0**53 / (_PARTS * 16)


def written(value: float) -> Fraction:
    """Return the decimal number a reading was written as.

    A probe that says 328.15 K is stored as the nearest double, a hair below; the shortest decimal that names
    that double is 328.15 again. Comparing this decimal is what keeps binary rounding from flipping a verdict.
    """
    return Fraction(Decimal(repr(float(value))))


def celsius(value: NDArray[np.float64], unit: NDArray[np.integer[Any]]) -> NDArray[np.float64]:
    """Tell recorded temperatures in Cel, without an error beyond that of writing the result as a double.

    Parameters
    ----------
    value, unit
        ``(n,)`` as recorded; [Cel], [degF] or [K] by code.

    Returns
    -------
    NDArray
        ``(n,)`` [Cel]: 158 [degF] and 343.15 K are 70.0, 130.9 [degF] is 54.94444444444444; what is no finite
        number stays so.
    """
    told = value.astype(np.float64, copy=True)
    for other in (Unit.DEG_F, Unit.KELVIN):
        here = np.flatnonzero(unit == other)
        if here.size:
            told[here] = _told(told[here], other)
    return told


def _told(value: NDArray[np.float64], unit: Unit) -> NDArray[np.float64]:
    parts, is_whole = _parts(value, unit)
    told = parts / _PARTS
    for k in np.flatnonzero(~is_whole).tolist():
        # More decimals than any probe writes, or no number at all.
        one = float(value[k])
        told[k] = float(temperature_in(written(one), unit, Unit.CEL)) if math.isfinite(one) else one
    return told


def _parts(value: NDArray[np.float64], unit: Unit) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return temperatures as whole ninths of a millionth of a degree Celsius, and where that is what they are."""
    with np.errstate(invalid="ignore", over="ignore"):
        millionths = np.rint(value * _MILLION)
        # The double nearest to a decimal of six places is that decimal: then and only then the two are equal.
        is_whole = (millionths / _MILLION == value) & (np.abs(value) < _LARGEST)
    if unit is Unit.DEG_F:
        return (millionths - 32 * _MILLION) * 5, is_whole
    if unit is Unit.KELVIN:
        return (millionths - 273_150_000) * 9, is_whole
    return millionths * 9, is_whole


def mean_celsius(
    values: Sequence[NDArray[np.float64]], units: Sequence[NDArray[np.integer[Any]]]
) -> NDArray[np.float64]:
    """Tell the mean of several readings in Cel, row by row, without an error beyond that of writing the result.

    Parameters
    ----------
    values, units
        One ``(n,)`` array for each position, all finite; [Cel], [degF] or [K] by code.

    Returns
    -------
    NDArray
        ``(n,)`` [Cel]; a mean that is exactly a limit written with a few decimals is that limit's double.
    """
    total = np.zeros(values[0].shape)
    is_exact = np.ones(values[0].shape, dtype=np.bool_)
    for value, unit in zip(values, units, strict=True):
        for one in (Unit.CEL, Unit.DEG_F, Unit.KELVIN):
            here = np.flatnonzero(unit == one)
            parts, is_whole = _parts(value[here], one)
            total[here] += parts
            is_exact[here] &= is_whole
    mean = total / (_PARTS * len(values))
    for k in np.flatnonzero(~is_exact).tolist():
        row = [
            temperature_in(written(float(value[k])), Unit(int(unit[k])), Unit.CEL)
            for value, unit in zip(values, units, strict=True)
        ]
        mean[k] = float(sum(row) / len(row))
    return mean
