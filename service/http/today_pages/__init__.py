"""The day's page for a phone: a list and a form for each item, without a script, opened by a secret link."""

import functools
import hashlib
import secrets
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.domain.errors import Conflict, DomainError, Invalid, NotFound
from service.domain.today import Item
from service.http.authority import Database
from service.http.build_sheets import get_build_sheet_text
from service.http.problems import STATUS
from service.http.today_pages.forms import LABELS, ONCE, Typed, blank, fields_of, of_refusal, read
from service.http.today_pages.rendering import HEADERS, page
from service.http.today_pages.words import Page, card_of, page_of
from service.operations import today as operations
from service.operations import today_done, today_links
from service.operations.hand_readings import hand_probes
from service.operations.piles import pile_of
from service.operations.today_list import today_list
from service.operations.today_told import is_dangerous
from service.storage import answers
from service.storage.database import Session
from service.storage.schedules import local_date

router = APIRouter(include_in_schema=False)

_TITLES: Final = {
    403: "This link has not started yet",
    404: "Not found",
    409: "Not kept",
    410: "This link has ended",
    422: "That does not fit",
}
_ENDED: Final = 410
Fields = Annotated[dict[str, str], Depends(fields_of)]
"""The form as it came in."""


def _told_on_a_page(endpoint: Callable[..., Response]) -> Callable[..., Response]:
    """Answer a refusal with a page that says what to do, not with a problem document."""

    @functools.wraps(endpoint)
    def answering(**arguments: Any) -> Response:  # noqa: ANN401 - the endpoint's own
        try:
            return endpoint(**arguments)
        except DomainError as error:
            status = STATUS[type(error)]
            status = _ENDED if status == 401 else status  # noqa: PLR2004 - a browser would ask for a password
            text = str(error)
            title = _TITLES.get(status, "Not now")
            return page("notice.html", status, title=title, detail=text[:1].upper() + text[1:] + ".")

    return answering


@router.get("/today/{token}")
@_told_on_a_page
def show_today(token: str, database: Database, kept: str | None = None) -> Response:
    """Show the day's list; ``kept`` is what a form was sent with, to say what became of it."""
    now = datetime.now(UTC)
    with database.begin(today_links.organisation_of(token)) as session:
        link = today_links.open_link(session, token, now=now)
        day = operations.load_day(session, link.caller, link.site.id, on=None, crew=link.crew, now=now)
        told = _kept(session, link, kept)
    return page("list.html", page=page_of(today_list(day)), base=f"/today/{token}", kept=told)


@router.get("/today/{token}/{item_id}")
@_told_on_a_page
def show_item(token: str, item_id: str, database: Database) -> Response:
    """Show one item: why, what to mind, what to bring, and the form."""
    now = datetime.now(UTC)
    return _item_page(database, token, item_id, now, Typed({"once": secrets.token_urlsafe(24)}))


@router.post("/today/{token}/{item_id}")
@_told_on_a_page
def complete_on_page(token: str, item_id: str, fields: Fields, database: Database) -> Response:
    """Keep what a form says; sent twice it is kept once, and what cannot be kept is shown again as it was typed."""
    now = datetime.now(UTC)
    with database.begin(today_links.organisation_of(token)) as session:
        link = today_links.open_link(session, token, now=now)
    zone = ZoneInfo(link.site.time_zone)
    typed = read(fields, crew=link.crew, on=local_date(now, zone), now=now, zone=zone)
    if typed.body is None:
        return _item_page(database, token, item_id, now, typed, status=422)
    try:
        with database.begin(link.caller.organisation_id) as session:
            once = _keep(session, link, item_id, typed, now)
    except Invalid as error:
        typed.errors = of_refusal(error, fields)
        return _item_page(database, token, item_id, now, typed, status=422)
    except Conflict as error:
        text = str(error)
        refused = text[:1].upper() + text[1:] + "."
        return _item_page(database, token, item_id, now, typed, status=409, refused=refused)
    return RedirectResponse(f"/today/{token}?kept={once}", 303, HEADERS)


