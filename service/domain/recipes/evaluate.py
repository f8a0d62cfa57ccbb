"""Evaluating a mix: mass balances of water, nitrogen and carbon, and the loose volume."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from service.domain.errors import FieldError, Invalid

from .advice import advise
from .evaluation import Evaluation, Missing, Portion
from .figures import Bounds, faults
from .ingredient import CARBON_FORMS, Ingredient, check_amount, check_figures, refuse_faults
from .measures import free_air_space_pct
from .outlook.adding import with_outlook
from .outlook.oxygen import DECAYS
from .outlook.size import CLIMATES
from .outlook.surroundings import NOTHING_KNOWN, Surroundings

_SHRINK: Final = Bounds(
    0, 60, "give the volume lost on mixing, % of the summed loose volumes, 0 when unknown"
)
_AIR_C: Final = Bounds(-60, 60, "give the mean air temperature of the first weeks in Cel")
_PH: Final = Bounds(0, 14, "give the pH of the mix, 0 to 14")
_BAY: Final = Bounds(1e-3, 1e6, "give what the bay holds in m3")
_DENSITY_FIGURES: Final = ("volume_m3", "bulk_density_kg_m3", "free_air_space_pct")


def evaluate(
    ingredients: Sequence[Ingredient],
    *,
    mixing_shrink_pct: float | None = None,
    surroundings: Surroundings = NOTHING_KNOWN,
) -> Evaluation:
    """Work out what a mix is, and what it will do.

    Parameters
    ----------
    ingredients
        Each with ``mass_kg`` or ``volume_m3``; at least one above 0.
    mixing_shrink_pct
        Volume lost when fines fill the voids of coarse material, % of the summed loose volumes, as measured. Mass,
        water, carbon and nitrogen are conserved on mixing; volume is not. ``None``: bulk density and free air space
        are of the loose volume, and only the settled volume assumes a shrink.
    surroundings
        What is known beside the materials: air, climate, decay, pH, bay.

    Returns
    -------
    Evaluation
        Moisture is sum(m M) / sum(m); C:N is the carbon mass over the nitrogen mass (never a mean of ratios);
        bulk density is mass over volume; free air space is 100 - 0.09 BD. What an unknown figure would be needed
        for is ``None`` and listed in ``missing``.

    Raises
    ------
    Invalid
        When a figure or an amount is impossible, or every amount is 0; one entry per value.

    References
    ----------
    [1] Richard and Trautmann, Cornell Waste Management Institute, moisture and C:N of a mix.
    [2] Agnew and Leonard 2003, Compost Science & Utilization 11, free air space. From memory.
    """
    errors: list[FieldError] = []
    for index, ingredient in enumerate(ingredients):
        pointer = f"/ingredients/{index}"
        errors += check_figures(ingredient, pointer) + check_amount(ingredient, pointer)
    errors += faults("/mixing_shrink_pct", mixing_shrink_pct, _SHRINK) + _surrounding_faults(surroundings)
    refuse_faults(errors)
    if not ingredients:
        raise Invalid.field("/ingredients", "no ingredient is given; give at least one")
    if not any(ingredient.mass_kg or ingredient.volume_m3 for ingredient in ingredients):
        raise Invalid.field("/ingredients", "every amount is 0; give at least one above 0")
    return mix(ingredients, mixing_shrink_pct=mixing_shrink_pct, surroundings=surroundings)


def _surrounding_faults(surroundings: Surroundings) -> list[FieldError]:
    errors = faults("/ambient_c", surroundings.ambient_c, _AIR_C)
    errors += faults("/ph", surroundings.ph, _PH)
    errors += faults("/bay_volume_m3", surroundings.bay_volume_m3, _BAY)
    for name, value, allowed in (
        ("climate", surroundings.climate, CLIMATES),
        ("decay", surroundings.decay, DECAYS),
    ):
        if value is not None and value not in allowed:
            errors.append(FieldError(f"/{name}", f"'{value[:40]}' is not one of {', '.join(allowed)}"))
    return errors


def mix(
    ingredients: Sequence[Ingredient],
    *,
    mixing_shrink_pct: float | None = None,
    surroundings: Surroundings = NOTHING_KNOWN,
) -> Evaluation:
    """Evaluate ingredients that were checked before; see :func:`evaluate`."""
    masses = [_mass_kg(ingredient) for ingredient in ingredients]
    total = sum(masses)
    present = [(i, m) for i, m in zip(ingredients, masses, strict=True) if m > 0]
    dry = _weighted(present, [i.dry_share for i, _ in present])
    nitrogen = _weighted(present, [i.nitrogen_share for i, _ in present])
    carbon = _weighted(present, [i.carbon_share for i, _ in present])
    volume = _weighted(present, [_volume_per_kg(i) for i, _ in present])
    density = None if volume is None else total / (volume * (1 - (mixing_shrink_pct or 0.0) / 100))
    evaluation = Evaluation(
        mass_kg=total,
        dry_mass_kg=dry,
        moisture_pct=_weighted(present, [i.moisture_pct for i, _ in present], per=total),
        nitrogen_kg=nitrogen,
        carbon_kg=carbon,
        nitrogen_pct=100 * nitrogen / dry if nitrogen is not None and dry else None,
        carbon_nitrogen_ratio=_ratio(present, carbon, nitrogen),
        volume_m3=volume,
        bulk_density_kg_m3=density,
        free_air_space_pct=None if density is None else free_air_space_pct(density),
        ingredients=tuple(_portion(i, m, total) for i, m in zip(ingredients, masses, strict=True)),
    )
    evaluation = replace(evaluation, missing=tuple(_gaps(evaluation, [i for i, _ in present])))
    evaluation = with_outlook(
        evaluation, present, mixing_shrink_pct=mixing_shrink_pct, surroundings=surroundings
    )
    return replace(evaluation, advice=advise(evaluation))


def _gaps(evaluation: Evaluation, present: Sequence[Ingredient]) -> Iterator[Missing]:
    """Yield what is lacking *and* felt: a lone material's C:N is known without its nitrogen."""
    for ingredient in present:
        for lack in lacks(ingredient):
            felt = tuple(figure for figure in lack.needed_for if getattr(evaluation, figure) is None)
            if felt:
                yield replace(lack, needed_for=felt)


