"""What is asked of the solver, checked: every refusal a request can earn."""

from collections.abc import Iterator, Sequence
from typing import Final

from service.domain.errors import FieldError, Invalid

from .figures import Bounds, faults, plain
from .ingredient import refuse_faults
from .quotients import QUOTIENTS, REMEDIES, lacking
from .request_materials import check_material
from .wanted import (
    PREFERENCES,
    WATER,
    Amount,
    Available,
    Choice,
    Measure,
    Preference,
    Range,
    Targets,
)

__all__ = [
    "MOST_INGREDIENTS",
    "WATER",
    "Amount",
    "Available",
    "Choice",
    "Measure",
    "Preference",
    "Range",
    "Targets",
    "check",
]

MOST_INGREDIENTS: Final = 100
MOST_WHOLE: Final = 25
"""More kinds of whole measures than this and the search for the best is no longer a matter of milliseconds."""
MOST_ALTERNATIVES: Final = 5
MOST_TO_BUY: Final = 30

_MASS_WANTED: Final = Bounds(1e-6, 1e9, "give the wanted mass in kg, above 0")
_VOLUME_WANTED: Final = Bounds(1e-6, 1e6, "give the wanted volume in m3, above 0")
_COUNT: Final = Bounds(1e-6, 1e6, "give how many of that ingredient's own measure, above 0")
_SURPLUS: Final = Bounds(0, 100, "give how much more than asked may be made, %")
_SHRINK: Final = Bounds(
    0, 60, "give the volume lost on mixing, % of the summed loose volumes, 0 when unknown"
)
_WITHIN: Final = Bounds(0, 100, "give how much worse another mix may be, %")


def check(
    available: Sequence[Available],
    targets: Targets,
    amount: Amount,
    *,
    allow_water: bool,
    choice: Choice | None = None,
) -> None:
    """Refuse a request that cannot be meant.

    Raises
    ------
    Invalid
        One entry per value, each pointing into the request: impossible figures, contradictory targets, shares or
        stock, an unknown ``of``, names used twice, a figure that a target or a measure needs and an ingredient
        lacks, prices for some ingredients only, whole measures of what has no measure, a preference without what
        it goes by.
    """
    choice = choice or Choice()
    if not available:
        raise Invalid.field("/ingredients", "no ingredient is given; give at least one")
    if len(available) > MOST_INGREDIENTS:
        detail = f"{len(available)} ingredients are given; give at most {MOST_INGREDIENTS}"
        raise Invalid.field("/ingredients", detail)
    errors = [
        *_check_targets(targets),
        *_check_amount(available, amount),
        *_check_names(available, allow_water=allow_water),
        *_check_choice(available, choice),
    ]
    for index, one in enumerate(available):
        errors += check_material(one, f"/ingredients/{index}")
    for index, one in enumerate(choice.may_buy or ()):
        errors += check_material(one, f"/may_buy/{index}")
    refuse_faults(errors)
    refuse_faults(
        [
            *_check_costs(available, amount),
            *_check_spoilage(available, amount),
            *_check_needs(available, targets, amount),
        ]
    )


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
            *faults(f"{pointer}/min", wanted.min, QUOTIENTS[name].bounds),
            *faults(f"{pointer}/max", wanted.max, QUOTIENTS[name].bounds),
        ]
        yield from bad
        if not bad and wanted.min is not None and wanted.max is not None and wanted.min > wanted.max:
            detail = f"min {plain(wanted.min)} is above max {plain(wanted.max)}; swap or widen them"
            yield FieldError(f"{pointer}/min", detail)


def _check_amount(available: Sequence[Available], amount: Amount) -> Iterator[FieldError]:
    if [amount.volume_m3, amount.mass_kg, amount.measures].count(None) != 2:  # noqa: PLR2004 - two of three
        detail = "give exactly one of volume_m3 and mass_kg, or of with mass_kg or measures"
        yield FieldError("/amount", detail)
        return
    yield from faults("/amount/volume_m3", amount.volume_m3, _VOLUME_WANTED)
    yield from faults("/amount/mass_kg", amount.mass_kg, _MASS_WANTED)
    yield from faults("/amount/measures", amount.measures, _COUNT)
    yield from faults("/amount/surplus_pct", amount.surplus_pct, _SURPLUS)
    if amount.of is None:
        if amount.measures is not None:
            yield FieldError("/amount/of", "measures of what is not said; name the ingredient")
        return
    if amount.volume_m3 is not None:
        yield FieldError("/amount/volume_m3", "of goes with mass_kg; give the mass of that ingredient")
    named = [one for one in available if one.name == amount.of]
    if not named:
        listed = ", ".join(one.name for one in available)
        yield FieldError("/amount/of", f"'{amount.of}' is not among the ingredients: {listed}")
    elif amount.measures is not None and named[0].measure is None:
        detail = f"{amount.of} has no measure to count in; give its measure, or mass_kg"
        yield FieldError("/amount/measures", detail)


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


