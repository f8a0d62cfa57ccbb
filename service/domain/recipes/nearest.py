"""The mix that misses its targets least, when none meets them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from .deciding import least
from .fractional import Soft, least_largest
from .linear import Outcome, Row, Vector
from .programme import Programme

_SLACK: Final = 1e-11
_WHOLE_SLACK: Final = 1e-7
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
    void: frozenset[str] = frozenset()
    """Targets that were left aside because their figure has no value: C:N without nitrogen."""


def miss_least(programme: Programme) -> Nearest | None:
    """Find the mix of least violation.

    First the largest relative violation, ``|reached - limit| / limit``, is made as small as it can be; then the
    largest of the others, those aside that make the first unavoidable; then the added water and the largest mass.
    Around a given mass of one material the whole is held to a hundred times it. With whole measures only the largest
    is made small, and the rest settled by water and mass: a whole optimum has no duals to tell which limit is stuck.

    Parameters
    ----------
    programme
        Its stock bounds and amount hold; every limit may give way.

    Returns
    -------
    Nearest or None
        ``None`` when stock and amount by themselves, or with a floor, cannot be kept.
    """
    rows = [row for _, row in programme.floors]
    if programme.named is not None:
        rows.append(Row(np.ones(programme.size), _MOST_OF_NAMED * max(1.0, float(programme.lower.sum()))))
    soft = [Soft(limit.excess, limit.scale * limit.under) for limit in programme.limits]
    found = least_largest(programme, soft, rows)
    if found is None:
        return None
    violation, best, proof = found
    if programme.is_whole:
        rows += [Row(one.over - (violation + _WHOLE_SLACK) * one.under) for one in soft]
        settled = _settle(programme, rows)
        return Nearest(best.kg[: programme.size] if settled is None else settled, violation, proof)
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
    ceilings = [Row(np.append(np.eye(size)[index], -1.0)) for index in range(size)]
    objective = np.append(np.zeros(size), _LEVEL)
    if programme.has_water:
        objective[size - 1] = 1.0
    outcome = least(programme, objective, [*rows, *ceilings], lower=[0.0], upper=[np.inf])
    return None if outcome is None else outcome.kg[:size]


def in_reach(programme: Programme, rows: Sequence[Row]) -> Programme | None:
    """Ask for the nearest amount that can be made, where the one that is asked cannot.

    Parameters
    ----------
    programme
        Its stock and whole measures hold.
    rows
        What else must hold.

    Returns
    -------
    Programme or None
        ``None`` when only nothing can be made.
    """
    free = replace(programme, least=-math.inf, most=math.inf)
    short = Row(np.append(-programme.amount, -1.0), -programme.least)
    over = Row(np.append(programme.amount, -1.0), programme.most)
    objective = np.append(np.zeros(programme.size), 1.0)
    found = least(free, objective, [*rows, short, over], lower=[0.0], upper=[math.inf])
    if found is None:
        return None
    made = float(programme.amount @ found.kg[:-1])
    if made <= _WHOLE_SLACK:
        return None
    # any mix of this very amount will do, so the row is left a little room
    return replace(programme, least=made * (1 - _WHOLE_SLACK), most=made * (1 + _WHOLE_SLACK))


def void_targets(programme: Programme) -> frozenset[str]:
    """Return the targets whose figure has no value in any mix that stock and amount allow."""
    void = [
        target
        for target, row in programme.floors
        if least(programme, np.zeros(programme.size), [row]) is None
    ]
    return frozenset(void)


def miss_least_void(programme: Programme) -> Nearest | None:
    """Find the mix of least violation with figures left aside that have no value, for want of a lower sum."""
    void = void_targets(programme)
    limits = tuple(limit for limit in programme.limits if limit.target not in void)
    floors = tuple((target, row) for target, row in programme.floors if target not in void)
    found = miss_least(replace(programme, limits=limits, floors=floors))
    return None if found is None else replace(found, void=void)
