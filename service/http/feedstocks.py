"""Feedstocks of an organisation, their analyses, and the shipped library."""

from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.recipes import library
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, IfMatch, Limit, PageOut, answer, etag
from service.http.values import (
    Day,
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


class FiguresIn(In):
    """Figures of a material: moisture of wet mass, the others of dry matter; carbon in at most one form."""

    moisture_pct: Percent | None = None
    nitrogen_pct: Percent | None = None
    carbon_pct: Percent | None = None
    carbon_nitrogen_ratio: Ratio | None = None
    volatile_solids_pct: Percent | None = None
    bulk_density_kg_m3: Density | None = None


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
    source: Note | None = omitted()


class FiguresOut(Out):
    """Figures as they are on record; null is unknown."""

    moisture_pct: float | None
    nitrogen_pct: float | None
    carbon_pct: float | None
    carbon_nitrogen_ratio: float | None
    volatile_solids_pct: float | None
    bulk_density_kg_m3: float | None


class FeedstockOut(FiguresOut):
    """A feedstock as it is on record."""

    id: UUID
    code: str
    name: str
    category: str | None
    source: str | None
    created_at: Instant


class AnalysisIn(FiguresIn):
    """A measurement of a feedstock; the newest figure of each kind wins over older ones and over the library."""

    sampled_on: Day
    method: Name = Field(examples=["laboratory", "oven at 105 °C", "bucket weighed"])
    note: Note | None = None


class AnalysisOut(FiguresOut):
    """An analysis as it is on record."""

    id: UUID
    feedstock_id: UUID
    sampled_on: Day
    method: str
    note: str | None
    recorded_at: Instant


class LibraryFigureOut(Out):
    """A published figure and where it stands."""

    value: float
    source: str
    status: str
    low: float | None
    high: float | None
    note: str


class LibraryFeedstockOut(Out):
    """A material of the shipped library; use its code as ``feedstock`` in a recipe."""

    code: str
    name: str
    category: str
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


@router.post("/feedstocks/{feedstock_id:uuid}/analyses", status_code=201, response_model=AnalysisOut)
def create_analysis(
    feedstock_id: UUID, body: AnalysisIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Add a measurement of a feedstock; nothing on record is changed."""

    def make() -> tuple[AnalysisOut, dict[str, str]]:
        row = feedstocks.add_analysis(session, caller, feedstock_id, body.model_dump())
        return AnalysisOut.model_validate(row), {}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/feedstocks/{feedstock_id:uuid}/analyses", response_model=PageOut[AnalysisOut])
def list_analyses(
    feedstock_id: UUID, caller: CanRead, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List the measurements of a feedstock in the order they were recorded."""
    with database.begin(caller.organisation_id) as session:
        records.find(session, FeedstockRow, caller.organisation_id, feedstock_id)
        return stored.analyses_page(session, caller.organisation_id, feedstock_id, limit=limit, after=after)