def _check_choice(available: Sequence[Available], choice: Choice) -> Iterator[FieldError]:
    if choice.prefer is not None and choice.prefer not in PREFERENCES:
        listed = ", ".join(PREFERENCES)
        yield FieldError("/prefer", f"'{choice.prefer}' is not one of {listed}")
    if choice.prefer == "cost" and all(one.cost_per_kg is None for one in available):
        yield FieldError(
            "/prefer", "cost cannot come first without prices; give cost_per_kg, or leave it out"
        )
    if choice.prefer == "spoilage" and all(one.spoils_in_days is None for one in available):
        detail = "spoilage cannot come first when nothing spoils; give spoils_in_days or spoils_on, or leave it out"
        yield FieldError("/prefer", detail)
    if not 0 <= choice.alternatives <= MOST_ALTERNATIVES:
        detail = f"{choice.alternatives} is not between 0 and {MOST_ALTERNATIVES}; ask for fewer other mixes"
        yield FieldError("/alternatives", detail)
    yield from faults("/within_pct", choice.within_pct, _WITHIN)
    yield from faults("/mixing_shrink_pct", choice.mixing_shrink_pct, _SHRINK)
    if choice.may_buy is not None and len(choice.may_buy) > MOST_TO_BUY:
        yield FieldError("/may_buy", f"{len(choice.may_buy)} materials are given; give at most {MOST_TO_BUY}")
    whole = [index for index, one in enumerate(available) if one.whole]
    if len(whole) > MOST_WHOLE:
        detail = f"{len(whole)} ingredients are to be whole; at most {MOST_WHOLE} can be, so leave whole out of some"
        yield FieldError(f"/ingredients/{whole[MOST_WHOLE]}/whole", detail)


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


def _check_spoilage(available: Sequence[Available], amount: Amount) -> Iterator[FieldError]:
    for index, one in enumerate(available):
        if one.spoils_in_days is not None and one.max_kg is None and amount.of not in (None, one.name):
            detail = (
                f"as much of {one.name} as can be is to go in before it spoils, and around a given mass of"
                f" {amount.of} that has no end; give max_kg, what there is of it"
            )
            yield FieldError(f"/ingredients/{index}/max_kg", detail)


def _check_needs(available: Sequence[Available], targets: Targets, amount: Amount) -> Iterator[FieldError]:
    """Find the figures that the targets, shares, measures or the amount need and an ingredient lacks."""
    asked = [name for name, _ in targets.given()]
    by_volume = [f"a share of volume of {one.name}" for one in available if _bounds_volume(one)]
    if amount.volume_m3 is not None:
        by_volume.append("an amount by volume")
    for index, one in enumerate(available):
        needed: dict[str, list[str]] = {}
        for name in asked:
            for figure in lacking(one.ingredient, QUOTIENTS[name]):
                needed.setdefault(figure, []).append(name)
        if one.ingredient.bulk_density_kg_m3 is None:
            if by_volume:
                needed.setdefault("bulk_density_kg_m3", []).extend(by_volume)
            if one.measure is not None and one.measure.mass_kg is None:
                needed.setdefault("bulk_density_kg_m3", []).append(
                    f"a measure of {one.measure.name}s by volume"
                )
        for figure, needed_for in needed.items():
            how = REMEDIES.get(figure, "give it")
            detail = f"{one.name} lacks it and {' and '.join(needed_for)} cannot be solved without; {how}"
            yield FieldError(f"/ingredients/{index}/{figure}", detail)


def _bounds_volume(one: Available) -> bool:
    return one.min_share_of_volume_pct is not None or one.max_share_of_volume_pct is not None
