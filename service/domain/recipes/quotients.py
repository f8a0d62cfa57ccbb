"""The figures of a mix that may be targets: each is one weighted sum of masses over another, hence linear to bound."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from .figures import MOISTURE, PERCENT_OF_DRY, RATIO, Bounds
from .ingredient import CARBON_FORMS, Ingredient
from .outlook.process import PROCESS
from .outlook.solids import reachable_share

AIR_SLOPE: Final = 0.09
"""Of the line 100 - 0.09 BD (Agnew and Leonard 2003, from memory)."""

_AIR: Final = Bounds(0, 100, "give free air space as a percentage of volume")
_HEAT_WANTED: Final = Bounds(1e-3, 1e6, "give cal per g of water, above 0: 700 is ample, below 600 is short")
_DENSITY_WANTED: Final = Bounds(1e-3, 5000, "give bulk density in kg/m3, above 0")

Weight = Callable[[Ingredient, float], float | None]
"""From an ingredient and its loose volume [m3/kg], what each kg of it adds to a sum; ``None`` when not known."""


@dataclass(frozen=True, slots=True)
class Quotient:
    """A figure of a mix, ``sum(over * kg) / sum(under * kg)``.

    Attributes
    ----------
    label, unit
        In words; the unit with its space before it.
    over, under
        The weights.
    needs
        Fields of the ingredient that the weights rest on.
    bounds
        What a target may be.
    raise_by, lower_by
        What to do when the figure cannot be as high, or as low, as is asked.
    void
        What is missing when the lower sum is 0 whatever the mix, and what to do about it.
    """

    label: str
    unit: str
    over: Weight
    under: Weight
    needs: tuple[str, ...]
    bounds: Bounds
    raise_by: str
    lower_by: str
    void: tuple[str, str] = ("", "")


def _one(_ingredient: Ingredient, _per_kg: float) -> float:
    return 1.0


def _per_kg(_ingredient: Ingredient, per_kg: float) -> float:
    return per_kg


def _moisture(ingredient: Ingredient, _per_kg: float) -> float | None:
    return ingredient.moisture_pct


def _air(_ingredient: Ingredient, per_kg: float) -> float:
    return 100 * per_kg - AIR_SLOPE


def _carbon(ingredient: Ingredient, _per_kg: float) -> float | None:
    return ingredient.carbon_share


def _nitrogen(ingredient: Ingredient, _per_kg: float) -> float | None:
    return ingredient.nitrogen_share


def _nitrogen_of_hundred(ingredient: Ingredient, _per_kg: float) -> float | None:
    share = ingredient.nitrogen_share
    return None if share is None else 100 * share


def _dry(ingredient: Ingredient, _per_kg: float) -> float | None:
    return ingredient.dry_share


def _volatile(ingredient: Ingredient, _per_kg: float) -> float | None:
    if ingredient.is_all_water:
        return 0.0
    dry, volatile = ingredient.dry_share, ingredient.volatile_solids_of_dry_pct
    return None if dry is None or volatile is None else dry * volatile


def _reachable_carbon(ingredient: Ingredient, _per_kg: float) -> float | None:
    carbon = ingredient.carbon_share
    if not carbon:
        return carbon
    share = reachable_share(ingredient)
    return None if share is None else carbon * share


def _heat(ingredient: Ingredient, per_kg: float) -> float | None:
    """Return the heat of what microbes can take, with the usual share where no lignin is known, as evaluating does."""
    volatile, share = _volatile(ingredient, per_kg), reachable_share(ingredient)
    if volatile is None:
        return None
    usual = PROCESS["biodegradable_share"].value
    return PROCESS["energy_cal_per_g"].value * volatile / 100 * (usual if share is None else share)


def _water(ingredient: Ingredient, _per_kg: float) -> float | None:
    return None if ingredient.moisture_pct is None else ingredient.moisture_pct / 100


_NO_NITROGEN: Final = (
    "Nothing that may go in holds nitrogen worth counting",
    "add a green material, a manure or a nitrogen fertiliser",
)
_NO_DRY: Final = ("Nothing that may go in holds dry matter", "add something besides water")
_NO_WATER: Final = ("Nothing that may go in holds water", "allow water, or add a moist material")

QUOTIENTS: Final[Mapping[str, Quotient]] = MappingProxyType(
    {
        "carbon_nitrogen_ratio": Quotient(
            label="C:N",
            unit="",
            over=_carbon,
            under=_nitrogen,
            needs=("moisture_pct", "nitrogen_pct", "carbon_pct"),
            bounds=RATIO,
            raise_by="add a browner material: dry leaves, straw, wood chips",
            lower_by="add a greener material: grass, food scraps, manure",
            void=_NO_NITROGEN,
        ),
        "moisture_pct": Quotient(
            label="moisture",
            unit=" %",
            over=_moisture,
            under=_one,
            needs=("moisture_pct",),
            bounds=MOISTURE,
            raise_by="add a wetter material, or allow water",
            lower_by="add a drier material: straw, dry leaves, wood chips, or let the wet one drain",
        ),
        "free_air_space_pct": Quotient(
            label="free air space",
            unit=" %",
            over=_air,
            under=_per_kg,
            needs=("bulk_density_kg_m3",),
            bounds=_AIR,
            raise_by="add a coarse, light material: wood chips, straw",
            lower_by="add a denser material, or chop the coarse one",
        ),
        "bulk_density_kg_m3": Quotient(
            label="bulk density",
            unit=" kg/m3",
            over=_one,
            under=_per_kg,
            needs=("bulk_density_kg_m3",),
            bounds=_DENSITY_WANTED,
            raise_by="add a denser material, or chop the coarse one",
            lower_by="add a coarse, light material: wood chips, straw",
        ),
        "volatile_solids_pct": Quotient(
            label="volatile solids",
            unit=" %",
            over=_volatile,
            under=_dry,
            needs=("moisture_pct", "volatile_solids_pct"),
            bounds=PERCENT_OF_DRY,
            raise_by="add a material of less ash: straw, leaves, wood chips",
            lower_by="add a material of more ash: soil, old manure, finished compost",
            void=_NO_DRY,
        ),
        "nitrogen_pct": Quotient(
            label="nitrogen",
            unit=" %",
            over=_nitrogen_of_hundred,
            under=_dry,
            needs=("moisture_pct", "nitrogen_pct"),
            bounds=PERCENT_OF_DRY,
            raise_by="add a greener material: grass, food scraps, manure",
            lower_by="add a browner material: dry leaves, straw, wood chips",
            void=_NO_DRY,
        ),
        "biodegradable_carbon_nitrogen_ratio": Quotient(
            label="biodegradable C:N",
            unit="",
            over=_reachable_carbon,
            under=_nitrogen,
            needs=("moisture_pct", "nitrogen_pct", "carbon_pct", "lignin_pct"),
            bounds=RATIO,
            raise_by="add a browner material that rots: dry leaves, straw, paper",
            lower_by="add a greener material: grass, food scraps, manure",
            void=_NO_NITROGEN,
        ),
        "energy_cal_per_g_water": Quotient(
            label="energy",
            unit=" cal/g of water",
            over=_heat,
            under=_water,
            needs=("moisture_pct", "volatile_solids_pct"),
            bounds=_HEAT_WANTED,
            raise_by="add a dry material that rots: straw, hay, dry manure; or less water",
            lower_by="add water or a wetter material",
            void=_NO_WATER,
        ),
    }
)

_KNOWN: Final[Mapping[str, Callable[[Ingredient], bool]]] = MappingProxyType(
    {
        "moisture_pct": lambda one: one.moisture_pct is not None,
        "nitrogen_pct": lambda one: one.is_all_water or one.nitrogen_of_dry_pct is not None,
        "carbon_pct": lambda one: (
            one.is_all_water or any(getattr(one, form) is not None for form in CARBON_FORMS)
        ),
        "volatile_solids_pct": lambda one: one.is_all_water or one.volatile_solids_of_dry_pct is not None,
        "bulk_density_kg_m3": lambda one: one.bulk_density_kg_m3 is not None,
        "lignin_pct": lambda one: not one.carbon_share or reachable_share(one) is not None,
    }
)


def lacking(ingredient: Ingredient, quotient: Quotient) -> Iterator[str]:
    """Yield the fields that a figure needs and an ingredient lacks."""
    return (need for need in quotient.needs if not _KNOWN[need](ingredient))


REMEDIES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "carbon_pct": "give carbon_pct, carbon_nitrogen_ratio or volatile_solids_pct",
        "volatile_solids_pct": "give it, or the carbon",
        "lignin_pct": "give it, with lignin_method 'van_soest'; Klason lignin does not fit the formula",
    }
)
"""How to fill a gap, where naming the field does not say it."""
