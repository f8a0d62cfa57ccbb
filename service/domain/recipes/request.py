"""What is asked of the solver: materials at hand, targets and an amount, with every refusal they can earn."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from service.domain.errors import FieldError, Invalid

from .figures import MASS, MOISTURE, RATIO, Bounds, faults, plain
from .ingredient import CARBON_FORMS, Ingredient, check_figures, refuse_faults

WATER: Final = Ingredient("water", moisture_pct=100.0, bulk_density_kg_m3=1000.0)
"""What ``allow_water`` adds: 1 kg is 1 L, and it costs nothing."""

MOST_INGREDIENTS: Final = 100

_MASS_WANTED: Final = Bounds(1e-6, 1e9, "give the wanted mass in kg, above 0")
_VOLUME_WANTED: Final = Bounds(1e-6, 1e6, "give the wanted volume in m3, above 0")
_COST: Final = Bounds(-1e6, 1e6, "give the cost of one kg, 0 if it is free")
_AIR: Final = Bounds(0, 100, "give free air space as a percentage of volume")
_DENSITY_WANTED: Final = Bounds(1e-3, 5000, "give bulk density in kg/m3, above 0")


@dataclass(frozen=True, slots=True)
class Range:
    """From ``min`` to ``max``; either may be open."""

    min: float | None = None
    max: float | None = None


@dataclass(frozen=True, slots=True)
class Targets:
    """What the mix must be; ``None`` asks nothing of a figure.

    Attributes
    ----------
    carbon_nitrogen_ratio
        By mass, above 0.
    moisture_pct
        % of wet mass.
    free_air_space_pct
        % of volume, as estimated from bulk density.
    bulk_density_kg_m3
        Wet and loose.
    """

    carbon_nitrogen_ratio: Range | None = None
    moisture_pct: Range | None = None
    free_air_space_pct: Range | None = None
    bulk_density_kg_m3: Range | None = None

    def given(self) -> Iterator[tuple[str, Range]]:
        """Yield the targets that ask something, by name."""
        for name in TARGET_BOUNDS:
            asked: Range | None = getattr(self, name)
            if asked is not None:
                yield name, asked


TARGET_BOUNDS: Final = {
    "carbon_nitrogen_ratio": RATIO,
    "moisture_pct": MOISTURE,
    "free_air_space_pct": _AIR,
    "bulk_density_kg_m3": _DENSITY_WANTED,
}


@dataclass(frozen=True, slots=True)
class Amount:
    """How much to make: a loose ``volume_m3``, a ``mass_kg``, or ``mass_kg`` of one ingredient (``of``)."""

    volume_m3: float | None = None
    mass_kg: float | None = None
    of: str | None = None


@dataclass(frozen=True, slots=True)
class Available:
    """A material at hand.

    Attributes
    ----------
    ingredient
        Without an amount.
    min_kg, max_kg
        At least and at most this much goes in; ``None`` for no such bound.
    cost_per_kg
        Of wet mass; ``None`` when not known, which is not the same as free. Below 0 when one is paid to take it.
    """

    ingredient: Ingredient
    min_kg: float | None = None
    max_kg: float | None = None
    cost_per_kg: float | None = None

    @property
    def name(self) -> str:
        """The ingredient's."""
        return self.ingredient.name

    @property
    def least_kg(self) -> float:
        """The lower bound, 0 when none is given."""
        return self.min_kg or 0.0


def check(available: Sequence[Available], targets: Targets, amount: Amount, *, allow_water: bool) -> None:
    """Refuse a request that cannot be meant.

    Raises
    ------
    Invalid
        One entry per value, each pointing into the request: impossible figures, contradictory targets or stock,
        an unknown ``of``, names used twice, a figure that a target needs and an ingredient lacks, prices for some
        ingredients only.
    """
    if not available:
        raise Invalid.field("/ingredients", "no ingredient is given; give at least one")
    if len(available) > MOST_INGREDIENTS:
        detail = f"{len(available)} ingredients are given; give at most {MOST_INGREDIENTS}"
        raise Invalid.field("/ingredients", detail)
    errors = [
        *_check_targets(targets),
        *_check_amount(available, amount),
        *_check_names(available, allow_water=allow_water),
    ]
    for index, one in enumerate(available):
        errors += _check_available(one, f"/ingredients/{index}")
    refuse_faults(errors)
    refuse_faults([*_check_costs(available, amount), *_check_needs(available, targets, amount)])


def _check_targets(targets: Targets) -> Iterator[FieldError]:
    asked = list(targets.given())
    if not asked:
        yield FieldError("/targets", "no target is given; give at least one, or evaluate a mix of your own")
    for name, wanted in asked:
        pointer = f"/targets/{name}"
        if wanted.min is None and wanted.max is None:
            yield FieldError(
                pointer, "neither min nor max is given; give at least one, or leave the target out"
            )
            continue
        bad = [
            *faults(f"{pointer}/min", wanted.min, TARGET_BOUNDS[name]),
            *faults(f"{pointer}/max", wanted.max, TARGET_BOUNDS[name]),
        ]
        yield from bad
        if not bad and wanted.min is not None and wanted.max is not None and wanted.min > wanted.max:
            detail = f"min {plain(wanted.min)} is above max {plain(wanted.max)}; swap or widen them"
            yield FieldError(f"{pointer}/min", detail)


