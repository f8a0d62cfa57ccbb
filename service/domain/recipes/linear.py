"""Linear programmes of a few unknowns, decided by HiGHS."""

import math
from collections.abc import Iterator, Sequence
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
INFEASIBLE: Final = 2
UNBOUNDED: Final = 3
"""Statuses of ``linprog`` and ``milp`` alike."""


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
    a_ub, b_ub = normalised(rows, len(objective))
    a_eq, b_eq = normalised(equal, len(objective))
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
        if found.status == INFEASIBLE:
            return None
        if found.status == UNBOUNDED:
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


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """A linear programme that is not yet decided."""

    objective: Vector
    rows: Sequence[Row]
    equal: Sequence[Row]
    lower: Vector
    upper: Vector


def minimise_each(problems: Sequence[Problem]) -> list[Outcome | None]:
    """Decide several programmes, in one call where each of them has an optimum.

    What a call costs is nearly all preparation: ten small programmes side by side, none touching another's
    unknowns, take as long as two. When one has no optimum the whole has none, and each is asked by itself.

    Returns
    -------
    list of Outcome or None
        As :func:`minimise` answers each; those of a common call come without duals.
    """
    if len(problems) > 1 and (together := _together(problems)) is not None:
        return list(together)
    return [minimise(one.objective, one.rows, one.equal, one.lower, one.upper) for one in problems]


def _together(problems: Sequence[Problem]) -> list[Outcome] | None:
    widths = [len(one.objective) for one in problems]
    starts = np.concatenate(([0], np.cumsum(widths)))
    sizes = [float(np.abs(one.objective).max(initial=0.0)) or 1.0 for one in problems]
    rows = [
        row
        for start, one in zip(starts, problems, strict=False)
        for row in _shifted(one.rows, start, starts[-1])
    ]
    same = [
        row
        for start, one in zip(starts, problems, strict=False)
        for row in _shifted(one.equal, start, starts[-1])
    ]
    found = minimise(
        np.concatenate([one.objective / size for one, size in zip(problems, sizes, strict=True)]),
        rows,
        same,
        np.concatenate([one.lower for one in problems]),
        np.concatenate([one.upper for one in problems]),
    )
    if found is None or math.isinf(found.value):
        return None
    nothing = np.zeros(0)
    parts = [found.kg[start : start + width] for start, width in zip(starts, widths, strict=False)]
    return [
        Outcome(part, float(one.objective @ part), nothing, nothing, nothing, nothing)
        for part, one in zip(parts, problems, strict=True)
    ]


def _shifted(rows: Sequence[Row], start: int, width: int) -> Iterator[Row]:
    for row in rows:
        wide = np.zeros(width)
        wide[start : start + len(row.coefficients)] = row.coefficients
        yield Row(wide, row.bound)


def normalised(rows: Sequence[Row], width: int) -> tuple[Vector, Vector]:
    """Stack rows, each scaled to a largest coefficient of 1, so that one tolerance suits all.

    Unknowns that a row does not reach come after those it does, and count nothing in it.
    """
    matrix = np.zeros((len(rows), width))
    for place, row in enumerate(rows):
        matrix[place, : len(row.coefficients)] = row.coefficients
    bounds = np.array([row.bound for row in rows])
    largest = np.abs(matrix).max(axis=1, initial=0.0)
    largest[largest == 0] = 1.0
    return matrix / largest[:, None], bounds / largest
