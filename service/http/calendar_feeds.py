"""Calendar feeds: secret addresses of a site's or a crew's planned tasks, and the iCalendar text behind them."""

import hashlib
from datetime import UTC, datetime
from typing import Annotated, Any, Final
from uuid import UUID

from fastapi import APIRouter, Query, Response
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.calendars import read_alarm, write_feed
from service.http.authority import CanWriteOrAdmin, Database
from service.http.exchange import After, IfNoneMatch, Limit, PageOut, is_known
from service.http.values import In, Instant, Name, Out, shown_as
from service.operations import calendar_feeds as feeds
from service.operations.sites import site_of
from service.storage import calendar_feeds as stored

router = APIRouter(tags=["sites"])
public = APIRouter(tags=["system"])
"""What needs no key: the address itself is the secret."""

_CALENDAR: Final = "text/calendar"
_ANSWERS: Final[dict[int | str, dict[str, Any]]] = {
    200: {"description": "The calendar.", "content": {_CALENDAR: {"schema": {"type": "string"}}}},
    304: {"description": "It still says what the ETag sent along says."},
}
_PRIVATE: Final = {
    "Cache-Control": "private, no-cache",
    "Referrer-Policy": "no-referrer",
    "X-Robots-Tag": "noindex",
    "X-Content-Type-Options": "nosniff",
}


class CalendarResponse(Response):
    """An iCalendar stream."""

    media_type = _CALENDAR


class CalendarFeedIn(In):
    """A calendar feed to make: one for each person or device, so that one can be revoked without the others."""

    model_config = shown_as({"label": "phone of the Wednesday crew"})

    label: Name = Field(description="Who or what reads it.")
    crew: Name | None = Field(
        default=None,
        description="Only the tasks of this crew and of no crew, under its name; all of the site's when absent.",
    )
    expires_at: Instant | None = None


class CalendarFeedOut(Out):
    """A feed as it is on record; its address is kept nowhere."""

    id: UUID
    site_id: UUID
    label: str
    crew: str | None
    created_at: Instant
    expires_at: Instant | None
    revoked_at: Instant | None
    read_at: Instant | None = Field(description="When a calendar program last read it, to the hour.")


class CalendarFeedCreated(CalendarFeedOut):
    """A feed just made; hand its address to whom it is for, it is not shown again."""

    path: str = Field(
        description="To be put behind this service's own address. Whoever has it can read the feed, without a key."
    )


@router.post("/sites/{site_id}/calendar-feeds", status_code=201, response_model=CalendarFeedCreated)
def create_calendar_feed(
    site_id: UUID, body: CalendarFeedIn, caller: CanWriteOrAdmin, database: Database
) -> JSONResponse:
    """Make a calendar feed. Not repeatable by Idempotency-Key: its address must be kept nowhere.

    Calendar programs ask again when they like, some once a day only; what changes on the day itself needs another way.
    """
    now = datetime.now(UTC)
    with database.begin(caller.organisation_id) as session:
        made = feeds.create_feed(
            session,
            caller,
            site_id,
            label=body.label,
            crew=body.crew,
            expires_at=body.expires_at,
            now=now,
        )
    shown = CalendarFeedOut.model_validate(made.row).model_dump()
    created = CalendarFeedCreated(**shown, path=f"/calendars/{made.secret}.ics")
    return JSONResponse(created.model_dump(mode="json"), 201, {"Cache-Control": "no-store"})


@router.get("/sites/{site_id}/calendar-feeds", response_model=PageOut[CalendarFeedOut])
def list_calendar_feeds(
    site_id: UUID, caller: CanWriteOrAdmin, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List a site's calendar feeds, live or not, oldest first."""
    with database.begin(caller.organisation_id) as session:
        site = site_of(session, caller, site_id)
        return stored.feeds_page(session, caller.organisation_id, site.id, limit=limit, after=after)


@router.post("/calendar-feeds/{feed_id}/revoke", response_model=CalendarFeedOut)
def revoke_calendar_feed(feed_id: UUID, caller: CanWriteOrAdmin, database: Database) -> object:
    """Revoke a calendar feed; from then on its address answers that it is gone."""
    with database.begin(caller.organisation_id) as session:
        row = feeds.revoke_feed(session, caller, feed_id, now=datetime.now(UTC))
    return CalendarFeedOut.model_validate(row)


@public.get("/calendars/{secret}.ics", response_class=CalendarResponse, responses=_ANSWERS)
def read_calendar_feed(
    secret: str,
    database: Database,
    alarm: Annotated[
        str | None,
        Query(
            max_length=20,
            description="Ring that long before each task to come, as an RFC 5545 duration such as PT2H; silent when"
            " absent.",
        ),
    ] = None,
    if_none_match: IfNoneMatch = None,
) -> Response:
    """Return planned tasks as an iCalendar stream, for calendar programs; the address itself is the key."""
    rings = None if alarm is None else read_alarm(alarm)
    now = datetime.now(UTC)
    with database.begin(feeds.organisation_of(secret)) as session:
        feed = feeds.read_feed(session, secret, now=now)
    written = write_feed(feed, now=now, alarm=rings)
    headers = {**_PRIVATE, "ETag": f'"{hashlib.sha256(written).hexdigest()[:32]}"'}
    if is_known(headers["ETag"], if_none_match):
        return Response(status_code=304, headers=headers)
    return CalendarResponse(written, headers=headers)
