"""Conflicts and violations in plain words, pointing into the request."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from .conflicts import Clash, Demand, Stock
from .figures import plain
from .linear import Vector
from .programme import Limit, Programme
from .quotients import QUOTIENTS
from .wanted import Amount, Available

_AIR: Final = "free_air_space_pct"
_TOLERANCE: Final = 1e-6
_APPROACHED: Final = 1e-9
_LISTED: Final = 3
"""As many other demands as a sentence can carry."""


@dataclass(frozen=True, slots=True)
class Conflict:
    """One demand of the smallest set that cannot be kept together.

    Attributes
    ----------
    target
        The target's name, or ``share_of_mass_pct``, ``share_of_volume_pct``, ``amount``, ``min_kg``, ``max_kg``,
        ``whole``.
    limit
        Which end of it; ``exactly`` for the amount and for whole measures.
    ingredient
        Whose share or stock.
    pointer
        RFC 6901, into the request.
    needed, reached
        What is asked, and the nearest that is possible while the other conflicts are kept; ``None`` when the
        figure has no value (C:N without nitrogen). Percentages, ratios, kg, m3 as the target's name says; the
        amount in its own unit.
    because
        Plain words with a remedy.
    """

    target: str
    limit: Literal["min", "max", "exactly"]
    ingredient: str | None
    pointer: str
    needed: float | None
    reached: float | None
    because: str


@dataclass(frozen=True, slots=True)
class Violation:
    """A limit that the nearest mix misses.

    Attributes
    ----------
    target, limit, ingredient, pointer, needed
        As in :class:`Conflict`.
    reached
        What the mix has; ``None`` when its figure has no value.
    relative
        ``|reached - needed| / needed``, or the difference itself where 0 was needed.
    """

    target: str
    limit: Literal["min", "max", "exactly"]
    pointer: str
    needed: float
    reached: float | None
    relative: float | None
    ingredient: str | None = None


def in_words(
    clashes: Sequence[Clash], programme: Programme, available: Sequence[Available], amount: Amount
) -> tuple[Conflict, ...]:
    """Turn clashes into conflicts."""
    demands = [clash.demand for clash in clashes]
    found: list[Conflict] = []
    for clash in clashes:
        others = [_demanded(other, programme, amount) for other in demands if other is not clash.demand]
        found.append(_conflict(clash, others, programme, available, amount))
    return tuple(found)


def violations(
    kg: Vector, programme: Programme, available: Sequence[Available], amount: Amount, void: frozenset[str]
) -> tuple[Violation, ...]:
    """List what a mix misses by more than a millionth.

    Parameters
    ----------
    kg
        The mix, in the programme's unit.
    programme, available, amount
        Of the request.
    void
        Targets whose figure has no value worth the name in this mix.
    """
    found: list[Violation] = []
    for limit in programme.limits:
        figure = limit.figure(kg)
        reached = None if limit.target in void or math.isnan(figure) else figure
        if reached is not None and limit.target == _AIR:
            reached = max(0.0, reached)  # the line goes below 0, the figure does not
        relative = None if reached is None else limit.sign * (reached - limit.value) / limit.scale
        if relative is None or relative > _TOLERANCE:
            place = pointer_of(limit, programme, available)
            name = None if limit.index is None else programme.materials[limit.index].name
            found.append(Violation(limit.target, limit.side, place, limit.value, reached, relative, name))
    made = float(programme.amount @ kg)
    if not programme.least - _TOLERANCE <= made <= programme.most + _TOLERANCE:
        needed = programme.wanted * (programme.least if made < programme.least else programme.most)
        relative = abs(made * programme.wanted - needed) / needed
        place = amount_pointer(amount)
        found.append(Violation("amount", "exactly", place, needed, made * programme.wanted, relative))
    return tuple(found)


def without_value(
    programme: Programme, available: Sequence[Available], void: frozenset[str]
) -> tuple[Conflict, ...]:
    """Say which targets cannot be had because nothing on the list holds what they relate to."""
    found: list[Conflict] = []
    for limit in programme.limits:
        if limit.target in void:
            quotient = QUOTIENTS[limit.target]
            lack, remedy = quotient.void
            because = f"{lack}, so {quotient.label} has no value, whatever the mix; {remedy}."
            place = pointer_of(limit, programme, available)
            found.append(Conflict(limit.target, limit.side, None, place, limit.value, None, because))
    return tuple(found)


def whole_conflict(available: Sequence[Available]) -> Conflict:
    """Say that whole measures, and nothing else, stand in the way; points at the heaviest."""
    place, one = max(
        ((place, one) for place, one in enumerate(available) if one.whole),
        key=lambda pair: pair[1].measure_kg or 0.0,
    )
    name = "measure" if one.measure is None else one.measure.name
    because = (
        f"In parts of a measure there is a mix; in whole ones there is none, and the heaviest is the {name} of"
        f" {one.name}, {plain(one.measure_kg or 0.0)} kg: use a smaller measure, allow a larger surplus_pct, or let"
        " some go in by parts."
    )
    return Conflict("whole", "exactly", one.name, f"/ingredients/{place}/whole", None, None, because)


def pointer_of(limit: Limit, programme: Programme, available: Sequence[Available]) -> str:
    """Return where a limit stands in the request."""
    if limit.index is None:
        return f"/targets/{limit.target}/{limit.side}"
    place = place_of(programme.materials[limit.index].name, available)
    return f"/ingredients/{place}/{limit.side}_{limit.target}"


def place_of(name: str, available: Sequence[Available]) -> int:
    """Return which of the request's ingredients has a name."""
    return next(place for place, one in enumerate(available) if one.name == name)


