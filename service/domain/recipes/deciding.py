"""Asking a programme: amount, stock and whole measures held, whatever else is asked."""

import math
from collections.abc import Sequence

import numpy as np

from .linear import Outcome, Row, Vector, minimise
from .programme import Programme
from .whole import minimise_whole


def amount_rows(programme: Programme) -> tuple[list[Row], list[Row]]:
    """Return the rows, and the equalities, that hold the amount."""
    if programme.least == programme.most:
        return [], [Row(programme.amount, programme.least)]
    ends = (Row(programme.amount, programme.most), Row(-programme.amount, -programme.least))
    return [end for end in ends if math.isfinite(end.bound)], []


def least(
    programme: Programme,
    objective: Vector,
    rows: Sequence[Row],
    *,
    lower: Sequence[float] = (),
    upper: Sequence[float] = (),
    units: Sequence[float] = (),
    gap: float = 0.0,
) -> Outcome | None:
    """Minimise over the mixes of the right amount that stock allows.

    Parameters
    ----------
    programme
        Its stock bounds, amount and whole measures hold; its limits do not unless they are among ``rows``.
    objective
        Of the masses, and of any further unknowns after them.
    rows
        What else must hold. A row may stop short of unknowns that it does not touch.
    lower, upper, units
        Of the further unknowns.
    gap
        Part of the optimum that whole measures may leave on the table.

    Returns
    -------
    Outcome or None
        ``None`` when the rows cannot be kept.
    """
    extra = len(objective) - programme.size
    sized, equal = amount_rows(programme)
    low = np.append(programme.lower, lower)
    high = np.append(programme.upper, upper)
    every = [*rows, *sized]
    if not programme.is_whole and not any(units):
        return minimise(objective, every, equal, low, high)
    wide = [Row(_padded(row.coefficients, len(objective)), row.bound) for row in every]
    same = [Row(_padded(row.coefficients, len(objective)), row.bound) for row in equal]
    steps = np.append(programme.units, units or np.zeros(extra))
    return minimise_whole(objective, wide, same, low, high, steps, gap=gap)


def _padded(coefficients: Vector, width: int) -> Vector:
    return np.append(coefficients, np.zeros(width - len(coefficients)))
