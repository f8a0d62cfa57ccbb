"""Linear programmes of a few unknowns, decided by HiGHS."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import highspy
import numpy as np
from highspy._core import _Highs
from numpy.typing import NDArray

Vector = NDArray[np.float64]

_TOLERANCE: Final = 1e-10
_LOOSE: Final = 1e-7
_DUAL: Final = 1e-7
"""A dual below this may be round-off."""
INFEASIBLE: Final = 2
UNBOUNDED: Final = 3
"""Statuses of SciPy's ``milp``."""


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
    status = highspy.HighsModelStatus
    model = _model(objective, rows, equal, lower, upper)
    found = status.kNotset
    for presolve, tolerance in (("off", _TOLERANCE), ("on", _LOOSE)):
        # The public class prints a banner before it can be told not to, and starts callbacks nobody asked for.
        solver = _Highs()
        solver.setOptionValue("output_flag", False)  # noqa: FBT003 - HiGHS's own signature
        solver.setOptionValue("threads", 1)
        solver.setOptionValue("presolve", presolve)
        solver.setOptionValue("primal_feasibility_tolerance", tolerance)
        solver.setOptionValue("dual_feasibility_tolerance", tolerance)
        solver.passModel(model)
        solver.run()
        found = solver.getModelStatus()
        if found == status.kInfeasible:
            return None
        if found == status.kUnbounded:
            nothing = np.zeros(0)
            return Outcome(np.full(len(objective), math.nan), -math.inf, nothing, nothing, nothing, nothing)
        if found in (status.kOptimal, status.kModelEmpty):
            return _outcome(solver, len(rows))
    raise RuntimeError(f"the linear programme could not be decided: {found.name}")


def _model(
    objective: Vector, rows: Sequence[Row], equal: Sequence[Row], lower: Vector, upper: Vector
) -> highspy.HighsLp:
    """Return the programme as HiGHS takes it; SciPy's way to it costs ten times what deciding it does."""
    width = len(objective)
    a_ub, b_ub = normalised(rows, width)
    a_eq, b_eq = normalised(equal, width)
    matrix = np.vstack((a_ub, a_eq))
    model = highspy.HighsLp()
    model.num_col_, model.num_row_ = width, len(matrix)
    model.col_cost_, model.col_lower_, model.col_upper_ = objective, lower, upper
    model.row_lower_ = np.concatenate((np.full(len(b_ub), -math.inf), b_eq))
    model.row_upper_ = np.concatenate((b_ub, b_eq))
    at_row, at_column = np.nonzero(matrix)
    model.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
    model.a_matrix_.start_ = np.searchsorted(at_row, np.arange(len(matrix) + 1)).astype(np.int32)
    model.a_matrix_.index_ = at_column.astype(np.int32)
    model.a_matrix_.value_ = matrix[at_row, at_column]
    return model


def _outcome(solver: _Highs, inequalities: int) -> Outcome:
    solution = solver.getSolution()
    of_rows, of_columns = np.asarray(solution.row_dual), np.asarray(solution.col_dual)
    return Outcome(
        np.asarray(solution.col_value),
        float(solver.getObjectiveValue()),
        of_rows[:inequalities],
        of_rows[inequalities:],
        np.maximum(of_columns, 0.0),
        np.minimum(of_columns, 0.0),
    )


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
