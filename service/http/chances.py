"""Mixes whose figures are in doubt: how likely they meet their targets, and the mix that is likeliest to."""

from collections.abc import Sequence
from dataclasses import asdict, replace
from typing import Any, Literal

from fastapi import APIRouter
from pydantic import Field

from service.domain.errors import FieldError, Invalid
from service.domain.recipes import Amount, Available, Ingredient, Measure, Range, Targets
from service.domain.recipes.chances import (
    MOST_MATERIALS,
    POSSIBLE,
    Robust,
    Stated,
    Uncertain,
    estimate,
    material,
    read_figures,
    solve_robustly,
)
from service.http.authority import CanRead, Database
from service.http.chances_models import (
    AtHandIn,
    ChancesOut,
    DoubtfulIn,
    DrawsIn,
    JudgedMixOut,
    LoadedIn,
    NominalOut,
    ScenariosOut,
    StatedIn,
)
from service.http.mixes import EvaluationOut, SiteOfMix
from service.http.solving import AmountIn, RangeIn
from service.http.solving_models import ConflictOut
from service.http.values import Flag, In, Out, shown_as
from service.operations import recipes
from service.operations.recipes import OwnMaterials

router = APIRouter(tags=["recipes"])


class WantedIn(In):
    """What the mix must be."""

    carbon_nitrogen_ratio: RangeIn | None = None
    moisture_pct: RangeIn | None = None
    free_air_space_pct: RangeIn | None = None
    bulk_density_kg_m3: RangeIn | None = None
    nitrogen_pct: RangeIn | None = None

    def to_targets(self) -> Targets:
        """Return what was asked."""
        asked = {name: getattr(self, name) for name in WantedIn.model_fields}
        return Targets(
            **{name: None if one is None else Range(one.min, one.max) for name, one in asked.items()}
        )


class ChancesIn(DrawsIn):
    """A mix in doubt, and what it must be."""

    model_config = shown_as(
        {
            "ingredients": [
                {"feedstock": "horse-manure", "volume_m3": {"value": 0.5, "plus_minus": 0.05}},
                {
                    "feedstock": "leaves-compacted-moist",
                    "mass_kg": 120,
                    "moisture_pct": {"value": 35, "method": "squeeze"},
                    "carbon_nitrogen_ratio": {"low": 40, "high": 80},
                },
            ],
            "targets": {
                "carbon_nitrogen_ratio": {"min": 25, "max": 40},
                "moisture_pct": {"min": 50, "max": 65},
            },
            "seed": 7,
        }
    )

    site_id: SiteOfMix = None
    ingredients: list[LoadedIn] = Field(min_length=1, max_length=100)
    targets: WantedIn


class RobustIn(DrawsIn):
    """Materials in doubt, what the mix must be, and how much of it."""

    model_config = shown_as(
        {
            "ingredients": [
                {"feedstock": "horse-manure", "moisture_pct": {"low": 65, "high": 78}},
                {"feedstock": "leaves-compacted-moist", "max_kg": 400},
                {"feedstock": "straw", "max_share_of_volume_pct": 50},
            ],
            "targets": {
                "carbon_nitrogen_ratio": {"min": 25, "max": 40},
                "moisture_pct": {"min": 50, "max": 65},
            },
            "amount": {"volume_m3": 1.5},
            "allow_water": True,
        }
    )

    site_id: SiteOfMix = None
    ingredients: list[AtHandIn] = Field(min_length=1, max_length=MOST_MATERIALS)
    targets: WantedIn
    amount: AmountIn
    allow_water: Flag = False


class RobustOut(Out):
    """The mix likeliest to meet every target, judged on draws it was not sought with."""

    state: Literal["solved", "time_limit", "infeasible"] = Field(
        description="time_limit: the programme could not be finished in its time, so that a better mix is not ruled"
        " out; infeasible: stock, shares and amount leave no mix."
    )
    chosen: Literal["robust", "nominal"] | None = Field(
        description="nominal: no likelier mix was found than the one that solving finds."
    )
    recipe: EvaluationOut | None
    water_l: float | None
    chances: ChancesOut | None
    nominal: NominalOut | None
    scenarios: ScenariosOut | None
    conflicts: list[ConflictOut]
    objective: str


@router.post("/recipes/chances", response_model=JudgedMixOut)
def estimate_chances(body: ChancesIn, caller: CanRead, database: Database) -> dict[str, Any]:
    """Estimate how likely a mix meets its targets, and say what to measure to know better."""
    with database.begin(caller.organisation_id) as session:
        own = recipes.own_materials(session, caller, _codes(body.ingredients), site_id=body.site_id)
    recipe, chances = estimate(
        _materials(body.ingredients, own), body.targets.to_targets(), seed=body.seed, draws=body.draws
    )
    return {**asdict(chances), "recipe": recipe}


@router.post("/recipes/robust", response_model=RobustOut)
def solve_recipe_robustly(body: RobustIn, caller: CanRead, database: Database) -> Robust:
    """Find the mix that is likeliest to meet every target, and judge it beside the nominal one."""
    with database.begin(caller.organisation_id) as session:
        own = recipes.own_materials(session, caller, _codes(body.ingredients), site_id=body.site_id)
    materials = _materials(body.ingredients, own)
    return solve_robustly(
        materials,
        [_available(one, held) for one, held in zip(materials, body.ingredients, strict=True)],
        body.targets.to_targets(),
        Amount(**body.amount.model_dump()),
        allow_water=body.allow_water,
        seed=body.seed,
        draws=body.draws,
    )


def _codes(ingredients: Sequence[DoubtfulIn]) -> list[str]:
    return [one.feedstock for one in ingredients if one.feedstock is not None]


def _materials(ingredients: Sequence[DoubtfulIn], own: OwnMaterials) -> list[Uncertain]:
    """Return the materials with their distributions, or everything that is wrong with them."""
    made: list[Uncertain] = []
    errors: list[FieldError] = []
    for place, one in enumerate(ingredients):
        pointer = f"/ingredients/{place}"
        given = {name: _stated(value) for name in POSSIBLE if (value := getattr(one, name, None)) is not None}
        figures, wrong = read_figures(given, pointer)
        errors += wrong
        try:
            made.append(material(figures, _under(one, pointer, own)))
        except Invalid as error:
            errors += error.errors
    if errors:
        raise Invalid(*errors)
    return made


def _stated(value: StatedIn) -> Stated:
    return Stated(**value.model_dump())


def _under(one: DoubtfulIn, pointer: str, own: OwnMaterials) -> Ingredient:
    """Return what is known of a material before the figures given."""
    if one.feedstock is None:
        if one.name is None:
            raise Invalid.field(f"{pointer}/name", "an ingredient needs a name, or a feedstock code")
        return Ingredient(one.name)
    found = recipes.material_of(one.feedstock, f"{pointer}/feedstock", own)
    return replace(found, name=one.name or found.name)


def _available(one: Uncertain, held: AtHandIn) -> Available:
    bounds = held.model_dump(include=set(AtHandIn.model_fields) - set(DoubtfulIn.model_fields) - {"measure"})
    measure = None if held.measure is None else Measure(**held.measure.model_dump())
    return Available(one.nominal(), measure=measure, **bounds)
