"""A mix as it is sent and as it is answered: materials, evaluations, advice."""

from collections.abc import Sequence
from typing import Annotated, Final, Literal
from uuid import UUID

from pydantic import Field

from service.domain.authority import Caller
from service.domain.recipes import Ingredient
from service.http.feedstocks import FiguresIn
from service.http.outlooks import (
    AirSpaceOut,
    EnergyOut,
    NitrogenLossOut,
    OxygenOut,
    PileSizeOut,
    SettlingOut,
    ShrinkOut,
    UnknownOut,
)
from service.http.values import Amount as NotNegative
from service.http.values import FeedstockCode, Name, Out
from service.operations import recipes
from service.operations.recipes import NOTHING_OWN, OwnMaterials
from service.storage.database import Database as Record

_FIGURES: Final = tuple(FiguresIn.model_fields)


SiteOfMix = Annotated[
    UUID | None,
    Field(
        description="Whose own feedstocks and analyses count too; the key's own site when it is limited to one."
    ),
]


class MaterialIn(FiguresIn):
    """A material, by figures of its own or by a feedstock's code; figures given win over the feedstock's."""

    name: Name | None = None
    feedstock: FeedstockCode | None = Field(
        default=None, description="A code of the organisation's own feedstocks, else of the shipped library."
    )


class IngredientIn(MaterialIn):
    """A material and how much of it: a mass, or a loose volume with its bulk density."""

    mass_kg: NotNegative | None = None
    volume_m3: NotNegative | None = None


class SourceOut(Out):
    """Where a figure in use came from; for ``derived`` ones the figures it follows from."""

    from_: Literal["given", "analysis", "feedstock", "library", "derived", "recipe"] = Field(
        validation_alias="came_from", serialization_alias="from"
    )
    source: str
    status: str = Field(
        description="read, second-hand, from memory, low confidence or definition for a published figure; measured;"
        " given."
    )
    low: float | None
    high: float | None
    plus_minus: float | None
    analysis_id: UUID | None
    note: str


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
    sources: dict[str, SourceOut] = Field(
        validation_alias="origins", description="Where each figure of the material came from, by its name."
    )


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
    biodegradable_carbon_nitrogen_ratio: float | None
    volatile_solids_kg: float | None
    volatile_solids_pct: float | None
    volatile_solids_from_carbon: bool | None
    biodegradable_solids_kg: float | None
    settled_volume_m3: float | None
    settling: SettlingOut | None
    air_space: AirSpaceOut | None
    energy: EnergyOut | None
    first_week_oxygen: OxygenOut | None
    nitrogen_loss: NitrogenLossOut | None
    shrink: ShrinkOut | None
    pile_size: PileSizeOut | None
    ingredients: list[PortionOut]
    missing: list[MissingOut]
    reasons: list[UnknownOut] = Field(description="Why a figure beside those of missing is null.")
    advice: list[AdviceOut]


def own_materials(
    database: Record, caller: Caller, ingredients: Sequence[MaterialIn], site_id: UUID | None
) -> OwnMaterials:
    """Return the organisation's own materials among those of a mix; a mix of figures alone touches no record."""
    codes = [one.feedstock for one in ingredients if one.feedstock is not None]
    if not codes and site_id is None:
        return NOTHING_OWN
    with database.begin(caller.organisation_id) as session:
        return recipes.own_materials(session, caller, codes, site_id=site_id)


def ingredient_of(
    one: MaterialIn,
    pointer: str,
    own: OwnMaterials = NOTHING_OWN,
    *,
    mass_kg: float | None = None,
    volume_m3: float | None = None,
) -> Ingredient:
    """Return a material with the figures of its feedstock under its own."""
    given = {name: value for name in _FIGURES if (value := getattr(one, name)) is not None}
    return recipes.ingredient_of(
        given, pointer, own, name=one.name, code=one.feedstock, mass_kg=mass_kg, volume_m3=volume_m3
    )
