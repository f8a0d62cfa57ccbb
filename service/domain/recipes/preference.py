"""Which of the many mixes that meet the targets is offered: the objective, stage by stage."""

from dataclasses import replace
from typing import Final

import numpy as np

from .fractional import Soft, least_largest
from .linear import Outcome, Row, Vector, minimise
from .programme import Programme
from .request import Targets

_SLACK: Final = 1e-11
"""What a later stage may give back of an earlier one, so that round-off does not leave it without a solution."""

_MOST_OF_LEAST: Final = 2.0
"""Around a given mass of one material the others are free, and the middle of a range might be approached only by
drowning it in them; so the mix is held to this many times the least that would do."""


def describe(programme: Programme, targets: Targets) -> str:
    """Say by what a mix is chosen among those that meet the request."""
    stages = ["least cost"] if _is_priced(programme) else []
    if programme.named is not None:
        stages.append("at most twice the least mass that would do")
    if _distances(programme, targets):
        stages.append("the smallest largest distance from the middles of the target ranges")
    if programme.has_water:
        stages.append("least added water")
    return ", then ".join([*stages, "the largest portion as small as it can be, and so on down"])


def _is_priced(programme: Programme) -> bool:
    return programme.materials[0].cost_per_kg is not None


def prefer(programme: Programme, targets: Targets) -> Vector | None:
    """Choose a mix that keeps all limits.

    In this order, each stage among the optima of the one before: least cost, when prices are given; around a given
    mass of one material, at most twice the least mass that would do; the smallest
    largest distance from the middles of the two-sided target ranges, each in half-widths; least added water; the
    largest portion as small as it can be, then the second largest, and so on, a given ``of`` aside, so that no
    material is leaned on more than it must be. The last stage makes the choice unique.

    Parameters
    ----------
    programme
        The request in numbers.
    targets
        Of the same request.

    Returns
    -------
    Vector or None
        Masses in the programme's unit; ``None`` when nothing keeps the limits.
    """
    rows = programme.rows
    if _is_priced(programme):
        cost = np.array([one.cost_per_kg or 0.0 for one in programme.materials])
        cheapest = _least(cost, programme, rows)
        if cheapest is None or cheapest.is_unique:
            return None if cheapest is None else cheapest.kg
        room = _SLACK * max(abs(cheapest.value), float(np.abs(cost).max()))
        rows.append(Row(cost, cheapest.value + room))
    if programme.named is not None:
        total = np.ones(programme.size)
        smallest = _least(total, programme, rows)
        if smallest is None:
            return None
        rows.append(Row(total, _MOST_OF_LEAST * smallest.value))
    soft = _distances(programme, targets)
    if soft:
        middle = least_largest(programme, soft, rows)
        if middle is None:
            return None
        distance = middle[0] + _SLACK
        rows += [Row(one.over - distance * one.under) for one in soft]
    if programme.has_water:
        water = np.zeros(programme.size)
        water[-1] = 1.0
        driest = _least(water, programme, rows)
        if driest is None or driest.is_unique:
            return None if driest is None else driest.kg
        upper = programme.upper.copy()
        upper[-1] = driest.value + _SLACK if driest.value > _SLACK else 0.0
        programme = replace(programme, upper=upper)
    return _level(programme, rows)


def _least(objective: Vector, programme: Programme, rows: list[Row]) -> Outcome | None:
    return minimise(objective, rows, [Row(programme.amount, 1.0)], programme.lower, programme.upper)


def _distances(programme: Programme, targets: Targets) -> list[Soft]:
    """List, for each range of some width, how far above and below its middle the mix lies."""
    found: list[Soft] = []
    for name, wanted in targets.given():
        if wanted.min is None or wanted.max is None or wanted.min == wanted.max:
            continue
        limit = next(one for one in programme.limits if one.target == name)
        middle, half = (wanted.min + wanted.max) / 2, (wanted.max - wanted.min) / 2
        away = limit.over - middle * limit.under
        found += [Soft(away, half * limit.under), Soft(-away, half * limit.under)]
    return found


def _level(programme: Programme, rows: list[Row]) -> Vector | None:
    """Level the masses from the top down, holding at each level what cannot go lower."""
    size = programme.size
    amount = Row(np.append(programme.amount, 0.0), 1.0)
    objective = np.append(np.zeros(size), 1.0)
    hard = [Row(np.append(row.coefficients, 0.0), row.bound) for row in rows]
    lower = np.append(programme.lower, 0.0)
    upper = np.append(programme.upper, np.inf)
    free = [
        index
        for index in range(size - programme.has_water)
        if index != programme.named and programme.lower[index] < programme.upper[index]
    ]
    kg: Vector | None = None
    while True:
        ceilings = [Row(np.append(np.eye(size)[index], -1.0)) for index in free]
        outcome = minimise(objective, [*ceilings, *hard], [amount], lower, upper)
        if outcome is None:
            return kg
        kg = outcome.kg[:-1]
        held = [index for index, dual in zip(free, outcome.of_rows, strict=False) if abs(dual) > _SLACK]
        upper[held] = np.minimum(upper[held], outcome.value + _SLACK)
        free = [index for index in free if index not in held]
        if outcome.is_unique or not free or not held or outcome.value <= _SLACK:
            return kg
