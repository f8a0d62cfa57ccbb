"""Seeking the likeliest mix: scenarios say where, climbing on many draws says exactly."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from service.domain.recipes.evaluation import Evaluation
from service.domain.recipes.linear import Row, Vector
from service.domain.recipes.programme import AIR_SLOPE, RATIO, Limit, Programme
from service.domain.recipes.request import WATER

from .draws import Drawn, Value, dimensions, draw, points
from .inputs import Uncertain
from .polish import FIRM, ROUND, SHARP, climb, kept
from .scenarios import Chosen, Room, least_missed, most_met
from .spread import Array, Shape, spread

LIMIT_S: Final = 0.3
"""How long HiGHS may look for a mix that meets more scenarios; the rest of the answer takes about as long."""
MOST_OF_NOMINAL: Final = 2.0
"""Around a given mass of one material the others are free; the whole is held to this many times the nominal mix."""

_SCENARIOS: Final = 64
_SLACK: Final = 1e-6
_COMPARED: Final = 8192
"""Draws that the mixes found are compared on. They climb on the first of these; a part of Sobol points that is a power
of two is even by itself."""
_CLIMBED: Final = 2048
_CLIMBED_FIRST: Final = 256
_CLIMBED_AGAIN: Final = 2
_SURE: Final = 0.99
"""A mix this likely is not looked beyond."""
_DUST: Final = 1e-6
"""A share of the amount too small to be more than round-off of the climb."""


@dataclass(frozen=True, slots=True)
class Scenarios:
    """The mixed-integer programme's account.

    Attributes
    ----------
    count
        Scenarios that the mix was sought on.
    met
        Of them, by the mix offered.
    best_met, most
        By the best mix for just these scenarios that was found; and what no mix is proven to exceed.
    gap_pct
        Between the last two, % of ``most``; 0 when proven.
    limit_s
        The time it may take.
    """

    count: int
    met: int
    best_met: int
    most: int
    gap_pct: float
    limit_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """A mix in kg, in the programme's order of materials, and how it was found."""

    kg: Vector
    scenarios: Scenarios


def water() -> Uncertain:
    """Return water as a material of which nothing is in doubt."""
    figures = {
        name: spread(name, Shape.EXACT, value, value, value, "definition")
        for name in ("moisture_pct", "bulk_density_kg_m3")
        if (value := getattr(WATER, name)) is not None
    }
    return Uncertain(WATER.name, figures)


def as_materials(programme: Programme, materials: Sequence[Uncertain]) -> list[Uncertain]:
    """Put the materials into the programme's order, with the water it adds."""
    by_name = {one.name: one for one in materials}
    return [by_name[one.name] if one.name in by_name else water() for one in programme.materials]


def search(
    materials: Sequence[Uncertain],
    programme: Programme,
    nominal: Evaluation | None,
    *,
    seed: int,
    limit_s: float,
) -> Found | None:
    """Seek the mix that keeps all targets in most draws.

    Parameters
    ----------
    materials
        In the programme's order, see :func:`as_materials`.
    programme
        The request in numbers, at the figures' values.
    nominal
        The mix to begin with, where there is one.
    seed
        Of the draws; they are others than those of :func:`judge` with the same seed.
    limit_s
        Time for the mixed-integer programme.

    Returns
    -------
    Found or None
        ``None`` when stock, shares and amount leave no mix.
    """
    start = _of_recipe(nominal, programme)
    room = _room(programme, start)
    size = len(dimensions(materials))
    seeds = np.random.SeedSequence([seed, 1]).spawn(2)
    scale = start if start is not None else 1 / np.maximum(programme.amount, 1e-12) / programme.size
    scenarios, many = (
        limit_rows(programme, draw(materials, points(count, size, [own]))[0], count, scale)
        for count, own in zip((_SCENARIOS, _COMPARED), seeds, strict=True)
    )
    first = least_missed(scenarios, room)
    if first is None:
        return None
    best = most_met(scenarios, room, limit_s=limit_s)
    if best.is_empty:
        return None
    begun = [(start, ROUND), (best.kg, SHARP), (None if programme.is_whole else first, ROUND)]
    starts = [(one, steps) for one, steps in begun if one is not None and _is_within(one, room)]
    if not starts:
        starts = [(one, ROUND) for one in (start, first) if one is not None][:1]
    mixes = [one for one, _ in starts]
    if not programme.is_whole:
        mixes += _climbed(starts, many, room)
        if kept(mixes, many).max() < _SURE:
            apart = [(one, FIRM) for one in _without_each(scenarios, room)]
            mixes += _climbed(apart, many, room)
    kg = mixes[int(kept(mixes, many).argmax())]
    kg = np.where((kg < _DUST) & (room.lower == 0), 0.0, kg)
    return Found(kg * programme.scale_kg, _account(best, kg, scenarios, mixes, limit_s))


