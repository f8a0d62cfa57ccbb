"""The one purchase that would make a mix possible, and the least of it that would do."""

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Final

import numpy as np

from .deciding import amount_rows, least
from .library import find, library
from .linear import Problem, Row, Vector, minimise_each
from .programme import Programme, build
from .quotients import QUOTIENTS, lacking
from .wanted import Available, Request

_FILE: Final = Path(__file__).with_name("purchases.toml")
_MOST: Final = 3
"""More than this many purchases to choose from help nobody."""
_KEPT: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Purchase:
    """Something to buy: the material, its code when it is of the shipped library, and how much."""

    material: Available
    feedstock: str | None
    kg: float


@cache
def on_offer() -> dict[str, str]:
    """Return what can commonly be had, code by name; read strictly when first asked for."""
    codes = tomllib.loads(_FILE.read_text(encoding="utf-8"))["codes"]
    return {find(code, f"/codes/{place}").name: code for place, code in enumerate(codes)}


@cache
def _commonly_had() -> tuple[Available, ...]:
    return tuple(Available(library()[code].ingredient()) for code in on_offer().values())


def purchases(request: Request) -> list[Purchase]:
    """Find what to buy, one material at a time, so that the request can be met.

    Every material on offer is tried beside those at hand, each in a programme of its own; they are decided together,
    first by the least that the limits must give way (nothing, where the purchase helps), then by the least mass.

    Parameters
    ----------
    request
        That cannot be met, though not for having to hold more than the amount.

    Returns
    -------
    list of Purchase
        At most three: the cheapest where all is priced, else the lightest.
    """
    offers = list(_offers(request))
    if not offers:
        return []
    wide = build(
        [*request.available, *offers],
        request.targets,
        request.amount,
        allow_water=request.allow_water,
        mixing_shrink_pct=request.choice.mixing_shrink_pct,
    )
    at_hand = {one.name for one in request.available}
    places = {one.name: place for place, one in enumerate(wide.materials)}
    own = [place for place, one in enumerate(wide.materials) if one.name in at_hand]
    own += [wide.size - 1] if wide.has_water else []
    columns = [[*own, places[offer.name]] for offer in offers]
    missed = minimise_each([_elastic(wide, some) for some in columns])
    helping = [
        (offer, some)
        for offer, some, outcome in zip(offers, columns, missed, strict=True)
        if outcome is not None and outcome.value <= _KEPT
    ]
    lightest = minimise_each([_lightest(wide, some) for _, some in helping])
    found = [
        Purchase(
            offer,
            on_offer().get(offer.name) if request.choice.may_buy is None else None,
            outcome.value * wide.scale_kg,
        )
        for (offer, _), outcome in zip(helping, lightest, strict=True)
        if outcome is not None
    ]
    return sorted(found, key=_dearness)[:_MOST]


def whole_purchase(request: Request, purchase: Purchase) -> Purchase | None:
    """Find how much to buy when the materials at hand go in by whole measures."""
    extended = beside(request, purchase.material)
    programme = build(
        extended.available,
        request.targets,
        request.amount,
        allow_water=request.allow_water,
        mixing_shrink_pct=request.choice.mixing_shrink_pct,
    )
    names = [one.name for one in programme.materials]
    objective = np.eye(programme.size)[names.index(purchase.material.name)]
    found = least(programme, objective, programme.rows)
    return None if found is None else replace(purchase, kg=found.value * programme.scale_kg)


def beside(request: Request, material: Available) -> Request:
    """Add a material to those at hand; without a price it is taken for free, and the cost is not told."""
    if request.available[0].cost_per_kg is None:
        material = replace(material, cost_per_kg=None)
    elif material.cost_per_kg is None:
        material = replace(material, cost_per_kg=0.0)
    return replace(request, available=(*request.available, material))


def _dearness(purchase: Purchase) -> tuple[float, float]:
    price = purchase.material.cost_per_kg
    return (purchase.kg if price is None else price * purchase.kg), purchase.kg


def _offers(request: Request) -> Iterator[Available]:
    """Yield what may be bought and is not at hand, with every figure that the request needs."""
    choice = request.choice
    listed = _commonly_had() if choice.may_buy is None else choice.may_buy
    taken = {one.name.strip().casefold() for one in request.available} | {"water"}
    by_volume = request.amount.volume_m3 is not None
    for one in listed:
        lacks = any(any(lacking(one.ingredient, QUOTIENTS[name])) for name, _ in request.targets.given())
        if lacks or (by_volume and one.ingredient.bulk_density_kg_m3 is None):
            continue
        if one.name.strip().casefold() not in taken:
            yield replace(one, min_kg=None, measure=None, whole=False, spoils_in_days=None)


def _elastic(wide: Programme, some: Sequence[int]) -> Problem:
    """Ask by how little the limits must give way with one purchase."""
    sized, equal = _taken(amount_rows(wide)[0], some), _taken(amount_rows(wide)[1], some)
    rows = [
        Row(np.append(row.coefficients, -max(float(np.abs(row.coefficients).max()), 1e-12)), row.bound)
        for row in _taken(wide.rows, some)
    ]
    objective = np.append(np.zeros(len(some)), 1.0)
    return Problem(objective, [*rows, *sized], equal, *_bounds(wide, some, extra=True))


def _lightest(wide: Programme, some: Sequence[int]) -> Problem:
    """Ask for the least mass of one purchase."""
    sized, equal = amount_rows(wide)
    objective = np.eye(len(some))[-1]
    return Problem(
        objective, _taken([*wide.rows, *sized], some), _taken(equal, some), *_bounds(wide, some, extra=False)
    )


def _taken(rows: Sequence[Row], some: Sequence[int]) -> list[Row]:
    return [Row(row.coefficients[list(some)], row.bound) for row in rows]


def _bounds(wide: Programme, some: Sequence[int], *, extra: bool) -> tuple[Vector, Vector]:
    lower, upper = wide.lower[list(some)], wide.upper[list(some)]
    return (np.append(lower, 0.0), np.append(upper, np.inf)) if extra else (lower, upper)
