"""Build sheets: of a mix as it is sent, and of a recipe on record for a bay; as document, text and page."""

from datetime import UTC, date, datetime
from typing import Annotated, Any, Final
from uuid import UUID
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Query
from fastapi.responses import PlainTextResponse
from pydantic import Field

from service.domain.build_sheets import (
    PRACTICE,
    BuildRequest,
    Measure,
    Place,
    Sheet,
    Wanted,
    draw_up,
    place_of,
    to_text,
    wording_of,
)
from service.domain.errors import Invalid
from service.http.authority import CanRead, Database
from service.http.build_measures import SheetMeasureIn
from service.http.build_sheet_models import BuildSheetOut
from service.http.build_sheet_pages import to_pdf
from service.http.evidence import PdfResponse
from service.http.mixes import IngredientIn, ingredient_of
from service.http.sites import BayKind
from service.http.values import Amount, In, Name, Whole, shown_as
from service.operations.sites import measures_of
from service.storage import recipes as stored
from service.storage import records
from service.storage.tables import BayRow, RecipeRow, SiteRow

router = APIRouter(tags=["recipes"])

_RATE: Final = PRACTICE["m3_per_person_hour"].value
_LIMIT_KG: Final = PRACTICE["lifting_limit_kg"].value
_PEOPLE: Final = 2

_TEXT: Final[dict[int | str, dict[str, Any]]] = {
    200: {
        "description": "The sheet in 60 columns.",
        "content": {"text/plain": {"schema": {"type": "string"}}},
    }
}
_PDF: Final[dict[int | str, dict[str, Any]]] = {
    200: {
        "description": "The sheet on one page, A4, for a wall.",
        "content": {"application/pdf": {"schema": {"type": "string", "format": "binary"}}},
    }
}


class SheetLoadIn(IngredientIn):
    """A material, how much of it, and what it is loaded with."""

    measure: Name | None = Field(
        default=None, description="Name of a measure; the sheet chooses when absent."
    )


class BuildBayIn(In):
    """What is to be filled: a volume, with the height of the mark if known, or the inside's sides."""

    label: Name | None = None
    kind: BayKind = "cage"
    volume_m3: Amount | None = None
    length_m: Amount | None = None
    width_m: Amount | None = None
    diameter_m: Amount | None = None
    height_m: Amount | None = Field(default=None, description="Of the mark to which it is filled [m].")


class BuildSheetIn(In):
    """A mix, what it is measured with, and what it is to fill."""

    model_config = shown_as(
        {
            "title": "Spring mix",
            "ingredients": [
                {"feedstock": "shrub-trimmings", "volume_m3": 0.4},
                {"feedstock": "leaves-loose-dry", "volume_m3": 0.6, "measure": "barrow"},
                {"feedstock": "horse-manure", "mass_kg": 120},
            ],
            "measures": [
                {"name": "barrow", "kind": "barrow", "volume_l": 80},
                {"name": "bucket", "kind": "bucket", "volume_l": 12},
                {"name": "can", "kind": "can", "volume_l": 9},
            ],
            "bay": {"label": "Cage 1", "length_m": 1, "width_m": 1, "height_m": 1.2},
            "people": 4,
        }
    )

    title: Name = "Mix"
    ingredients: list[SheetLoadIn] = Field(min_length=1, max_length=100)
    measures: list[SheetMeasureIn] = Field(max_length=20)
    bay: BuildBayIn | None = Field(
        default=None, description="The amounts are scaled to fill it; without it they stay as they are."
    )
    people: Whole = _PEOPLE
    layers: Whole | None = Field(default=None, description="At most so many, bottom and top counted.")
    layer_cm: Amount | None = Field(default=None, description="How thick a brown or green layer should be.")
    m3_per_person_hour: Amount = _RATE
    mixing_shrink_pct: Amount = Field(
        default=0.0,
        description="Volume lost when fines fill the voids of coarse material, % of the loose volumes.",
    )
    lifting_limit_kg: Amount = _LIMIT_KG


def _sheet_of(body: BuildSheetIn) -> Sheet:
    wanted = tuple(
        Wanted(
            ingredient_of(one, f"/ingredients/{place}", mass_kg=one.mass_kg, volume_m3=one.volume_m3),
            one.measure,
        )
        for place, one in enumerate(body.ingredients)
    )
    bay = body.bay
    place = None if bay is None else place_of(**bay.model_dump() | {"label": bay.label or ""})
    measures = tuple(Measure(**one.model_dump()) for one in body.measures)
    kept = (
        "title",
        "people",
        "layers",
        "layer_cm",
        "m3_per_person_hour",
        "mixing_shrink_pct",
        "lifting_limit_kg",
    )
    asked: dict[str, Any] = {name: getattr(body, name) for name in kept}
    return draw_up(BuildRequest(wanted=wanted, measures=measures, place=place, **asked))


@router.post("/recipes/build-sheet")
def make_build_sheet(body: BuildSheetIn, caller: CanRead) -> BuildSheetOut:  # noqa: ARG001 - the key is what is checked
    """Turn a mix into layers in the crew's own measures; touches no record."""
    return BuildSheetOut.of(_sheet_of(body))


@router.post("/recipes/build-sheet.txt", response_class=PlainTextResponse, responses=_TEXT)
def make_build_sheet_text(body: BuildSheetIn, caller: CanRead) -> PlainTextResponse:  # noqa: ARG001 - as above
    """Write the same sheet as plain text."""
    return _as_text(_sheet_of(body), datetime.now(UTC).date())


