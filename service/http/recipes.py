"""Recipes: evaluating and solving a mix (touching no record), and recipes on record."""

from dataclasses import replace
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.errors import Invalid
from service.domain.recipes import (
    Amount,
    Available,
    Evaluation,
    Ingredient,
    Range,
    Solution,
    Targets,
    evaluate,
    find,
    overlay,
    solve,
)
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, IfMatch, Limit, PageOut, answer, etag
from service.http.feedstocks import FiguresIn
from service.http.values import Amount as NotNegative
from service.http.values import Code, Flag, In, Instant, Name, Note, Number, Out, omitted
from service.operations import recipes
from service.storage import recipes as stored
from service.storage import records
from service.storage.tables import RecipeRow

router = APIRouter(tags=["recipes"])

Ratio = Annotated[Number, Field(gt=0, le=10_000)]
Density = Annotated[Number, Field(gt=0, le=5_000)]


class MaterialIn(FiguresIn):
    """A material, by figures of its own or by a feedstock's code; figures given win over the feedstock's."""

    name: Name | None = None
    feedstock: Code | None = Field(default=None, description="A code of the shipped library.")


class IngredientIn(MaterialIn):
    """A material and how much of it: a mass, or a loose volume with its bulk density."""

    mass_kg: NotNegative | None = None
    volume_m3: NotNegative | None = None


class EvaluateIn(In):
    """A mix."""

    ingredients: list[IngredientIn] = Field(min_length=1, max_length=100)


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


class RangeIn(In):
    """From min to max; either may be left open."""

    min: Number | None = None
    max: Number | None = None


class TargetsIn(In):
    """What the mix must be."""

    carbon_nitrogen_ratio: RangeIn | None = None
    moisture_pct: RangeIn | None = None
    free_air_space_pct: RangeIn | None = None
    bulk_density_kg_m3: RangeIn | None = None


class AmountIn(In):
    """How much to make: a loose volume, a mass, or the mass of one of the ingredients."""

    volume_m3: NotNegative | None = None
    mass_kg: NotNegative | None = None
    of: Name | None = None


class AvailableIn(MaterialIn):
    """A material at hand."""

    min_kg: NotNegative | None = None
    max_kg: NotNegative | None = None
    cost_per_kg: Number | None = None


class SolveIn(In):
    """Materials at hand, targets and an amount."""

    ingredients: list[AvailableIn] = Field(min_length=1, max_length=100)
    targets: TargetsIn
    amount: AmountIn
    allow_water: Flag = False


class ConflictOut(Out):
    """A target or stock limit that takes part in the contradiction."""

    target: str
    reached: float | None
    needed: float | None
    because: str


class ViolationOut(Out):
    """A limit the nearest mix misses, and by how much."""

    target: str
    reached: float | None
    needed: float | None


class NearestMixOut(Out):
    """The mix of least relative violation."""

    recipe: EvaluationOut
    water_l: float
    violations: list[ViolationOut]


class SolutionOut(Out):
    """The mix that meets the targets; or why none does, and the nearest."""

    state: Literal["solved", "infeasible"]
    recipe: EvaluationOut | None
    water_l: float | None
    cost: float | None
    objective: str
    conflicts: list[ConflictOut]
    nearest: NearestMixOut | None


@router.post("/recipes/evaluate", response_model=EvaluationOut)
def evaluate_recipe(body: EvaluateIn, caller: CanRead) -> Evaluation:  # noqa: ARG001 - the key is what is checked
    """Evaluate a mix."""
    return evaluate(
        [
            _ingredient(one, f"/ingredients/{place}", mass_kg=one.mass_kg, volume_m3=one.volume_m3)
            for place, one in enumerate(body.ingredients)
        ]
    )


@router.post("/recipes/solve", response_model=SolutionOut)
def solve_recipe(body: SolveIn, caller: CanRead) -> Solution:  # noqa: ARG001 - the key is what is checked
    """Find amounts that meet targets, or say why there are none."""
    available = [
        Available(
            _ingredient(one, f"/ingredients/{place}"),
            min_kg=one.min_kg,
            max_kg=one.max_kg,
            cost_per_kg=one.cost_per_kg,
        )
        for place, one in enumerate(body.ingredients)
    ]
    targets = Targets(
        **{
            name: None if asked is None else Range(asked.min, asked.max)
            for name in TargetsIn.model_fields
            for asked in [getattr(body.targets, name)]
        }
    )
    amount = Amount(volume_m3=body.amount.volume_m3, mass_kg=body.amount.mass_kg, of=body.amount.of)
    return solve(available, targets, amount, allow_water=body.allow_water)


def _ingredient(
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


class RecipeIn(In):
    """A mix to keep; feedstock codes may be the organisation's own, whose newest analysis then counts."""

    name: Name
    note: Note | None = None
    ingredients: list[IngredientIn] = Field(min_length=1, max_length=100)


class RecipeChange(In):
    """What may be changed of a recipe; its figures stay, for piles stand on them."""

    name: Name = omitted()
    note: Note | None = omitted()


class RecipeOut(Out):
    """A recipe as it is on record, evaluated from the figures it was written with."""

    id: UUID
    name: str
    note: str | None
    created_at: Instant
    evaluation: EvaluationOut
    figure_sources: list[dict[str, str]] = Field(
        description="For each ingredient: where each figure came from."
    )


def _recipe_out(row: RecipeRow) -> RecipeOut:
    return RecipeOut(
        id=row.id,
        name=row.name,
        note=row.note,
        created_at=row.created_at,
        evaluation=EvaluationOut.model_validate(evaluate(recipes.ingredients_of(row.ingredients))),
        figure_sources=[one["sources"] for one in row.ingredients],
    )


@router.post("/recipes", status_code=201, response_model=RecipeOut)
def create_recipe(body: RecipeIn, caller: CanWrite, database: Database, once: CreateOnce) -> JSONResponse:
    """Write a recipe; its figures are fixed as they stand today, with their sources."""

    def make() -> tuple[RecipeOut, dict[str, str]]:
        row = recipes.create_recipe(session, caller, body.model_dump())
        return _recipe_out(row), {"ETag": etag(row.version), "Location": f"/v1/recipes/{row.id}"}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/recipes", response_model=PageOut[RecipeOut])
def list_recipes(caller: CanRead, database: Database, limit: Limit = 100, after: After = None) -> object:
    """List the organisation's recipes, oldest first."""
    with database.begin(caller.organisation_id) as session:
        found = stored.recipes_page(session, caller.organisation_id, limit=limit, after=after)
    return {"items": [_recipe_out(row) for row in found.items], "next": found.next}


@router.get("/recipes/{recipe_id:uuid}", response_model=RecipeOut)
def get_recipe(recipe_id: UUID, caller: CanRead, database: Database, response: Response) -> object:
    """Return one recipe."""
    with database.begin(caller.organisation_id) as session:
        row = records.find(session, RecipeRow, caller.organisation_id, recipe_id)
    return answer(_recipe_out(row), response, row.version)


@router.patch("/recipes/{recipe_id:uuid}", response_model=RecipeOut)
def change_recipe(
    recipe_id: UUID,
    body: RecipeChange,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Rename a recipe or change its note."""
    with database.begin(caller.organisation_id) as session:
        row = recipes.change_recipe(session, caller, recipe_id, version, body.given())
    return answer(_recipe_out(row), response, row.version)