def _check_amount(available: Sequence[Available], amount: Amount) -> Iterator[FieldError]:
    if (amount.volume_m3 is None) == (amount.mass_kg is None):
        yield FieldError("/amount", "give exactly one of volume_m3 and mass_kg, or of with mass_kg")
        return
    yield from faults("/amount/volume_m3", amount.volume_m3, _VOLUME_WANTED)
    yield from faults("/amount/mass_kg", amount.mass_kg, _MASS_WANTED)
    if amount.of is None:
        return
    if amount.volume_m3 is not None:
        yield FieldError("/amount/volume_m3", "of goes with mass_kg; give the mass of that ingredient")
    names = [one.name for one in available]
    if amount.of not in names:
        listed = ", ".join(names)
        yield FieldError("/amount/of", f"'{amount.of}' is not among the ingredients: {listed}")


def _check_names(available: Sequence[Available], *, allow_water: bool) -> Iterator[FieldError]:
    seen: dict[str, int] = {}
    for index, one in enumerate(available):
        pointer, name = f"/ingredients/{index}/name", one.name.strip().casefold()
        if name and name in seen:
            yield FieldError(
                pointer, f"'{one.name}' is also ingredient {seen[name]}; give each a name of its own"
            )
        elif allow_water and name == WATER.name:
            detail = "'water' is what allow_water adds; leave the ingredient out, or set allow_water to false"
            yield FieldError(pointer, detail)
        seen.setdefault(name, index)


def _check_available(one: Available, pointer: str) -> list[FieldError]:
    errors = check_figures(one.ingredient, pointer)
    for field in ("mass_kg", "volume_m3"):
        if getattr(one.ingredient, field) is not None:
            detail = "the amount is what is solved for; leave it out, or bound it with min_kg and max_kg"
            errors.append(FieldError(f"{pointer}/{field}", detail))
    bounds = [
        *faults(f"{pointer}/min_kg", one.min_kg, MASS),
        *faults(f"{pointer}/max_kg", one.max_kg, MASS),
    ]
    if not bounds and one.max_kg is not None and one.least_kg > one.max_kg:
        detail = f"min_kg {plain(one.least_kg)} is above max_kg {plain(one.max_kg)}; swap or widen them"
        bounds.append(FieldError(f"{pointer}/min_kg", detail))
    return errors + bounds + faults(f"{pointer}/cost_per_kg", one.cost_per_kg, _COST)


def _check_costs(available: Sequence[Available], amount: Amount) -> Iterator[FieldError]:
    if all(one.cost_per_kg is None for one in available):
        return
    for index, one in enumerate(available):
        pointer = f"/ingredients/{index}"
        if one.cost_per_kg is None:
            detail = (
                f"others have a price and {one.name} has none; give it, 0 if it is free, or price nothing"
            )
            yield FieldError(f"{pointer}/cost_per_kg", detail)
        elif one.cost_per_kg < 0 and one.max_kg is None and amount.of not in (None, one.name):
            detail = (
                f"{one.name} pays for being taken, so without max_kg the mix would grow without end; give it"
            )
            yield FieldError(f"{pointer}/max_kg", detail)


def _check_needs(available: Sequence[Available], targets: Targets, amount: Amount) -> Iterator[FieldError]:
    """Find the figures that the targets or the amount need and an ingredient lacks."""
    asked = [name for name, _ in targets.given()]
    density = [name for name in asked if name in ("free_air_space_pct", "bulk_density_kg_m3")]
    if amount.volume_m3 is not None:
        density.append("an amount by volume")
    dry = [name for name in asked if name == "carbon_nitrogen_ratio"]
    water = [name for name in asked if name in ("carbon_nitrogen_ratio", "moisture_pct")]
    for index, one in enumerate(available):
        for figure, needed_for in _figures_lacking(one.ingredient, water, dry, density):
            how = (
                "give carbon_pct, carbon_nitrogen_ratio or volatile_solids_pct"
                if "carbon" in figure
                else "give it"
            )
            detail = f"{one.name} lacks it and {' and '.join(needed_for)} cannot be solved without; {how}"
            yield FieldError(f"/ingredients/{index}/{figure}", detail)


def _figures_lacking(
    ingredient: Ingredient, water: list[str], dry: list[str], density: list[str]
) -> Iterator[tuple[str, list[str]]]:
    if water and ingredient.moisture_pct is None:
        yield "moisture_pct", water
    if dry and not ingredient.is_all_water:
        if ingredient.nitrogen_pct is None:
            yield "nitrogen_pct", dry
        if all(getattr(ingredient, form) is None for form in CARBON_FORMS):
            yield "carbon_pct", dry
    if density and ingredient.bulk_density_kg_m3 is None:
        yield "bulk_density_kg_m3", density
