"""Secret addresses at which calendar programs read planned tasks: making, reading and revoking them.

An address reads ``/calendars/hlc_<organisation>_<secret><check>.ics``. As in a key, the organisation stands in it, so
that even the look-up happens inside one organisation; the secret is 24 random bytes, of which a SHA-256 is kept.
Whoever has the address may read, and nothing else: a capability URL (https://w3ctag.github.io/capability-urls).
"""

import hashlib
import hmac
import re
import secrets
import zlib
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.calendars import Feed
from service.domain.errors import Gone, Invalid, NotFound
from service.operations.sites import site_of
from service.storage import calendar_feeds as stored
from service.storage import records
from service.storage.site_calendars import calendar_of
from service.storage.tables import CalendarFeedRow, SiteRow

_SECRET: Final = re.compile(r"hlc_([0-9a-f]{1,8})_([0-9a-f]{48})([0-9a-f]{8})")
_WRITE_USE_AFTER: Final = timedelta(hours=1)
_UNKNOWN: Final = "no calendar at this address; copy it whole, or ask the site for a new one"


@dataclass(frozen=True)
class NewFeed:
    """A feed just made; ``secret`` is shown this once."""

    row: CalendarFeedRow
    secret: str


def make_secret(organisation_id: int) -> str:
    """Return a new secret."""
    body = f"hlc_{organisation_id:x}_{secrets.token_hex(24)}"
    return f"{body}{zlib.crc32(body.encode()):08x}"


def organisation_of(secret: str) -> int:
    """Return the organisation a well-formed secret names.

    Raises
    ------
    NotFound
        Mistyped, cut off, or not one of ours.
    """
    match = _SECRET.fullmatch(secret)
    if match is None or f"{zlib.crc32(secret[:-8].encode()):08x}" != match[3] or int(match[1], 16) >= 2**31:
        raise NotFound(_UNKNOWN)
    return int(match[1], 16)


def digest_of(secret: str) -> bytes:
    """Return what is kept of a secret."""
    return hashlib.sha256(secret.encode()).digest()


def create_feed(
    session: Session,
    caller: Caller,
    site_id: UUID,
    *,
    label: str,
    crew: str | None,
    expires_at: datetime | None,
    now: datetime,
) -> NewFeed:
    """Make a feed of a site or of one of its crews; its address is in the answer and nowhere else.

    Raises
    ------
    Invalid
        The crew is none of the site's, or the end lies in the past.
    """
    site = site_of(session, caller, site_id)
    if expires_at is not None and expires_at <= now:
        raise Invalid.field("/expires_at", "lies in the past; give a later instant or leave it out")
    if crew is not None:
        _must_be_crew(session, site, crew)
    secret = make_secret(caller.organisation_id)
    row = CalendarFeedRow(
        organisation_id=caller.organisation_id,
        site_id=site.id,
        crew=crew,
        label=label,
        digest=digest_of(secret),
        created_at=now,
        expires_at=expires_at,
    )
    return NewFeed(records.add(session, row), secret)


def _must_be_crew(session: Session, site: SiteRow, crew: str) -> None:
    calendar = calendar_of(session, site)
    weeks = (calendar.week, *(season.week for season in calendar.seasons))
    shifts = [shift for week in weeks for some in week.values() for shift in some]
    known = {*site.crews, *(one.crew for one in (*shifts, *(day.shift for day in calendar.extra_days)))}
    if crew not in known:
        named = ", ".join(sorted(known)) or "none; name crews in the site's calendar"
        raise Invalid.field("/crew", f"'{crew}' is no crew of this site; its crews are {named}")


def revoke_feed(session: Session, caller: Caller, feed_id: UUID, *, now: datetime) -> CalendarFeedRow:
    """Revoke a feed at once; revoking twice keeps the first instant."""
    row = records.find(session, CalendarFeedRow, caller.organisation_id, feed_id, lock=True)
    caller.must_reach_site(row.site_id, CalendarFeedRow.__tablename__)
    row.revoked_at = row.revoked_at or now
    session.flush()
    return row


def read_feed(session: Session, secret: str, *, now: datetime) -> Feed:
    """Return what the feed at a secret address shows; the session is inside the organisation the secret names.

    Raises
    ------
    NotFound
        No such feed.
    Gone
        Revoked or expired.
    """
    digest = digest_of(secret)
    row = stored.feed_by_digest(session, organisation_of(secret), digest)
    if row is None or not hmac.compare_digest(row.digest, digest):
        raise NotFound(_UNKNOWN)
    if row.revoked_at is not None:
        raise Gone(
            "this calendar was revoked; remove it, and ask the site for a new one if you still help there"
        )
    if row.expires_at is not None and row.expires_at <= now:
        raise Gone(
            "this calendar has expired; remove it, and ask the site for a new one if you still help there"
        )
    if row.read_at is None or now - row.read_at > _WRITE_USE_AFTER:
        row.read_at = now
    site = session.get_one(SiteRow, (row.organisation_id, row.site_id))
    rows = stored.calendar_rows(session, site, now=now, crew=row.crew)
    return Feed(
        site=site.name,
        time_zone=site.time_zone,
        crew=row.crew,
        calendar=calendar_of(session, site),
        tasks=[stored.calendar_task(one) for one in rows],
    )