def amount_pointer(amount: Amount) -> str:
    """Return where the amount stands in the request."""
    fields = ("volume_m3", "measures", "mass_kg")
    return "/amount/" + next(
        field for field in fields if field == "mass_kg" or getattr(amount, field) is not None
    )


def label_of(limit: Limit, programme: Programme) -> str:
    """Name the figure that a limit bounds."""
    if limit.index is None:
        return QUOTIENTS[limit.target].label
    of = "mass" if limit.target == "share_of_mass_pct" else "volume"
    return f"the share of {programme.materials[limit.index].name} in the {of}"


def unit_of(limit: Limit) -> str:
    """Return the unit of the figure that a limit bounds, with its space before it."""
    return " %" if limit.index is not None else QUOTIENTS[limit.target].unit


def amount_unit(amount: Amount) -> str:
    """Return the unit of the amount in words; a number of measures was turned into kg."""
    unit = "m3" if amount.volume_m3 is not None else "kg"
    return unit if amount.of is None else f"{unit} of {amount.of}"


def _demanded(demand: Demand, programme: Programme, amount: Amount) -> str:
    """Name a demand as a thing that is kept."""
    if isinstance(demand, Limit):
        end = "at least" if demand.side == "min" else "at most"
        return f"{label_of(demand, programme)} {end} {plain(demand.value)}{unit_of(demand)}"
    if demand.kind == "amount":
        return f"the amount at {plain(demand.value)} {amount_unit(amount)}"
    end = "at least" if demand.kind == "min_kg" else "at most"
    return f"{end} {plain(demand.value)} kg of {programme.materials[demand.index].name}"


def _conflict(
    clash: Clash,
    others: Sequence[str],
    programme: Programme,
    available: Sequence[Available],
    amount: Amount,
) -> Conflict:
    demand, reached = clash.demand, clash.reached
    kept = _kept(others)
    if isinstance(demand, Limit):
        if demand.target == _AIR and reached is not None:
            reached = max(0.0, reached)  # the line goes below 0, the figure does not
        because = _why_limit(demand, reached, kept, programme)
        name = None if demand.index is None else programme.materials[demand.index].name
        pointer = pointer_of(demand, programme, available)
        return Conflict(demand.target, demand.side, name, pointer, demand.value, reached, because)
    if demand.kind == "amount":
        pointer = amount_pointer(amount)
        unit = amount_unit(amount)
        because = f"{kept}, the amount comes to {_number(reached)} {unit}; {_asked(demand)} {unit} is asked."
        return Conflict("amount", "exactly", None, pointer, demand.value, reached, because)
    name = programme.materials[demand.index].name
    end: Literal["min", "max"] = "min" if demand.kind == "min_kg" else "max"
    verb = (
        f"no more than {_number(reached)} kg of {name} can go in" if end == "min" else _needs(name, reached)
    )
    because = (
        f"{kept}, {verb}; {'at least' if end == 'min' else 'at most'} {plain(demand.value)} kg is asked."
    )
    pointer = f"/ingredients/{place_of(name, available)}/{demand.kind}"
    return Conflict(demand.kind, end, name, pointer, demand.value, reached, because)


def _asked(amount: Stock) -> str:
    return (
        plain(amount.value) if amount.highest is None else f"{plain(amount.value)} to {plain(amount.highest)}"
    )


def _kept(others: Sequence[str]) -> str:
    if not others:
        return ""
    return f"With {' and '.join(others)}" if len(others) <= _LISTED else "With the rest kept"


def _needs(name: str, reached: float | None) -> str:
    return f"at least {_number(reached)} kg of {name} is needed"


def _number(value: float | None) -> str:
    return "an unknown figure" if value is None else plain(value)


def _why_limit(limit: Limit, reached: float | None, kept: str, programme: Programme) -> str:
    label, unit, remedy = label_of(limit, programme), unit_of(limit), _remedy(limit, programme)
    asked = f"{'at least' if limit.side == 'min' else 'at most'} {plain(limit.value)}{unit} is asked"
    end = "above" if limit.side == "min" else "below"
    if not kept and limit.index is None:
        name = _extreme(limit, programme)
        return (
            f"No material here has {label} {end} {_number(reached)}{unit} ({name}), and no mixture goes beyond its"
            f" most extreme material; {asked}: {remedy}."
        )
    if reached is not None and abs(reached - limit.value) <= _APPROACHED * limit.scale:
        ever = f"only approaches {plain(limit.value)}{unit} by ever more of the rest"
        return f"{kept}, {label} {ever}; {asked}: {remedy}."
    best = "at most" if limit.side == "min" else "no lower than"
    return (
        f"{kept}, {label} comes to {best} {_number(reached)}{unit}; {asked}: {remedy}, or widen the target."
    )


def _remedy(limit: Limit, programme: Programme) -> str:
    if limit.index is None:
        quotient = QUOTIENTS[limit.target]
        return quotient.raise_by if limit.side == "min" else quotient.lower_by
    name = programme.materials[limit.index].name
    return f"have more of {name}" if limit.side == "min" else f"add another material to put beside {name}"


def _extreme(limit: Limit, programme: Programme) -> str:
    """Name the material that comes nearest to a limit by itself."""
    figures = {
        one.name: limit.sign * over / under if under > 0 else math.inf
        for one, over, under in zip(programme.materials, limit.over, limit.under, strict=True)
    }
    return min(figures, key=figures.__getitem__)