@router.get("/today/{token}/{item_id}/sheet")
@_told_on_a_page
def show_sheet(token: str, item_id: str, database: Database) -> Response:
    """Show the build sheet of a pile that is to be built."""
    now = datetime.now(UTC)
    with database.begin(today_links.organisation_of(token)) as session:
        link = today_links.open_link(session, token, now=now)
        item = today_done.named_item(session, link.caller, link.site.id, item_id, now=now)
        row = None if item.pile_id is None else pile_of(session, link.caller, item.pile_id)
    if row is None or row.recipe_id is None or row.bay_id is None:
        raise NotFound(f"no build sheet of {item.pile}: it has no recipe or no bay yet")
    sheet = get_build_sheet_text(row.recipe_id, link.caller, database, bay_id=row.bay_id)
    sheet.headers.update(HEADERS)
    return sheet


def _keep(session: Session, link: today_links.Link, item_id: str, typed: Typed, now: datetime) -> str:
    """Record what the form says, once for each form that was shown; return what it is known by."""
    assert typed.body is not None, "it was read"
    once = typed.once or secrets.token_urlsafe(24)
    said = sorted((name, value) for name, value in typed.fields.items())
    digest = hashlib.sha256(repr((item_id, said)).encode()).digest()
    claim = answers.claim(session, link.caller, "today's page", once, digest)
    if claim.status is not None and claim.request_digest == digest:
        return once
    done = today_done.complete(session, link.caller, link.site.id, item_id, typed.body.told(), now=now)
    what = f"{done.item.practice.title}: {done.item.pile}"
    body = {
        "what": what,
        "notes": list(done.notes),
        "notes_danger": is_dangerous(typed.body.told()),
    }
    answers.keep(session, claim, status=303, headers={}, body=body)
    return once


def _kept(session: Session, link: today_links.Link, once: str | None) -> Any:  # noqa: ANN401 - as it was kept
    if once is None or ONCE.fullmatch(once) is None:
        return None
    return answers.kept(session, link.caller, "today's page", once)


def _item_page(
    database: Database,
    token: str,
    item_id: str,
    now: datetime,
    typed: Typed,
    *,
    status: int = 200,
    refused: str = "",
) -> HTMLResponse:
    with database.begin(today_links.organisation_of(token)) as session:
        link = today_links.open_link(session, token, now=now)
        named = today_done.named_item(session, link.caller, link.site.id, item_id, now=now)
        day = operations.load_day(
            session,
            link.caller,
            link.site.id,
            on=None,
            crew=link.crew,
            now=now,
            only=named.pile if named.pile_id is None else named.pile_id,
        )
        row = None if named.pile_id is None else pile_of(session, link.caller, named.pile_id)
        hand = [] if row is None else list(hand_probes(session, row, now))
    told = today_list(day)
    # What nothing asks for any more may still have been done.
    item = next((one for one in told.items if one.id == named.id), named)
    shown: Page = page_of(told)
    return page(
        "item.html",
        status,
        item=card_of(item, day.zone),
        page=shown,
        base=f"/today/{token}",
        typed=blank({"position": next(iter(item.positions), ""), "unit": "c"} | dict(typed.fields)),
        errors=blank(typed.errors),
        labels=LABELS,
        refused=refused,
        once=typed.once or secrets.token_urlsafe(24),
        positions=_positions(item, hand),
        sheet=item.task == "build"
        and row is not None
        and row.recipe_id is not None
        and row.bay_id is not None,
    )


def _positions(item: Item, hand: list[tuple[str, str]]) -> list[tuple[str, str]]:
    """Return where a temperature may be read: a probe's own place counts for a rule."""
    own = [(position, f"{position} (probe {serial})") for position, serial in hand]
    named = {position for position, _ in own}
    others = [(position, position) for position in item.positions if position not in named]
    known = sorted(own, key=lambda one: one[0] not in item.positions) + others
    return [*known, ("", "Somewhere else")] if known else []
