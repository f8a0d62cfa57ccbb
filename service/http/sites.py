"""Sites and bays."""

from datetime import UTC, datetime
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse
from pydantic import Field

from service.http.authority import CanRead, CanWrite, Database
from service.http.build_measures import MeasureOut, SheetMeasureIn
from service.http.exchange import After, CreateOnce, IfMatch, Limit, PageOut, answer, etag
from service.http.values import (
    Day,
    In,
    Instant,
    Name,
    Note,
    Number,
    Out,
    Positive,
    ZoneName,
    omitted,
    shown_as,
)
from service.http.weekdays import Weekday
from service.operations import sites
from service.operations.replanning import after_change
from service.storage import records
from service.storage import sites as stored
from service.storage.tables import SiteRow

router = APIRouter(tags=["sites"])


BayKind = Literal["cage", "open_bay", "windrow_strip", "aerated_bay", "vessel"]
Latitude = Annotated[Number, Field(ge=-90, le=90)]
Longitude = Annotated[Number, Field(ge=-180, le=180)]


Measures = Annotated[
    list[SheetMeasureIn],
    Field(
        max_length=20,
        description="What its crew measures with, filled level; build sheets are written in these.",
    ),
]
LiftingLimit = Annotated[
    Positive,
    Field(
        ge=1,
        le=100,
        description="What one person of its crew may lift [kg]; null: a guideline for a mixed crew.",
    ),
]
MarkHeight = Annotated[
    Positive,
    Field(le=50, description="Height of the mark to which it is filled [m]; null: nobody measured it."),
]


class SiteIn(In):
    """A place with piles."""

    model_config = shown_as(
        {
            "name": "Hillside orchard school",
            "time_zone": "Europe/Lisbon",
            "work_days": ["mon", "wed", "fri"],
            "closures": ["2026-04-03"],
            "crews": ["Year 9"],
            "measures": [
                {"name": "barrow", "kind": "barrow", "volume_l": 80},
                {"name": "bucket", "kind": "bucket", "volume_l": 12},
            ],
        }
    )

    name: Name
    time_zone: ZoneName
    latitude_deg: Latitude | None = None
    longitude_deg: Longitude | None = None
    climate: Note | None = Field(default=None, description="In your own words: 'wet winters, dry summers'.")
    work_days: list[Weekday] = Field(
        default_factory=list, max_length=7, description="The weekdays a crew is there."
    )
    closures: list[Day] = Field(
        default_factory=list, max_length=2000, description="Dates without a crew, in the site's zone."
    )
    crews: list[Name] = Field(default_factory=list, max_length=200)
    measures: Measures = Field(default_factory=list)
    lifting_limit_kg: LiftingLimit | None = None


class SiteChange(In):
    """What may be changed of a site; fields left out stay as they are."""

    name: Name = omitted()
    time_zone: ZoneName = omitted()
    latitude_deg: Latitude | None = omitted()
    longitude_deg: Longitude | None = omitted()
    climate: Note | None = omitted()
    work_days: list[Weekday] = omitted()
    closures: list[Day] = omitted()
    crews: list[Name] = omitted()
    measures: Measures = omitted()
    lifting_limit_kg: LiftingLimit | None = omitted()


class SiteOut(Out):
    """A site as it is on record."""

    id: UUID
    name: str
    time_zone: str
    latitude_deg: float | None
    longitude_deg: float | None
    climate: str | None
    work_days: list[Weekday]
    closures: list[Day]
    crews: list[str]
    measures: list[MeasureOut]
    lifting_limit_kg: float | None
    created_at: Instant


class BayIn(In):
    """A numbered place where a pile stands."""

    label: Name
    kind: BayKind
    volume_m3: Positive = Field(description="Volume when filled to the mark [m3].")
    height_m: MarkHeight | None = None


class BayChange(In):
    """What may be changed of a bay; fields left out stay as they are."""

    label: Name = omitted()
    kind: BayKind = omitted()
    volume_m3: Positive = omitted()
    height_m: MarkHeight | None = omitted()


class BayOut(Out):
    """A bay as it is on record."""

    id: UUID
    site_id: UUID
    label: str
    kind: BayKind
    volume_m3: float
    height_m: float | None
    created_at: Instant


@router.post("/sites", status_code=201, response_model=SiteOut)
def create_site(body: SiteIn, caller: CanWrite, database: Database, once: CreateOnce) -> JSONResponse:
    """Register a site."""

    def make() -> tuple[SiteOut, dict[str, str]]:
        row = sites.create_site(session, caller, body.model_dump())
        return SiteOut.model_validate(row), {"ETag": etag(row.version), "Location": f"/v1/sites/{row.id}"}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/sites", response_model=PageOut[SiteOut])
def list_sites(caller: CanRead, database: Database, limit: Limit = 100, after: After = None) -> object:
    """List the sites this key may see, oldest first."""
    with database.begin(caller.organisation_id) as session:
        return stored.sites_page(session, caller, limit=limit, after=after)


@router.get("/sites/{site_id}", response_model=SiteOut)
def get_site(site_id: UUID, caller: CanRead, database: Database, response: Response) -> object:
    """Return one site."""
    with database.begin(caller.organisation_id) as session:
        row = records.find(session, SiteRow, caller.organisation_id, site_id)
        caller.must_reach_site(row.id, "site")
    return answer(SiteOut.model_validate(row), response, row.version)


@router.patch("/sites/{site_id}", response_model=SiteOut)
def change_site(
    site_id: UUID,
    body: SiteChange,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Change a site."""
    with database.begin(caller.organisation_id) as session:
        now, changes = datetime.now(UTC), body.given()
        row = sites.change_site(session, caller, site_id, version, changes, now=now)
        if {"work_days", "closures", "time_zone"} & changes.keys():
            after_change(session, caller.organisation_id, site_id, "the site's days were changed", now=now)
    return answer(SiteOut.model_validate(row), response, row.version)


@router.post("/sites/{site_id}/bays", status_code=201, response_model=BayOut)
def create_bay(
    site_id: UUID, body: BayIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Register a bay of a site."""

    def make() -> tuple[BayOut, dict[str, str]]:
        row = sites.create_bay(session, caller, site_id, body.model_dump())
        return BayOut.model_validate(row), {
            "ETag": etag(row.version),
            "Location": f"/v1/sites/{site_id}/bays/{row.id}",
        }

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/sites/{site_id}/bays", response_model=PageOut[BayOut])
def list_bays(
    site_id: UUID, caller: CanRead, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List the bays of a site, oldest first."""
    with database.begin(caller.organisation_id) as session:
        site = records.find(session, SiteRow, caller.organisation_id, site_id)
        caller.must_reach_site(site.id, "site")
        return stored.bays_page(session, caller.organisation_id, site_id, limit=limit, after=after)


@router.get("/sites/{site_id}/bays/{bay_id}", response_model=BayOut)
def get_bay(site_id: UUID, bay_id: UUID, caller: CanRead, database: Database, response: Response) -> object:
    """Return one bay."""
    with database.begin(caller.organisation_id) as session:
        row = sites.bay_of(session, caller, site_id, bay_id)
    return answer(BayOut.model_validate(row), response, row.version)


@router.patch("/sites/{site_id}/bays/{bay_id}", response_model=BayOut)
def change_bay(
    site_id: UUID,
    bay_id: UUID,
    body: BayChange,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Change a bay."""
    with database.begin(caller.organisation_id) as session:
        row = sites.change_bay(session, caller, site_id, bay_id, version, body.given())
    return answer(BayOut.model_validate(row), response, row.version)
