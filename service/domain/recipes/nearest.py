"""The mix that misses its targets least, when none meets them."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from .fractional import Soft, least_largest
from .linear import Outcome, Row, Vector, minimise
from .programme import RATIO, Programme

_SLACK: Final = 1e-11
_LEVEL: Final = 1e-3
"""Weight of the largest mass beside the water: a kilogram of water saved outweighs any evening out."""

_MOST_OF_NAMED: Final = 100.0
"""Around a given mass of one material the nearest mix may be approached only by drowning it; a mix of nitrogen
fertiliser and sawdust, at about 1 to 60, is the most lopsided that anyone builds. Common practice, no source."""


@dataclass(frozen=True, slots=True, eq=False)
class Nearest:
    """A mix in the programme's unit, how far it misses, and the optimum whose duals prove that none is nearer."""

    kg: Vector
    violation: float
    proof: Outcome
    is_barren: bool = False
    """There is no nitrogen to be had, so C:N was left aside."""


def miss_least(programme: Programme) -> Nearest | None:
    """Find the mix of least violation.

    First the largest relative violation, ``|reached - limit| / limit``, is made as small as it can be; then the
    largest of the others, those aside that make the first unavoidable; then the added water and the largest mass.
    Around a given mass of one material the whole is held to a hundred times it.

    Parameters
    ----------
    programme
        Its stock bounds and amount hold; every limit may give way.

    Returns
    -------
    Nearest or None
        ``None`` when stock and amount by themselves, or with the nitrogen floor, cannot be kept.
    """
    rows = [] if programme.floor is None else [programme.floor]
    if programme.named is not None:
        rows.append(Row(np.ones(programme.size), _MOST_OF_NAMED * max(1.0, float(programme.lower.sum()))))
    soft = [Soft(limit.excess, limit.scale * limit.under) for limit in programme.limits]
    found = least_largest(programme, soft, rows)
    if found is None:
        return None
    violation, best, proof = found
    stuck = [abs(dual) > _SLACK for dual in best.of_rows[: len(soft)]]
    rest = [one for one, is_stuck in zip(soft, stuck, strict=True) if not is_stuck]
    rows += [Row(one.over - (violation + _SLACK) * one.under) for one in soft]
    if all(one.distance(best.kg[: programme.size]) <= 0 for one in rest):
        rows += [Row(one.over) for one in rest]
    elif (second := least_largest(programme, rest, rows)) is not None:
        best = second[1]
        rows += [Row(one.over - (second[0] + _SLACK) * one.under) for one in rest]
    settled = _settle(programme, rows)
    return Nearest(best.kg[: programme.size] if settled is None else settled, violation, proof)


def _settle(programme: Programme, rows: list[Row]) -> Vector | None:
    """Among mixes that miss equally little, take the one of least water, then of the smallest largest mass."""
    size = programme.size
    hard = [Row(np.append(row.coefficients, 0.0), row.bound) for row in rows]
    hard += [Row(np.append(np.eye(size)[index], -1.0)) for index in range(size)]
    objective = np.append(np.zeros(size), _LEVEL)
    if programme.has_water:
        objective[size - 1] = 1.0
    amount = Row(np.append(programme.amount, 0.0), 1.0)
    lower, upper = np.append(programme.lower, 0.0), np.append(programme.upper, np.inf)
    outcome = minimise(objective, hard, [amount], lower, upper)
    return None if outcome is None else outcome.kg[:size]


def miss_least_barren(programme: Programme) -> Nearest | None:
    """Find the mix of least violation with C:N left aside, for want of nitrogen to divide by."""
    limits = tuple(limit for limit in programme.limits if limit.target != RATIO)
    found = miss_least(replace(programme, limits=limits, floor=None))
    return None if found is None else replace(found, is_barren=True)
