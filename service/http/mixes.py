"""A mix as it is sent and as it is answered: materials, evaluations, advice."""

from dataclasses import replace

from pydantic import Field

from service.domain.errors import Invalid
from service.domain.recipes import Ingredient, find, overlay
from service.http.feedstocks import FiguresIn
from service.http.values import Amount as NotNegative
from service.http.values import FeedstockCode, Name, Out


class MaterialIn(FiguresIn):
    """A material, by figures of its own or by a feedstock's code; figures given win over the feedstock's."""

    name: Name | None = None
    feedstock: FeedstockCode | None = Field(default=None, description="A code of the shipped library.")


class IngredientIn(MaterialIn):
    """A material and how much of it: a mass, or a loose volume with its bulk density."""

    mass_kg: NotNegative | None = None
    volume_m3: NotNegative | None = None


class PortionOut(Out):
    """One ingredient as it went into the mix, with the figures used."""

    name: str
    mass_kg: float
    volume_m3: float | None
    share_of_mass_pct: float
    moisture_pct: float | None
    nitrogen_pct: float | None
    carbon_pct: float | None
    carbon_nitrogen_ratio: float | None
    bulk_density_kg_m3: float | None
    category: str | None


class MissingOut(Out):
    """A figure that an ingredient lacks, and what stays unknown for want of it."""

    ingredient: str
    figure: str
    needed_for: list[str]


class AdviceOut(Out):
    """One thing to know or to do, with the range and its source."""

    about: str
    is_fine: bool
    text: str


class EvaluationOut(Out):
    """What is known of a mix; null is unknown, never 0."""

    mass_kg: float
    dry_mass_kg: float | None
    moisture_pct: float | None
    nitrogen_kg: float | None
    carbon_kg: float | None
    nitrogen_pct: float | None
    carbon_nitrogen_ratio: float | None
    volume_m3: float | None
    bulk_density_kg_m3: float | None
    free_air_space_pct: float | None
    ingredients: list[PortionOut]
    missing: list[MissingOut]
    advice: list[AdviceOut]


def ingredient_of(
    one: MaterialIn, pointer: str, *, mass_kg: float | None = None, volume_m3: float | None = None
) -> Ingredient:
    """Return a material with the library's figures under its own."""
    given = {name: getattr(one, name) for name in FiguresIn.model_fields}
    if one.feedstock is not None:
        shipped = find(one.feedstock, f"{pointer}/feedstock").ingredient(mass_kg=mass_kg, volume_m3=volume_m3)
        return replace(overlay(shipped, **given), name=one.name or shipped.name)
    if one.name is None:
        raise Invalid.field(f"{pointer}/name", "an ingredient needs a name, or a feedstock code")
    return Ingredient(name=one.name, mass_kg=mass_kg, volume_m3=volume_m3, **given)
