"""Links to a day's page: secret, for one site, one crew and some days, and they end.

A link's text reads ``<organisation>.<prefix>.<secret>.<first>.<last>.<crew>``. It is kept as a key without any scope,
of which only the SHA-256 of the whole text is on record: whoever changes the crew or a date has another text, which
nobody knows. 32 random bytes make guessing hopeless, so a plain hash keeps it.
"""

import base64
import binascii
import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.authority import Caller, Scope
from service.domain.errors import Invalid, NotAllowed, NotAuthenticated, NotFound
from service.domain.schedules import local_instant
from service.operations.sites import site_of
from service.operations.today import crews_of
from service.storage import keys as stored_keys
from service.storage import records
from service.storage.schedules import local_date
from service.storage.site_calendars import calendar_of
from service.storage.tables import ApiKeyRow, SiteRow
from service.storage.today import LINK_PREFIX, live_links

LONGEST_DAYS: Final = 31
_AHEAD_DAYS: Final = 92
_WRITE_USE_AFTER: Final = timedelta(hours=1)
_DATE: Final = "%Y%m%d"
_TOKEN: Final = re.compile(
    r"([0-9a-f]{1,8})\.([0-9a-f]{10})\.([A-Za-z0-9_-]{43})\.(\d{8})\.(\d{8})\.([A-Za-z0-9_-]{0,1100})",
    re.ASCII,
)
_UNKNOWN: Final = "this link is not known; copy it whole, or ask your site lead for a new one"


@dataclass(frozen=True)
class NewLink:
    """A link just made; ``token`` is shown this once."""

    row: ApiKeyRow
    token: str
    crew: str | None
    first: date
    last: date
    revoked: int


@dataclass(frozen=True)
class Link:
    """A link that was opened, and as whom its bearer acts: at its site alone."""

    caller: Caller
    site: SiteRow
    crew: str | None
    first: date
    last: date


def create_link(
    session: Session,
    caller: Caller,
    site_id: UUID,
    *,
    crew: str | None,
    first: date | None,
    last: date | None,
    rotate: bool,
    now: datetime,
) -> NewLink:
    """Make a link to a site's day; with ``rotate`` the site's links made before, of this crew, end at once.

    Raises
    ------
    Invalid
        The days lie in the past, far off or are too many, or nobody knows a crew of that name.
    """
    site = site_of(session, caller, site_id, lock=True)
    today = local_date(now, ZoneInfo(site.time_zone))
    first = today if first is None else first
    last = first if last is None else last
    _must_fit(first, last, today)
    known = crews_of(site, calendar_of(session, site))
    if crew is not None and crew not in known:
        names = ", ".join(sorted(known)) or "none is on record"
        raise Invalid.field(
            "/crew", f"{crew} is no crew of this site ({names}); leave it out for all of them"
        )
    revoked = 0
    if rotate:
        for row in live_links(session, caller.organisation_id, site_id, now=now):
            if crew is None or row.name == _name(crew):
                row.revoked_at = now
                revoked += 1
    prefix = secrets.token_hex(5)
    token = _text(caller.organisation_id, prefix, first, last, crew)
    row = ApiKeyRow(
        organisation_id=caller.organisation_id,
        prefix=LINK_PREFIX + prefix,
        digest=_digest(token),
        name=_name(crew),
        scopes=[],
        site_id=site.id,
        expires_at=local_instant(site.time_zone, last + timedelta(1), time(0)),
    )
    return NewLink(records.add(session, row), token, crew, first, last, revoked)


def _must_fit(first: date, last: date, today: date) -> None:
    if first < today or (first - today).days > _AHEAD_DAYS:
        detail = (
            f"{first} is past or too far off; give a date from {today} to {today + timedelta(_AHEAD_DAYS)}"
        )
        raise Invalid.field("/from", detail)
    if not 0 <= (last - first).days < LONGEST_DAYS:
        detail = f"{last} does not fit {first}; give that day or one of the {LONGEST_DAYS - 1} after it"
        raise Invalid.field("/to", detail)


def _name(crew: str | None) -> str:
    return "today's page" if crew is None else f"today's page of {crew}"


def _text(organisation_id: int, prefix: str, first: date, last: date, crew: str | None) -> str:
    named = base64.urlsafe_b64encode((crew or "").encode()).decode().rstrip("=")
    secret = secrets.token_urlsafe(32)
    return f"{organisation_id:x}.{prefix}.{secret}.{first:{_DATE}}.{last:{_DATE}}.{named}"


def _digest(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()


def organisation_of(token: str) -> int:
    """Return the organisation a well-formed link names.

    Raises
    ------
    NotFound
        It is mistyped, cut off or not one of ours.
    """
    match = _TOKEN.fullmatch(token)
    organisation_id = int(match[1], 16) if match else 2**31
    if organisation_id >= 2**31:
        raise NotFound(_UNKNOWN)
    return organisation_id


def open_link(session: Session, token: str, *, now: datetime) -> Link:
    """Return what a link opens; the session is already inside the organisation it names.

    Raises
    ------
    NotFound
        Nobody made it, or somebody changed it.
    NotAuthenticated
        It was revoked, or its days are over.
    NotAllowed
        Its days have not come yet.
    """
    match = _TOKEN.fullmatch(token)
    row = None
    if match is not None:
        row = stored_keys.by_prefix(session, int(match[1], 16), LINK_PREFIX + match[2])
    if match is None or row is None or not hmac.compare_digest(row.digest, _digest(token)):
        raise NotFound(_UNKNOWN)
    if row.revoked_at is not None:
        raise NotAuthenticated("this link was replaced by a new one; ask your site lead for it")
    if row.expires_at is None or row.expires_at <= now:
        raise NotAuthenticated("the days of this link are over; ask your site lead for a new one")
    assert row.site_id is not None, "a link is made for a site"
    site = session.get_one(SiteRow, (row.organisation_id, row.site_id))
    first, last = (datetime.strptime(one, _DATE).date() for one in match.group(4, 5))  # noqa: DTZ007 - a date
    if local_date(now, ZoneInfo(site.time_zone)) < first:
        raise NotAllowed(f"this link starts on {first:%A %d %B}; open it again on that day")
    if row.last_used_at is None or now - row.last_used_at > _WRITE_USE_AFTER:
        row.last_used_at = now
    # The scopes are the bearer's for what the page does; as a key it has none.
    caller = Caller(row.organisation_id, row.id, frozenset({Scope.READ, Scope.WRITE}), row.site_id)
    return Link(caller, site, _crew(match[6]), first, last)


def _crew(text: str) -> str | None:
    try:
        return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)).decode() or None
    except (binascii.Error, UnicodeDecodeError) as error:
        raise NotFound(_UNKNOWN) from error
