"""Linear programmes of a few unknowns, decided by HiGHS."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

Vector = NDArray[np.float64]

_TOLERANCE: Final = 1e-10
_LOOSE: Final = 1e-7
_DUAL: Final = 1e-7
"""A dual below this may be round-off."""
_INFEASIBLE: Final = 2
_UNBOUNDED: Final = 3


@dataclass(frozen=True, slots=True, eq=False)
class Row:
    """``coefficients @ kg <= bound``."""

    coefficients: Vector
    bound: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """An optimum; duals are of the rows and bounds as given, and only their being 0 is relied on."""

    kg: Vector
    value: float
    of_rows: Vector
    of_equal: Vector
    of_lower: Vector
    of_upper: Vector

    @property
    def is_unique(self) -> bool:
        """Whether no other point is as good: every non-basic variable would cost something."""
        felt = sum(
            int(np.count_nonzero(np.abs(d) > _DUAL)) for d in (self.of_rows, self.of_lower, self.of_upper)
        )
        return felt + len(self.of_equal) >= len(self.kg)


def minimise(
    objective: Vector, rows: Sequence[Row], equal: Sequence[Row], lower: Vector, upper: Vector
) -> Outcome | None:
    """Minimise ``objective @ x`` by the HiGHS dual simplex.

    Returns
    -------
    Outcome or None
        ``None`` when no point keeps the rows; a value of minus infinity when it has no bound.

    Raises
    ------
    RuntimeError
        When HiGHS gives up twice, which is a bug or a numerically hopeless request.
    """
    a_ub, b_ub = _normalised(rows, len(objective))
    a_eq, b_eq = _normalised(equal, len(objective))
    bounds = list(zip(lower.tolist(), upper.tolist(), strict=True))
    message = ""
    for presolve, tolerance in ((False, _TOLERANCE), (True, _LOOSE)):
        found = linprog(
            objective,
            a_ub,
            b_ub,
            a_eq,
            b_eq,
            bounds,
            method="highs",
            options={
                "presolve": presolve,
                "primal_feasibility_tolerance": tolerance,
                "dual_feasibility_tolerance": tolerance,
            },
        )
        if found.status == _INFEASIBLE:
            return None
        if found.status == _UNBOUNDED:
            nothing = np.zeros(0)
            return Outcome(np.full(len(objective), math.nan), -math.inf, nothing, nothing, nothing, nothing)
        if found.status == 0:
            return Outcome(
                np.asarray(found.x),
                float(found.fun or 0.0),
                np.asarray(found.ineqlin.marginals),
                np.asarray(found.eqlin.marginals),
                np.asarray(found.lower.marginals),
                np.asarray(found.upper.marginals),
            )
        message = str(found.message)
    raise RuntimeError(f"the linear programme could not be decided: {message}")


def _normalised(rows: Sequence[Row], width: int) -> tuple[Vector, Vector]:
    """Stack rows, each scaled to a largest coefficient of 1, so that one tolerance suits all."""
    matrix = np.array([row.coefficients for row in rows]).reshape(len(rows), width)
    bounds = np.array([row.bound for row in rows])
    largest = np.abs(matrix).max(axis=1, initial=0.0)
    largest[largest == 0] = 1.0
    return matrix / largest[:, None], bounds / largest
