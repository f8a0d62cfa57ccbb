"""The materials of a mix as a crew meets them: brown or green, coarse or fine, in so many whole measures."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from service.domain.errors import FieldError, Invalid
from service.domain.recipes import Ingredient

from .apportioning import nearest_count
from .measures import Measure, fitting, named
from .practice import PRACTICE, Handling, handling_of
from .request import BuildRequest, Wanted


@dataclass(frozen=True, slots=True)
class Material:
    """A material, scaled to the pile, before it is counted out.

    Attributes
    ----------
    place
        Where it stands in the request.
    ingredient
        With its mass alone.
    mass_kg, volume_m3
        To be loaded; the volume loose, ``None`` without a bulk density.
    is_brown
        Laid as brown; what has no known C:N is laid as green.
    handling
        How it is prepared.
    measure
        The one asked for by name.
    """

    place: int
    ingredient: Ingredient
    mass_kg: float
    volume_m3: float | None
    is_brown: bool
    handling: Handling
    measure: Measure | None

    @property
    def ratio(self) -> float:
        """C:N for ranking; 0 when it is not known."""
        return self.ingredient.ratio or 0.0


@dataclass(frozen=True, slots=True)
class Counted:
    """A material counted out.

    Attributes
    ----------
    material
        Which.
    measure
        With what.
    count
        Whole measures in the pile.
    unit_kg, unit_m3
        One full measure.
    """

    material: Material
    measure: Measure
    count: int
    unit_kg: float
    unit_m3: float | None

    @property
    def mass_kg(self) -> float:
        """What is really loaded [kg]."""
        return self.count * self.unit_kg


def materials_of(request: BuildRequest, scale: float, masses_kg: Sequence[float]) -> list[Material]:
    """Return the solid materials of a request; water is given with the can."""
    found = []
    for place, (wanted, mass_kg) in enumerate(zip(request.wanted, masses_kg, strict=True)):
        one = wanted.ingredient
        if one.is_all_water:
            continue
        density = one.bulk_density_kg_m3
        found.append(
            Material(
                place,
                replace(one, mass_kg=mass_kg * scale, volume_m3=None),
                mass_kg * scale,
                None if density is None else mass_kg * scale / density,
                is_brown=(one.ratio or 0.0) > PRACTICE["brown_ratio"].value,
                handling=handling_of(one.name, one.category),
                measure=_asked(request, wanted, place),
            )
        )
    return found


def _asked(request: BuildRequest, wanted: Wanted, place: int) -> Measure | None:
    if wanted.measure is None:
        return None
    return named(request.measures, wanted.measure, f"/ingredients/{place}/measure")


def count_out(
    materials: Sequence[Material], measures: Sequence[Measure], layers: Sequence[int]
) -> list[Counted]:
    """Choose a measure for each material and count it out, nearest to the recipe.

    Parameters
    ----------
    materials
        To be counted.
    measures
        What the crew has.
    layers
        For each material: in how many layers it is laid; each should get a whole measure.

    Raises
    ------
    Invalid
        A material measured by volume has no bulk density, or there is less of it than half of any measure; one entry
        for each.
    """
    counted, errors = [], []
    for material, needed in zip(materials, layers, strict=True):
        density = material.ingredient.bulk_density_kg_m3
        measure = material.measure or fitting(measures, material.mass_kg, density, layers=needed)
        holds = None if measure is None else measure.holds_kg(density)
        count = 0 if holds is None else nearest_count(material.mass_kg, holds)
        if measure is None or holds is None or count == 0:
            errors.append(_uncountable(material, measures))
            continue
        unit_m3 = None if density is None else holds / density
        counted.append(Counted(material, measure, count, holds, unit_m3))
    if errors:
        raise Invalid(*errors)
    return counted


def _uncountable(material: Material, measures: Sequence[Measure]) -> FieldError:
    name = material.ingredient.name
    pointer = f"/ingredients/{material.place}"
    tried = (
        [material.measure] if material.measure is not None else [one for one in measures if one.kind != "can"]
    )
    density = material.ingredient.bulk_density_kg_m3
    if density is None and all(one.mass_kg is None for one in tried):
        detail = (
            f"{name} is measured by {' or '.join(one.name for one in tried)}, but its bulk density is not known; weigh"
            " a bucket of it and give bulk_density_kg_m3, or measure it by weight"
        )
        return FieldError(f"{pointer}/bulk_density_kg_m3", detail)
    least = min((holds for one in tried if (holds := one.holds_kg(density)) is not None), default=0.0)
    detail = (
        f"{material.mass_kg:.3g} kg of {name} is less than half of the smallest measure for it ({least:.3g} kg); add a"
        " smaller measure or a scale, or leave it out"
    )
    return FieldError(pointer, detail)
