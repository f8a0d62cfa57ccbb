"""Why no mix meets a request: the smallest set of demands that cannot be kept together, and how close each comes."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from .deciding import amount_rows
from .linear import Outcome, Problem, Row, Vector, minimise, minimise_each
from .nearest import Nearest
from .programme import Limit, Programme

_KEPT: Final = 1e-9
"""Relative; closer than this to what is asked, a demand counts as kept."""

Kind = Literal["min_kg", "max_kg", "amount"]


@dataclass(frozen=True, slots=True, eq=False)
class Stock:
    """A bound on one material, or the amount (``index`` -1), as a member of a conflict."""

    kind: Kind
    index: int
    value: float
    """In kg; for the amount, in the unit it was asked in."""
    highest: float | None = None
    """Of an amount, when more than ``value`` may be made."""


Demand = Limit | Stock


@dataclass(frozen=True, slots=True, eq=False)
class Clash:
    """A demand of an irreducible conflict, and the nearest to it that the others of the conflict leave possible."""

    demand: Demand
    reached: float | None


def find_clashes(programme: Programme, nearest: Nearest) -> list[Clash]:
    """Reduce a proof of infeasibility to an irreducible set of demands.

    The duals of the elastic programme name a set that cannot be kept together (Farkas). A deletion filter then
    drops each demand without which the rest still cannot be kept, stock first, so that what remains is
    irreducible: any one of it given up, the others can be kept.

    Parameters
    ----------
    programme
        Of the infeasible request; stock and amount by themselves can be kept.
    nearest
        The mix that misses least, with the duals that prove that it must.

    Returns
    -------
    list of Clash
        Targets first. Where round-off blurs the proof, what the nearest mix misses.

    References
    ----------
    [1] Gleeson and Ryan 1990, Identifying minimally infeasible subsystems of inequalities, ORSA Journal on
        Computing 2. Chinneck 2008, Feasibility and Infeasibility in Optimization, deletion filter.
    """
    support = _support(programme, nearest.proof)
    reached = _reduce(programme, support) or _reduce(programme, all_demands(programme))
    if not reached:
        return _missed(programme, nearest.kg)
    clashes = [Clash(demand, best) for demand, best in reached]
    return sorted(clashes, key=lambda clash: isinstance(clash.demand, Stock))


def _missed(programme: Programme, kg: Vector) -> list[Clash]:
    found: list[Clash] = []
    for limit in programme.limits:
        figure = limit.figure(kg)
        if limit.sign * (figure - limit.value) > 0:
            found.append(Clash(limit, figure))
    return found


def stock_clashes(programme: Programme) -> tuple[list[Clash], float] | None:
    """Find whether stock and amount by themselves contradict each other.

    Returns
    -------
    tuple or None
        The conflict, with the part of the wanted amount that stock allows (below 1 too little, above 1 too much);
        ``None`` when the amount can be made.
    """
    row = programme.amount
    used = np.flatnonzero(row > 0)
    least = float(row[used] @ programme.lower[used])
    most = float(row[used] @ programme.upper[used])
    if least <= programme.most + _KEPT and most >= programme.least - _KEPT:
        return None
    is_short = most < programme.least
    kind: Kind = "max_kg" if is_short else "min_kg"
    bounds = programme.upper if is_short else programme.lower
    edge = programme.least if is_short else programme.most
    members = [int(index) for index in used] if is_short else _enough(row * bounds, used, edge)
    together = float(sum(row[i] * bounds[i] for i in members))
    clashes = [Clash(_amount(programme), together * programme.wanted)]
    for index in members:
        alone = (edge - (together - row[index] * bounds[index])) / row[index]
        demand = Stock(kind, index, float(bounds[index]) * programme.scale_kg)
        clashes.append(Clash(demand, float(alone) * programme.scale_kg))
    return clashes, most if is_short else least / programme.most


def _enough(parts: Vector, used: NDArray[np.intp], edge: float) -> list[int]:
    """Pick the fewest parts that exceed the whole."""
    members: list[int] = []
    for index in sorted((int(i) for i in used), key=lambda i: -parts[i]):
        members.append(index)
        if sum(parts[i] for i in members) > edge + _KEPT:
            break
    return members


def _support(programme: Programme, proof: Outcome) -> list[Demand]:
    """Name the demands that the duals rest on, stock first."""
    biggest = max((float(np.abs(duals).max(initial=0.0)) for duals in _dual_parts(proof)), default=0.0)
    felt = 1e-9 * biggest
    upper = [i for i in range(programme.size) if abs(proof.of_upper[i]) > felt]
    lower = [i for i in range(programme.size) if abs(proof.of_lower[i]) > felt]
    stock = [d for d in _stock_demands(programme) if d.index in (upper if d.kind == "max_kg" else lower)]
    limits = [limit for limit, dual in zip(programme.limits, proof.of_rows, strict=False) if abs(dual) > felt]
    # without stock, any amount can be made of what keeps the limits, unless it is the mass of one material
    return [*stock, *([] if not stock and programme.named is None else [_amount(programme)]), *limits]


def _dual_parts(proof: Outcome) -> tuple[Vector, ...]:
    return proof.of_rows, proof.of_equal, proof.of_lower, proof.of_upper


def all_demands(programme: Programme) -> list[Demand]:
    """List everything that is asked: stock, amount, targets, shares."""
    return [*_stock_demands(programme), _amount(programme), *programme.limits]


def _stock_demands(programme: Programme) -> list[Stock]:
    scale = programme.scale_kg
    most = [Stock("max_kg", i, float(u) * scale) for i, u in enumerate(programme.upper) if math.isfinite(u)]
    least = [Stock("min_kg", i, float(low) * scale) for i, low in enumerate(programme.lower) if low > 0]
    return [*most, *least]


def _amount(programme: Programme) -> Stock:
    highest = programme.most * programme.wanted if programme.most > programme.least else None
    return Stock("amount", -1, programme.wanted, highest)


def _reduce(programme: Programme, demands: Sequence[Demand]) -> list[tuple[Demand, float | None]] | None:
    """Drop what the conflict does not need; ``None`` when the demands are no conflict after all."""
    kept = list(demands)
    while True:
        reached = best_of_each(programme, kept, kept)
        if any(
            best is not None and _is_kept(demand, best) for demand, best in zip(kept, reached, strict=True)
        ):
            return None
        idle = next((place for place, best in enumerate(reached) if best is None), None)
        if idle is None or len(kept) == 1:
            return list(zip(kept, reached, strict=True))
        del kept[idle]


def _is_kept(demand: Demand, best: float) -> bool:
    room = _KEPT * abs(demand.value)
    if isinstance(demand, Limit):
        return demand.sign * (best - demand.value) < -room
    if demand.kind == "amount":
        return demand.value - room < best < (demand.highest or demand.value) + room
    return best < demand.value - room if demand.kind == "max_kg" else best > demand.value + room


def best_of_each(
    programme: Programme, demands: Sequence[Demand], held: Sequence[Demand]
) -> list[float | None]:
    """Find how near to each demand one comes while the others of ``held`` are kept.

    Returns
    -------
    list
        In the demand's own unit; ``None`` where the others cannot be kept.
    """
    others = [[other for other in held if not _is_same(other, demand)] for demand in demands]
    asked = [
        None if isinstance(demand, Stock) and demand.kind == "amount" else _problem(programme, demand, rest)
        for demand, rest in zip(demands, others, strict=True)
    ]
    found = iter(minimise_each([one for one in asked if one is not None]))
    return [
        _best_amount(programme, rest) if one is None else _told(programme, demand, next(found))
        for demand, rest, one in zip(demands, others, asked, strict=True)
    ]


def _is_same(one: Demand, other: Demand) -> bool:
    if isinstance(one, Limit) or isinstance(other, Limit):
        return one is other
    return (one.kind, one.index) == (other.kind, other.index)


def _problem(programme: Programme, demand: Demand, others: Sequence[Demand]) -> Problem:
    if isinstance(demand, Limit):
        return _best_figure(programme, demand, others)
    objective = np.zeros(programme.size)
    objective[demand.index] = 1.0 if demand.kind == "max_kg" else -1.0
    return Problem(objective, *_kept(programme, others))


def _told(programme: Programme, demand: Demand, found: Outcome | None) -> float | None:
    """Turn the optimum of a demand's problem into the demand's unit."""
    if found is None:
        return None
    if isinstance(demand, Limit):
        return demand.sign * found.value
    return abs(found.value) * programme.scale_kg


def _best_amount(programme: Programme, others: Sequence[Demand]) -> float | None:
    rows, _, lower, upper = _kept(programme, others)
    most = minimise(-programme.amount, rows, [], lower, upper)
    if most is None:
        return None
    if -most.value <= _KEPT:
        # none of the named material, or no mix at all: only the first is an amount that comes near
        if programme.named is None:
            return None
        total = minimise(-np.ones(programme.size), rows, [], lower, upper)
        return None if total is None or -total.value <= _KEPT else 0.0
    if -most.value < programme.least:
        return -most.value * programme.wanted
    least = minimise(programme.amount, rows, [], lower, upper)
    return None if least is None else max(programme.least, least.value) * programme.wanted


def _kept(programme: Programme, others: Sequence[Demand]) -> tuple[list[Row], list[Row], Vector, Vector]:
    """Return rows, equalities and bounds of a programme in which only ``others`` are demanded."""
    limits = [limit for limit in others if isinstance(limit, Limit)]
    rows = [Row(limit.excess) for limit in limits]
    # else water alone, with neither carbon nor nitrogen, would keep any C:N
    rows += [row for target, row in programme.floors if any(limit.target == target for limit in limits)]
    lower, upper = np.zeros(programme.size), np.full(programme.size, math.inf)
    equal: list[Row] = []
    for other in others:
        if isinstance(other, Limit):
            continue
        if other.kind == "amount":
            sized, equal = amount_rows(programme)
            rows += sized
        elif other.kind == "max_kg":
            upper[other.index] = programme.upper[other.index]
        else:
            lower[other.index] = programme.lower[other.index]
    return rows, equal, lower, upper


def _best_figure(programme: Programme, limit: Limit, others: Sequence[Demand]) -> Problem:
    """Optimise a ratio of two sums exactly, by one linear programme.

    References
    ----------
    [1] Charnes and Cooper 1962, Programming with linear fractional functionals: the unknowns are the masses divided
        by the lower sum, and one more for that division itself.
    """
    rows, equal, lower, upper = _kept(programme, others)
    rows += [row for target, row in programme.floors if target == limit.target]
    unit = float(np.abs(limit.under).max()) or 1.0
    scaled = [Row(np.append(row.coefficients, -row.bound)) for row in rows]
    eye = np.eye(programme.size)
    for index in range(programme.size):
        if math.isfinite(upper[index]):
            scaled.append(Row(np.append(eye[index], -upper[index])))
        if lower[index] > 0:
            scaled.append(Row(np.append(-eye[index], lower[index])))
    same = [Row(np.append(row.coefficients, -row.bound)) for row in equal]
    same.append(Row(np.append(limit.under / unit, 0.0), 1.0))
    objective = np.append(limit.sign * limit.over / unit, 0.0)
    size = programme.size + 1
    return Problem(objective, scaled, same, np.zeros(size), np.full(size, math.inf))
