"""Recipes on record."""

from uuid import UUID

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.recipes import evaluate
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, IfMatch, Limit, PageOut, answer, etag
from service.http.mixes import EvaluationOut, IngredientIn, SiteOfMix
from service.http.values import In, Instant, Name, Note, Out, omitted, shown_as
from service.operations import recipes
from service.storage import recipes as stored
from service.storage import records
from service.storage.tables import RecipeRow

router = APIRouter(tags=["recipes"])


class RecipeIn(In):
    """A mix to keep; feedstock codes may be the organisation's own, whose newest analysis then counts."""

    model_config = shown_as(
        {
            "name": "Spring mix",
            "ingredients": [
                {"feedstock": "horse-manure", "mass_kg": 400},
                {"feedstock": "leaves", "mass_kg": 120},
            ],
        }
    )

    name: Name
    note: Note | None = None
    ingredients: list[IngredientIn] = Field(min_length=1, max_length=100)
    site_id: SiteOfMix = None


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
        description="For each ingredient: where each figure came from, in words; the evaluation has the whole of it."
    )


def _recipe_out(row: RecipeRow) -> RecipeOut:
    return RecipeOut(
        id=row.id,
        name=row.name,
        note=row.note,
        created_at=row.created_at,
        evaluation=EvaluationOut.model_validate(evaluate(stored.ingredients_of(row.ingredients))),
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
