"""Feedstocks of an organisation, and the shipped library."""

from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.recipes import library
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, IfMatch, Limit, PageOut, answer, etag
from service.http.values import (
    FeedstockCode,
    In,
    Instant,
    Name,
    Note,
    Number,
    Out,
    Percent,
    omitted,
    shown_as,
)
from service.operations import feedstocks
from service.storage import feedstocks as stored
from service.storage import records
from service.storage.tables import FeedstockRow

router = APIRouter(tags=["feedstocks"])

Ratio = Annotated[Number, Field(gt=0, le=10_000, description="C:N by mass.")]
Density = Annotated[Number, Field(gt=0, le=5_000, description="Wet and loose [kg/m3].")]


LigninMethod = Literal["van_soest", "klason"]


class FiguresIn(In):
    """Figures of a material: moisture of wet mass, the others of dry matter; carbon or C:N, never both."""

    moisture_pct: Percent | None = None
    nitrogen_pct: Percent | None = None
    carbon_pct: Percent | None = None
    carbon_nitrogen_ratio: Ratio | None = None
    volatile_solids_pct: Percent | None = None
    bulk_density_kg_m3: Density | None = None
    lignin_pct: Percent | None = None
    lignin_method: LigninMethod | None = Field(
        default=None, description="Klason lignin is higher than Van Soest's; null when not known."
    )
    phosphorus_pct: Percent | None = Field(default=None, description="The element P, not P2O5.")
    potassium_pct: Percent | None = Field(default=None, description="The element K, not K2O.")


class FeedstockIn(FiguresIn):
    """A material an organisation has."""

    model_config = shown_as(
        {
            "code": "stable-bedding",
            "name": "Stable bedding",
            "moisture_pct": 62,
            "bulk_density_kg_m3": 410,
            "source": "bucket weighed, two samples dried",
        }
    )

    code: FeedstockCode
    name: Name
    category: Name | None = None
    source: Note | None = Field(default=None, description="Where the figures come from.")
    site_id: UUID | None = Field(default=None, description="The only site that has it; null is every site's.")


class FeedstockChange(In):
    """What may be changed of a feedstock; fields left out stay as they are."""

    name: Name = omitted()
    category: Name | None = omitted()
    moisture_pct: Percent | None = omitted()
    nitrogen_pct: Percent | None = omitted()
    carbon_pct: Percent | None = omitted()
    carbon_nitrogen_ratio: Ratio | None = omitted()
    volatile_solids_pct: Percent | None = omitted()
    bulk_density_kg_m3: Density | None = omitted()
    lignin_pct: Percent | None = omitted()
    lignin_method: LigninMethod | None = omitted()
    phosphorus_pct: Percent | None = omitted()
    potassium_pct: Percent | None = omitted()
    source: Note | None = omitted()


class FiguresOut(Out):
    """Figures as they are on record; null is unknown."""

    moisture_pct: float | None
    nitrogen_pct: float | None
    carbon_pct: float | None
    carbon_nitrogen_ratio: float | None
    volatile_solids_pct: float | None
    bulk_density_kg_m3: float | None
    lignin_pct: float | None
    lignin_method: LigninMethod | None
    phosphorus_pct: float | None
    potassium_pct: float | None


class FeedstockOut(FiguresOut):
    """A feedstock as it is on record."""

    id: UUID
    code: str
    name: str
    category: str | None
    source: str | None
    site_id: UUID | None
    created_at: Instant


class OpinionOut(Out):
    """What another publication prints for the same figure."""

    low: float
    high: float
    source: str
    status: str
    note: str
    method: str = Field(description="How lignin was determined; empty when not told.")


class LibraryFigureOut(Out):
    """A published figure and where it stands."""

    value: float
    source: str
    status: str = Field(
        description="read, second-hand, from memory, low confidence (no handbook row is known), definition."
    )
    low: float | None
    high: float | None
    note: str
    is_derived: bool
    method: str = Field(description="How lignin was determined; empty when not told.")
    others: list[OpinionOut]


class LibraryFeedstockOut(Out):
    """A material of the shipped library; use its code as ``feedstock`` in a recipe."""

    code: str
    name: str
    category: str
    is_low_confidence: bool = Field(
        description="Some figure is typical of the literature only: analyse the material before relying on it."
    )
    figures: dict[str, LibraryFigureOut]
    warnings: list[str]


class LibraryOut(Out):
    """The shipped library."""

    items: list[LibraryFeedstockOut]


@router.get("/feedstocks/library", response_model=LibraryOut)
def list_library(caller: CanRead) -> object:  # noqa: ARG001 - the key is what is checked
    """List the feedstocks that come with the service, each figure with its source and status."""
    return {"items": list(library().values())}


@router.post("/feedstocks", status_code=201, response_model=FeedstockOut)
def create_feedstock(
    body: FeedstockIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Register a feedstock of the organisation."""

    def make() -> tuple[FeedstockOut, dict[str, str]]:
        row = feedstocks.create_feedstock(session, caller, body.model_dump())
        return FeedstockOut.model_validate(row), {
            "ETag": etag(row.version),
            "Location": f"/v1/feedstocks/{row.id}",
        }

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/feedstocks", response_model=PageOut[FeedstockOut])
def list_feedstocks(caller: CanRead, database: Database, limit: Limit = 100, after: After = None) -> object:
    """List the organisation's own feedstocks, oldest first."""
    with database.begin(caller.organisation_id) as session:
        return stored.feedstocks_page(session, caller.organisation_id, limit=limit, after=after)


@router.get("/feedstocks/{feedstock_id:uuid}", response_model=FeedstockOut)
def get_feedstock(feedstock_id: UUID, caller: CanRead, database: Database, response: Response) -> object:
    """Return one feedstock."""
    with database.begin(caller.organisation_id) as session:
        row = records.find(session, FeedstockRow, caller.organisation_id, feedstock_id)
    return answer(FeedstockOut.model_validate(row), response, row.version)


@router.patch("/feedstocks/{feedstock_id:uuid}", response_model=FeedstockOut)
def change_feedstock(
    feedstock_id: UUID,
    body: FeedstockChange,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Change a feedstock; recipes already written keep the figures they had."""
    with database.begin(caller.organisation_id) as session:
        row = feedstocks.change_feedstock(session, caller, feedstock_id, version, body.given())
    return answer(FeedstockOut.model_validate(row), response, row.version)
