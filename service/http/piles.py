"""Piles: the record, what happened, the readings."""

from datetime import UTC, datetime
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Query, Response
from fastapi.responses import JSONResponse
from pydantic import Field

from service.http.authority import CanRead, CanWrite, Database
from service.http.events import AnyEventIn, CorrectIn, EventOut, Height, details_of
from service.http.exchange import After, CreateOnce, IfMatch, Limit, PageOut, answer, etag
from service.http.patterns import PatternIn
from service.http.values import (
    Code,
    In,
    Instant,
    Name,
    Out,
    Positive,
    omitted,
)
from service.operations import piles
from service.operations.stock_loads import told_of
from service.storage import piles as stored

router = APIRouter(tags=["piles"])


class PileIn(In):
    """A pile to register: planned, being filled, or built already."""

    site_id: UUID
    label: Name
    bay_id: UUID | None = None
    recipe_id: UUID | None = None
    built_at: Instant | None = Field(
        default=None, description="When it stood at full size; null while it is filled."
    )
    rules: list[Code] = Field(default_factory=list, max_length=20, description="The rules it is to meet.")
    pattern: PatternIn | None = None
    pattern_code: Code | None = Field(
        default=None, description="A shipped or own pattern instead; the pile keeps it as it now is."
    )
    design_volume_m3: Positive | None = Field(
        default=None, description="The size it should be built to; the bay's volume when null."
    )
    design_height_m: Height | None = Field(
        default=None, description="The height it should be built to [m]; the bay's mark when null."
    )


class PileChange(In):
    """What may be changed of a pile; fields left out stay as they are."""

    label: Name = omitted()
    bay_id: UUID | None = omitted()
    recipe_id: UUID | None = omitted()
    built_at: Instant | None = omitted()
    rules: list[Code] = omitted()
    pattern: PatternIn | None = omitted()
    pattern_code: Code = omitted()
    design_volume_m3: Positive | None = omitted()
    design_height_m: Height | None = omitted()


class PileOut(Out):
    """A pile as it is on record; its stage is derived and stands in its status."""

    id: UUID
    site_id: UUID
    label: str
    bay_id: UUID | None
    recipe_id: UUID | None
    built_at: Instant | None
    rules: list[str]
    pattern: PatternIn | None
    design_volume_m3: float | None
    design_height_m: float | None
    created_at: Instant


class EventTakenOut(EventOut):
    """An event as it was taken in."""

    stock: list[str] = Field(description="What a load did to the site's stock; empty where none is kept.")


@router.post("/piles", status_code=201, response_model=PileOut)
def create_pile(body: PileIn, caller: CanWrite, database: Database, once: CreateOnce) -> JSONResponse:
    """Register a pile."""
    values = body.model_dump(exclude={"pattern"}) | {
        "pattern": None if body.pattern is None else body.pattern.model_dump(mode="json")
    }

    def make() -> tuple[PileOut, dict[str, str]]:
        row = piles.create_pile(session, caller, values)
        return PileOut.model_validate(row), {"ETag": etag(row.version), "Location": f"/v1/piles/{row.id}"}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/piles", response_model=PageOut[PileOut])
def list_piles(
    caller: CanRead,
    database: Database,
    site_id: Annotated[UUID | None, Query(description="Only the piles of this site.")] = None,
    limit: Limit = 100,
    after: After = None,
) -> object:
    """List the piles this key may see, oldest first."""
    with database.begin(caller.organisation_id) as session:
        return stored.piles_page(session, caller, site_id, limit=limit, after=after)


@router.get("/piles/{pile_id}", response_model=PileOut)
def get_pile(pile_id: UUID, caller: CanRead, database: Database, response: Response) -> object:
    """Return one pile."""
    with database.begin(caller.organisation_id) as session:
        row = piles.pile_of(session, caller, pile_id)
    return answer(PileOut.model_validate(row), response, row.version)


@router.patch("/piles/{pile_id}", response_model=PileOut)
def change_pile(
    pile_id: UUID,
    body: PileChange,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Change a pile."""
    changes = body.given()
    if changes.get("pattern") is not None:
        changes["pattern"] = body.pattern.model_dump(mode="json") if body.pattern else None
    with database.begin(caller.organisation_id) as session:
        row = piles.change_pile(session, caller, pile_id, version, changes)
    return answer(PileOut.model_validate(row), response, row.version)


@router.post("/piles/{pile_id}/events", status_code=201, response_model=EventTakenOut)
def create_event(
    pile_id: UUID, body: AnyEventIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Record what happened to a pile; a correction is an entry that names the one it corrects."""
    happening = piles.Happening(
        kind=body.kind,
        at=body.at,
        details=details_of(body),
        crew=body.crew,
        note=body.note,
        corrects=body.corrects if isinstance(body, CorrectIn) else None,
    )

    def make() -> tuple[EventTakenOut, dict[str, str]]:
        row = piles.record_event(session, caller, pile_id, happening, now=datetime.now(UTC))
        stock = told_of(session, caller, piles.pile_of(session, caller, pile_id), row)
        return EventTakenOut(**EventOut.model_validate(row).model_dump(), stock=stock), {}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/piles/{pile_id}/events", response_model=PageOut[EventOut])
def list_events(
    pile_id: UUID, caller: CanRead, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List what happened to a pile, corrections beside what they correct, in the order it was recorded."""
    with database.begin(caller.organisation_id) as session:
        piles.pile_of(session, caller, pile_id)
        return stored.events_page(session, caller.organisation_id, pile_id, limit=limit, after=after)
