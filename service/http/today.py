"""A crew's day at a site: the list, what was done of it, and links to its page."""

from datetime import UTC, datetime
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter, Path, Query
from fastapi.responses import JSONResponse

from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import CreateOnce
from service.http.today_models import DoneIn, ItemDoneOut, TodayLinkIn, TodayLinkOut, TodayOut
from service.http.values import Day, Name
from service.operations import today as operations
from service.operations import today_done, today_links
from service.operations.piles import pile_of
from service.operations.today_list import today_list

router = APIRouter(tags=["today"])

ItemId = Annotated[str, Path(max_length=100, description="The item's id, from the list.")]


@router.get("/sites/{site_id}/today")
def get_today(
    site_id: UUID,
    caller: CanRead,
    database: Database,
    on: Annotated[Day | None, Query(description="The local date at the site; today when absent.")] = None,
    crew: Annotated[Name | None, Query(description="Only this crew's tasks and those of no crew.")] = None,
) -> TodayOut:
    """Return what a crew does on a day, in order, and what may wait if the day is too short."""
    with database.begin(caller.organisation_id) as session:
        day = operations.load_day(session, caller, site_id, on=on, crew=crew, now=datetime.now(UTC))
    return TodayOut.of(today_list(day))


@router.post("/sites/{site_id}/today/{item_id}/done", response_model=ItemDoneOut)
def complete_item(
    site_id: UUID, item_id: ItemId, body: DoneIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Record that an item was done; in the same words it may be told again. A correct event undoes it."""

    def make() -> tuple[ItemDoneOut, dict[str, str]]:
        done = today_done.complete(session, caller, site_id, item_id, body.told(), now=datetime.now(UTC))
        assert done.item.pile_id is not None, "what was done was done at a pile"
        return ItemDoneOut.of(done, site_id, pile_of(session, caller, done.item.pile_id)), {}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make, status=200)


@router.post("/sites/{site_id}/today-links", status_code=201, response_model=TodayLinkOut)
def create_today_link(site_id: UUID, body: TodayLinkIn, caller: CanWrite, database: Database) -> JSONResponse:
    """Make a link to the day's page. Not repeatable by Idempotency-Key: the link must be kept nowhere."""
    with database.begin(caller.organisation_id) as session:
        made = today_links.create_link(
            session,
            caller,
            site_id,
            crew=body.crew,
            first=body.from_,
            last=body.to,
            rotate=body.rotate,
            now=datetime.now(UTC),
        )
    assert made.row.expires_at is not None, "a link ends"
    shown = TodayLinkOut(
        id=made.row.id,
        path=f"/today/{made.token}",
        crew=made.crew,
        from_=made.first,
        to=made.last,
        expires_at=made.row.expires_at,
        revoked=made.revoked,
    )
    return JSONResponse(shown.model_dump(mode="json", by_alias=True), 201, {"Cache-Control": "no-store"})