def _without_each(scenarios: Array, room: Room) -> list[Vector]:
    """Find where to begin when one material is left out: good mixes that differ in kind lie apart."""
    found: list[Vector] = []
    for index in np.flatnonzero((room.lower == 0) & (room.upper > 0)):
        upper = room.upper.copy()
        upper[index] = 0.0
        begin = least_missed(scenarios, replace(room, upper=upper))
        if begin is not None:
            found.append(begin)
    return found


def _climbed(starts: Sequence[tuple[Vector, Sequence[float]]], many: Array, room: Room) -> list[Vector]:
    """Climb from each start on a few draws, then from the best on all of them."""
    few, more = many[:_CLIMBED_FIRST], many[:_CLIMBED]
    if not starts:
        return []
    first = [climb(one, few, room, steps) for one, steps in starts]
    best = np.argsort(-kept(first, more), kind="stable")[:_CLIMBED_AGAIN]
    return [*first, *(climb(first[place], more, room, SHARP) for place in best)]


def _account(
    best: Chosen, kg: Vector, scenarios: Array, mixes: Sequence[Vector], limit_s: float
) -> Scenarios:
    count = len(scenarios)
    met, *others = np.rint(kept([kg, *mixes], scenarios) * count).astype(int).tolist()
    best_met = max(best.met, met, *others)
    most = max(best.most, best_met)
    gap = 100 * (most - best_met) / most if most else 0.0
    return Scenarios(count, met, best_met, most, gap, limit_s)


def limit_rows(programme: Programme, drawn: Sequence[Drawn], count: int, scale: Vector) -> Array:
    """Return the targets as rows of every draw.

    Parameters
    ----------
    programme
        Whose limits are meant; its shares are not, for they do not depend on the draw.
    drawn
        The materials in its order.
    count
        Draws.
    scale
        A mix that says how large the lower sum of a figure is, so that a row's value is about the relative miss.

    Returns
    -------
    array
        Shape (draws, limits, materials); a limit is kept when ``rows[d, l] @ kg <= 0``.
    """
    rows = [_rows(limit, drawn, count, scale) for limit in programme.limits if limit.index is None]
    return np.stack(rows, axis=1)


def _rows(limit: Limit, drawn: Sequence[Drawn], count: int, scale: Vector) -> Array:
    def of_each(name: str) -> Array:
        # every material was checked to have what the targets need
        values: list[Value] = [getattr(one, name) for one in drawn]
        return np.stack([np.broadcast_to(np.asarray(value), (count,)) for value in values], axis=1)

    match limit.target:
        case "moisture_pct":
            over, under = of_each("moisture_pct"), np.ones((count, len(drawn)))
        case "free_air_space_pct":
            under = of_each("per_kg_m3")
            over = 100 * under - AIR_SLOPE
        case "bulk_density_kg_m3":
            over, under = np.ones((count, len(drawn))), of_each("per_kg_m3")
        case "nitrogen_pct":
            over, under = 100 * of_each("nitrogen_share"), of_each("dry_share")
        case _:
            over, under = of_each("carbon_share"), of_each("nitrogen_share")
    usual = float(under.mean(axis=0) @ scale) or 1.0
    return limit.sign * (over - limit.value * under) / (limit.scale * usual)


def _room(programme: Programme, start: Vector | None) -> Room:
    """Return what may be chosen from: the programme without its targets, every mass bounded."""
    rows = [Row(limit.excess) for limit in programme.limits if limit.index is not None]
    rows += [row for target, row in programme.floors if target == RATIO]
    if programme.named is None:
        weights = np.maximum(programme.amount, 1e-12)
        upper = np.minimum(programme.upper, programme.most / weights)
    else:
        whole = MOST_OF_NOMINAL * (float(start.sum()) if start is not None else programme.size)
        rows.append(Row(np.ones(programme.size), whole))
        upper = np.minimum(programme.upper, whole)
    return Room(
        programme.lower,
        upper,
        programme.amount,
        programme.least,
        programme.most,
        tuple(rows),
        programme.units,
    )


def _of_recipe(recipe: Evaluation | None, programme: Programme) -> Vector | None:
    if recipe is None:
        return None
    masses = {portion.name: portion.mass_kg for portion in recipe.ingredients}
    return np.array([masses.get(one.name, 0.0) for one in programme.materials]) / programme.scale_kg


def _is_within(kg: Vector, room: Room) -> bool:
    """Whether a mix may be chosen; the nearest one may have given up a part of the amount, or whole measures."""
    matrix, least, most = room.firm
    made = matrix @ kg
    units = np.where(room.units > 0, room.units, 1.0)
    broken = np.abs(kg / units - np.rint(kg / units))[room.units > 0]
    return bool((made >= least - _SLACK).all() and (made <= most + _SLACK).all() and (broken <= _SLACK).all())
