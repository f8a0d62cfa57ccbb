"""Conflicts and violations in plain words, pointing into the request."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from .conflicts import Clash, Demand
from .evaluation import Evaluation
from .figures import plain
from .programme import RATIO, Limit, Programme
from .request import Amount, Available

LABELS: Final = {
    "carbon_nitrogen_ratio": "C:N",
    "moisture_pct": "moisture",
    "free_air_space_pct": "free air space",
    "bulk_density_kg_m3": "bulk density",
}
_UNITS: Final = {
    "carbon_nitrogen_ratio": "",
    "moisture_pct": " %",
    "free_air_space_pct": " %",
    "bulk_density_kg_m3": " kg/m3",
}
_REMEDIES: Final = {
    ("carbon_nitrogen_ratio", "min"): "add a browner material: dry leaves, straw, wood chips",
    ("carbon_nitrogen_ratio", "max"): "add a greener material: grass, food scraps, manure",
    ("moisture_pct", "min"): "add a wetter material, or allow water",
    ("moisture_pct", "max"): "add a drier material: straw, dry leaves, wood chips, or let the wet one drain",
    ("free_air_space_pct", "min"): "add a coarse, light material: wood chips, straw",
    ("free_air_space_pct", "max"): "add a denser material, or chop the coarse one",
    ("bulk_density_kg_m3", "min"): "add a denser material, or chop the coarse one",
    ("bulk_density_kg_m3", "max"): "add a coarse, light material: wood chips, straw",
}
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
        The target's name, or ``amount``, ``min_kg``, ``max_kg``.
    limit
        Which end of it; ``exactly`` for the amount.
    ingredient
        Whose stock, for ``min_kg`` and ``max_kg``.
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
    needed: float
    reached: float | None
    because: str


@dataclass(frozen=True, slots=True)
class Violation:
    """A limit that the nearest mix misses.

    Attributes
    ----------
    target, limit, pointer, needed
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
    evaluation: Evaluation, programme: Programme, amount: Amount, *, is_barren: bool
) -> tuple[Violation, ...]:
    """List what a mix misses by more than a millionth; a barren one has no C:N worth the name."""
    found: list[Violation] = []
    for limit in programme.limits:
        is_void = is_barren and limit.target == RATIO
        reached: float | None = None if is_void else getattr(evaluation, limit.target)
        relative = None if reached is None else limit.sign * (reached - limit.value) / limit.scale
        if relative is None or relative > _TOLERANCE:
            pointer = f"/targets/{limit.target}/{limit.side}"
            found.append(Violation(limit.target, limit.side, pointer, limit.value, reached, relative))
    made = _made(evaluation, amount)
    if made is not None and abs(made - programme.wanted) > _TOLERANCE * programme.wanted:
        relative = abs(made - programme.wanted) / programme.wanted
        found.append(
            Violation("amount", "exactly", _amount_pointer(amount), programme.wanted, made, relative)
        )
    return tuple(found)


def no_nitrogen(programme: Programme) -> tuple[Conflict, ...]:
    """Say that C:N cannot be had because nothing on the list holds nitrogen."""
    because = (
        "Nothing that may go in holds nitrogen worth counting, so C:N has no value, whatever the mix; add a green"
        " material, a manure or a nitrogen fertiliser."
    )
    return tuple(
        Conflict(
            limit.target,
            limit.side,
            None,
            f"/targets/{limit.target}/{limit.side}",
            limit.value,
            None,
            because,
        )
        for limit in programme.limits
        if limit.target == RATIO
    )


def _made(evaluation: Evaluation, amount: Amount) -> float | None:
    if amount.volume_m3 is not None:
        return evaluation.volume_m3
    if amount.of is None:
        return evaluation.mass_kg
    return next(portion.mass_kg for portion in evaluation.ingredients if portion.name == amount.of)


def _amount_pointer(amount: Amount) -> str:
    return "/amount/volume_m3" if amount.volume_m3 is not None else "/amount/mass_kg"


def _amount_unit(amount: Amount) -> str:
    unit = "m3" if amount.volume_m3 is not None else "kg"
    return unit if amount.of is None else f"{unit} of {amount.of}"


def _demanded(demand: Demand, programme: Programme, amount: Amount) -> str:
    """Name a demand as a thing that is kept."""
    if isinstance(demand, Limit):
        end = "at least" if demand.side == "min" else "at most"
        return f"{LABELS[demand.target]} {end} {plain(demand.value)}{_UNITS[demand.target]}"
    if demand.kind == "amount":
        return f"the amount at {plain(demand.value)} {_amount_unit(amount)}"
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
        if demand.target == "free_air_space_pct" and reached is not None:
            reached = max(0.0, reached)  # the line goes below 0, the figure does not
        because = _why_limit(demand, reached, kept, programme)
        pointer = f"/targets/{demand.target}/{demand.side}"
        return Conflict(demand.target, demand.side, None, pointer, demand.value, reached, because)
    if demand.kind == "amount":
        pointer = _amount_pointer(amount)
        unit = _amount_unit(amount)
        because = (
            f"{kept}, the amount comes to {_number(reached)} {unit}; {plain(demand.value)} {unit} is asked."
        )
        return Conflict("amount", "exactly", None, pointer, demand.value, reached, because)
    name = programme.materials[demand.index].name
    index = next(i for i, one in enumerate(available) if one.name == name)
    end: Literal["min", "max"] = "min" if demand.kind == "min_kg" else "max"
    verb = (
        f"no more than {_number(reached)} kg of {name} can go in" if end == "min" else _needs(name, reached)
    )
    because = (
        f"{kept}, {verb}; {'at least' if end == 'min' else 'at most'} {plain(demand.value)} kg is asked."
    )
    pointer = f"/ingredients/{index}/{demand.kind}"
    return Conflict(demand.kind, end, name, pointer, demand.value, reached, because)


def _kept(others: Sequence[str]) -> str:
    if not others:
        return ""
    return f"With {' and '.join(others)}" if len(others) <= _LISTED else "With the rest kept"


def _needs(name: str, reached: float | None) -> str:
    return f"at least {_number(reached)} kg of {name} is needed"


def _number(value: float | None) -> str:
    return "an unknown figure" if value is None else plain(value)


def _why_limit(limit: Limit, reached: float | None, kept: str, programme: Programme) -> str:
    label, unit = LABELS[limit.target], _UNITS[limit.target]
    remedy = _REMEDIES[limit.target, limit.side]
    asked = f"{'at least' if limit.side == 'min' else 'at most'} {plain(limit.value)}{unit} is asked"
    end = "above" if limit.side == "min" else "below"
    if not kept:
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


def _extreme(limit: Limit, programme: Programme) -> str:
    """Name the material that comes nearest to a limit by itself."""
    figures = {
        one.name: limit.sign * over / under if under > 0 else math.inf
        for one, over, under in zip(programme.materials, limit.over, limit.under, strict=True)
    }
    return min(figures, key=figures.__getitem__)
