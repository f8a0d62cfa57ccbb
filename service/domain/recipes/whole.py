"""Linear programmes in which some unknowns come in whole measures, decided by HiGHS's branch and bound."""

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.errors import Invalid

from .linear import INFEASIBLE, UNBOUNDED, Outcome, Row, Vector, minimise, normalised

_ROOM: Final = 1e-9
"""A stock this close to a whole number of measures holds them."""
_LIMIT_S: Final = 5.0
_OUT_OF_TIME: Final = 1
_EITHER: Final = "unbounded or infeasible"
"""What HiGHS says when it has ruled out an optimum and not told the two apart."""
_NOTHING: Final = np.zeros(0)


def minimise_whole(
    objective: Vector,
    rows: Sequence[Row],
    equal: Sequence[Row],
    lower: Vector,
    upper: Vector,
    units: Vector,
    *,
    gap: float = 0.0,
) -> Outcome | None:
    """Minimise ``objective @ x`` with some of ``x`` a whole number of ``units``.

    Branch and bound finds the whole numbers; the rest is then settled by the simplex to the tolerance that all else
    here has, since branch and bound keeps rows to a millionth only.

    Parameters
    ----------
    objective, rows, equal, lower, upper
        As for :func:`~service.domain.recipes.linear.minimise`.
    units
        Of each unknown; 0 where any value will do, 1 for a plain whole number.
    gap
        Part of the optimum that may be left on the table; proving the last hundredth takes most of the time.

    Returns
    -------
    Outcome or None
        Without duals, which a whole optimum has not. ``None`` when no point keeps the rows.

    Raises
    ------
    Invalid
        When the best cannot be told within seconds.
    RuntimeError
        When HiGHS gives up twice.
    """
    step = np.where(units > 0, units, 1.0)
    is_whole = units > 0
    room = _ROOM * np.maximum(1.0, np.abs(lower / step))
    low = np.where(is_whole, np.ceil(lower / step - room), lower)
    high = np.where(is_whole, np.floor(upper / step + room), upper)
    if np.any(low > high):
        return None
    counted = [Row(row.coefficients * step, row.bound) for row in rows]
    same = [Row(row.coefficients * step, row.bound) for row in equal]
    found = _branch_and_bound(objective * step, counted, same, low, high, is_whole, gap)
    if found is None or math.isinf(found.value):
        return found
    return _settled(found.kg, objective, rows, equal, lower, upper, step, is_whole)


def _branch_and_bound(
    objective: Vector,
    rows: Sequence[Row],
    equal: Sequence[Row],
    lower: Vector,
    upper: Vector,
    is_whole: NDArray[np.bool_],
    gap: float,
) -> Outcome | None:
    from scipy.optimize import Bounds, LinearConstraint, milp  # noqa: PLC0415 - slow to load, and seldom needed

    matrix, bounds = normalised([*rows, *equal], len(objective))
    least = np.where(np.arange(len(bounds)) < len(rows), -np.inf, bounds)
    size = float(np.abs(objective).max(initial=0.0)) or 1.0
    constraints = LinearConstraint(matrix, least, bounds) if len(bounds) else ()
    message = ""
    for presolve in (True, False):
        found = milp(
            objective / size,
            integrality=is_whole.astype(int),
            bounds=Bounds(lower, upper),
            constraints=constraints,
            options={"mip_rel_gap": gap, "time_limit": _LIMIT_S, "presolve": presolve},
        )
        if found.status == 0:
            return Outcome(
                np.asarray(found.x), float(found.fun) * size, _NOTHING, _NOTHING, _NOTHING, _NOTHING
            )
        if found.status == INFEASIBLE:
            return None
        if found.status == UNBOUNDED:
            return _endless(len(objective))
        if found.status == _OUT_OF_TIME:
            detail = "the best in whole measures cannot be told in time; leave whole out of some of the ingredients"
            raise Invalid.field("/ingredients", detail)
        message = str(found.message)
    if _EITHER in message:
        # with nothing to make small there is no end to run away to, so what is left is that no point keeps the rows
        is_empty = not objective.any() or (
            _branch_and_bound(np.zeros(len(objective)), rows, equal, lower, upper, is_whole, gap) is None
        )
        return None if is_empty else _endless(len(objective))
    raise RuntimeError(f"the whole programme could not be decided: {message}")


def _endless(width: int) -> Outcome:
    return Outcome(np.full(width, math.nan), -math.inf, _NOTHING, _NOTHING, _NOTHING, _NOTHING)


def _settled(
    counts: Vector,
    objective: Vector,
    rows: Sequence[Row],
    equal: Sequence[Row],
    lower: Vector,
    upper: Vector,
    step: Vector,
    is_whole: NDArray[np.bool_],
) -> Outcome:
    """Hold the whole numbers and settle the rest exactly."""
    values = np.where(is_whole, np.rint(counts) * step, counts)
    if not is_whole.all():
        low, high = np.where(is_whole, values, lower), np.where(is_whole, values, upper)
        exact = minimise(objective, rows, equal, low, high)
        if exact is not None and math.isfinite(exact.value):
            values = np.where(is_whole, values, exact.kg)
    return Outcome(values, float(objective @ values), _NOTHING, _NOTHING, _NOTHING, _NOTHING)
