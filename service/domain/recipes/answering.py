"""From a point of the programme to a mix in kilograms, litres and barrows."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from .evaluate import mix
from .evaluation import Evaluation
from .linear import Vector
from .programme import Programme
from .solution import Load
from .wanted import WATER, Available, Request

_DUST: Final = 1e-9
"""A share of the amount too small to be more than round-off."""


def cleaned(kg: Vector, programme: Programme) -> Vector:
    """Return a point without round-off."""
    bounded = np.clip(kg, programme.lower, programme.upper)
    return np.where((kg < _DUST) & (programme.lower == 0), 0.0, bounded)


def recipe_of(kg: Vector, programme: Programme, request: Request) -> tuple[Evaluation, float]:
    """Evaluate a point, in the order of the request; water comes last, when there is any.

    Returns
    -------
    tuple
        The mix, and the litres of water added.
    """
    masses = masses_of(kg, programme)
    water = masses[WATER.name] if programme.has_water else 0.0
    portions = [replace(one.ingredient, mass_kg=masses[one.name]) for one in request.available]
    if water > 0:
        portions.append(replace(WATER, mass_kg=water))
    return mix(portions, mixing_shrink_pct=request.choice.mixing_shrink_pct), water


def masses_of(kg: Vector, programme: Programme) -> dict[str, float]:
    """Return the mass of each material in kg, by name."""
    point = cleaned(kg, programme) * programme.scale_kg
    return {one.name: float(mass) for one, mass in zip(programme.materials, point, strict=True)}


def cost_of(recipe: Evaluation, available: Sequence[Available]) -> float | None:
    """Return what a recipe costs; ``None`` without prices."""
    if any(one.cost_per_kg is None for one in available):
        return None
    made = zip(available, recipe.ingredients, strict=False)
    return sum((one.cost_per_kg or 0.0) * portion.mass_kg for one, portion in made)


def loads_of(recipe: Evaluation, available: Sequence[Available]) -> tuple[Load, ...]:
    """Count a recipe in measures."""
    found: list[Load] = []
    for one, portion in zip(available, recipe.ingredients, strict=False):
        kg = one.measure_kg
        if one.measure is None or not kg:
            continue
        count = portion.mass_kg / kg
        density = one.ingredient.bulk_density_kg_m3
        litres = one.measure.volume_l or (None if density is None else 1000 * kg / density)
        whole = float(round(count)) if one.whole else count
        found.append(Load(one.name, one.measure.name, whole, one.whole, kg, litres))
    return tuple(found)