def lacks(ingredient: Ingredient) -> list[Missing]:
    """List the figures that an ingredient lacks, and what they are needed for."""
    found: list[Missing] = []
    if ingredient.moisture_pct is None:
        needed = ("dry_mass_kg", "moisture_pct", "carbon_nitrogen_ratio")
        found.append(Missing(ingredient.name, "moisture_pct", needed))
    if not ingredient.is_all_water:
        if ingredient.nitrogen_of_dry_pct is None:
            found.append(Missing(ingredient.name, "nitrogen_pct", ("carbon_nitrogen_ratio",)))
        if all(getattr(ingredient, form) is None for form in CARBON_FORMS):
            found.append(Missing(ingredient.name, "carbon_pct", ("carbon_nitrogen_ratio",)))
    if ingredient.bulk_density_kg_m3 is None:
        found.append(Missing(ingredient.name, "bulk_density_kg_m3", _DENSITY_FIGURES))
    return found


def _mass_kg(ingredient: Ingredient) -> float:
    if ingredient.mass_kg is not None:
        return ingredient.mass_kg
    return (ingredient.volume_m3 or 0.0) * (ingredient.bulk_density_kg_m3 or 0.0)


def _volume_per_kg(ingredient: Ingredient) -> float | None:
    density = ingredient.bulk_density_kg_m3
    return None if density is None else 1 / density


def _weighted(
    present: Sequence[tuple[Ingredient, float]], values: Sequence[float | None], *, per: float = 1.0
) -> float | None:
    """Sum mass times value; unknown as soon as one value is."""
    total = 0.0
    for (_, mass), value in zip(present, values, strict=True):
        if value is None:
            return None
        total += mass * value
    return total / per


def _ratio(
    present: Sequence[tuple[Ingredient, float]], carbon: float | None, nitrogen: float | None
) -> float | None:
    if carbon is not None and nitrogen is not None:
        return carbon / nitrogen if nitrogen > 0 else None
    # one material alone, however wetted, keeps its own ratio: neither its nitrogen nor its moisture is needed
    solids = [ingredient for ingredient, _ in present if not ingredient.is_all_water]
    return solids[0].ratio if len(solids) == 1 else None


def _portion(ingredient: Ingredient, mass: float, total: float) -> Portion:
    per_kg = _volume_per_kg(ingredient)
    return Portion(
        name=ingredient.name,
        mass_kg=mass,
        volume_m3=None if per_kg is None else mass * per_kg,
        share_of_mass_pct=100 * mass / total,
        moisture_pct=ingredient.moisture_pct,
        nitrogen_pct=ingredient.nitrogen_of_dry_pct,
        carbon_pct=ingredient.carbon_of_dry_pct,
        carbon_nitrogen_ratio=ingredient.ratio,
        bulk_density_kg_m3=ingredient.bulk_density_kg_m3,
        category=ingredient.category,
        origins=ingredient.origins,
    )