@router.post("/recipes/build-sheet.pdf", response_class=PdfResponse, responses=_PDF)
def make_build_sheet_pdf(body: BuildSheetIn, caller: CanRead) -> PdfResponse:  # noqa: ARG001 - as above
    """Print the same sheet."""
    return _as_pdf(_sheet_of(body), datetime.now(UTC).date())


BayQuery = Annotated[
    UUID | None, Query(description="The bay to fill; its site's measures are used. Required.")
]
People = Annotated[int, Query(description="How many build.")]
Layers = Annotated[int | None, Query(description="At most so many, bottom and top counted.")]
Rate = Annotated[
    float, Query(description="Loose volume one person loads in an hour [m3].", allow_inf_nan=False)
]
Shrink = Annotated[
    float, Query(description="Volume lost on mixing, % of the loose volumes.", allow_inf_nan=False)
]


@router.get("/recipes/{recipe_id:uuid}/build-sheet.json")
def get_build_sheet(
    recipe_id: UUID,
    caller: CanRead,
    database: Database,
    bay_id: BayQuery = None,
    people: People = _PEOPLE,
    layers: Layers = None,
    m3_per_person_hour: Rate = _RATE,
    mixing_shrink_pct: Shrink = 0.0,
) -> BuildSheetOut:
    """Scale a recipe to a bay at its full size and turn it into layers in the site's own measures."""
    asked = {"people": people, "layers": layers, "m3_per_person_hour": m3_per_person_hour}
    request, _ = _asked(recipe_id, bay_id, caller, database, **asked, mixing_shrink_pct=mixing_shrink_pct)
    return BuildSheetOut.of(draw_up(request))


@router.get("/recipes/{recipe_id:uuid}/build-sheet.txt", response_class=PlainTextResponse, responses=_TEXT)
def get_build_sheet_text(
    recipe_id: UUID,
    caller: CanRead,
    database: Database,
    bay_id: BayQuery = None,
    people: People = _PEOPLE,
    layers: Layers = None,
    m3_per_person_hour: Rate = _RATE,
    mixing_shrink_pct: Shrink = 0.0,
) -> PlainTextResponse:
    """Write the same sheet as plain text."""
    asked = {"people": people, "layers": layers, "m3_per_person_hour": m3_per_person_hour}
    request, on = _asked(recipe_id, bay_id, caller, database, **asked, mixing_shrink_pct=mixing_shrink_pct)
    return _as_text(draw_up(request), on)


@router.get("/recipes/{recipe_id:uuid}/build-sheet.pdf", response_class=PdfResponse, responses=_PDF)
def get_build_sheet_pdf(
    recipe_id: UUID,
    caller: CanRead,
    database: Database,
    bay_id: BayQuery = None,
    people: People = _PEOPLE,
    layers: Layers = None,
    m3_per_person_hour: Rate = _RATE,
    mixing_shrink_pct: Shrink = 0.0,
) -> PdfResponse:
    """Print the same sheet."""
    asked = {"people": people, "layers": layers, "m3_per_person_hour": m3_per_person_hour}
    request, on = _asked(recipe_id, bay_id, caller, database, **asked, mixing_shrink_pct=mixing_shrink_pct)
    return _as_pdf(draw_up(request), on)


def _asked(
    recipe_id: UUID,
    bay_id: UUID | None,
    caller: CanRead,
    database: Database,
    **asked: Any,  # noqa: ANN401 - as sent
) -> tuple[BuildRequest, date]:
    """Load what a sheet is made of, and the day it is at the site."""
    with database.begin(caller.organisation_id) as session:
        recipe = records.find(session, RecipeRow, caller.organisation_id, recipe_id)
        if bay_id is None:
            detail = "name the bay to fill; GET /v1/sites/{id}/bays lists them"
            raise Invalid.field("/bay_id", detail)
        bay = records.find(session, BayRow, caller.organisation_id, bay_id)
        caller.must_reach_site(bay.site_id, "bay")
        site = records.find(session, SiteRow, caller.organisation_id, bay.site_id)
        if not site.measures:
            detail = f"{site.name} has no measures on record; PATCH /v1/sites/{site.id} with its barrows and buckets"
            raise Invalid.field("/measures", detail)
        ingredients = stored.ingredients_of(recipe.ingredients)
        place: Place = place_of(bay.label, bay.kind, volume_m3=bay.volume_m3, height_m=bay.height_m)
        request = BuildRequest(
            recipe.name,
            # what a recipe lists with an amount of 0 is not loaded
            tuple(Wanted(one) for one in ingredients if one.mass_kg or one.volume_m3),
            measures_of(site.measures),
            place,
            lifting_limit_kg=site.lifting_limit_kg or _LIMIT_KG,
            **asked,
        )
        return request, datetime.now(ZoneInfo(site.time_zone)).date()


def _as_text(sheet: Sheet, on: date) -> PlainTextResponse:
    return PlainTextResponse(to_text(wording_of(sheet), printed=f"Printed {on}."))


def _as_pdf(sheet: Sheet, on: date) -> PdfResponse:
    headers = {"Content-Disposition": 'inline; filename="build-sheet.pdf"'}
    return PdfResponse(to_pdf(sheet, printed_on=on), headers=headers)
