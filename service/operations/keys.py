"""API keys: making, checking and revoking them.

A token reads ``hlk_<organisation>_<prefix>_<secret><check>``. The organisation stands in it so that even the
look-up of a key happens inside one organisation; the secret is 32 random bytes, so a plain SHA-256 keeps it
(a slow hash protects weak passwords, not 256 random bits).
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

from service.domain.authority import Caller, Scope, Speaker
from service.domain.errors import Conflict, NotAuthenticated
from service.operations.gateways import gateway_of
from service.storage import keys as stored
from service.storage import records
from service.storage.tables import ApiKeyRow

_TOKEN: Final = re.compile(r"hlk_([0-9a-f]{1,8})_([0-9a-f]{10})_([0-9a-f]{64})([0-9a-f]{8})")
_WRITE_USE_AFTER: Final = timedelta(hours=1)
MOST_LIVE: Final = 2
"""Of a gateway: the one in use, and the one it is being given."""


@dataclass(frozen=True)
class NewKey:
    """A key just made; ``token`` is shown this once."""

    row: ApiKeyRow
    token: str


def make_token(organisation_id: int) -> tuple[str, str]:
    """Return a new token and its prefix."""
    prefix = secrets.token_hex(5)
    body = f"hlk_{organisation_id:x}_{prefix}_{secrets.token_hex(32)}"
    return f"{body}{zlib.crc32(body.encode()):08x}", prefix


def organisation_of(token: str) -> int:
    """Return the organisation a well-formed token names.

    Raises
    ------
    NotAuthenticated
        The token is mistyped, cut off or not one of ours.
    """
    match = _TOKEN.fullmatch(token)
    if match is None or f"{zlib.crc32(token[:-8].encode()):08x}" != match[4]:
        raise NotAuthenticated("the key is mistyped or cut off; copy it whole")
    organisation_id = int(match[1], 16)
    if organisation_id >= 2**31:
        raise NotAuthenticated("the key is not one of this service")
    return organisation_id


def digest_of(token: str) -> bytes:
    """Return what is kept of a token."""
    return hashlib.sha256(token.encode()).digest()


def create_key(
    session: Session,
    organisation_id: int,
    *,
    name: str,
    scopes: frozenset[Scope],
    site_id: UUID | None = None,
    gateway_id: UUID | None = None,
    expires_at: datetime | None = None,
) -> NewKey:
    """Make a key; its token is in the answer and nowhere else."""
    token, prefix = make_token(organisation_id)
    row = ApiKeyRow(
        organisation_id=organisation_id,
        prefix=prefix,
        digest=digest_of(token),
        name=name,
        scopes=sorted(scopes),
        site_id=site_id,
        gateway_id=gateway_id,
        expires_at=expires_at,
    )
    return NewKey(records.add(session, row), token)


def create_gateway_key(
    session: Session,
    caller: Caller,
    gateway_id: UUID,
    *,
    name: str,
    expires_at: datetime | None,
    now: datetime,
) -> NewKey:
    """Make a key of a gateway's own: it may send readings and nothing else.

    Raises
    ------
    Conflict
        The gateway has two live keys. One more would be forgotten somewhere, and nobody would know which to revoke.
    """
    gateway = gateway_of(session, caller, gateway_id, lock=True)
    live = stored.live_keys_of(session, gateway, now=now)
    if len(live) >= MOST_LIVE:
        older, newer = live[0], live[-1]
        raise Conflict(
            f"gateway {gateway.name!r} has two live keys, {older.prefix} and {newer.prefix}; once it uses"
            f" {newer.prefix}, revoke the older: POST /v1/keys/{older.id}/revoke"
        )
    return create_key(
        session,
        caller.organisation_id,
        name=name,
        scopes=frozenset({Scope.INGEST}),
        site_id=gateway.site_id,
        gateway_id=gateway.id,
        expires_at=expires_at,
    )


def authenticate(session: Session, token: str, *, now: datetime) -> Caller:
    """Return the bearer of ``token``; the session is already inside the organisation the token names.

    Raises
    ------
    NotAuthenticated
        Unknown, expired or revoked.
    """
    match = _TOKEN.fullmatch(token)
    row = stored.by_prefix(session, organisation_of(token), match[2]) if match else None
    if row is None or not hmac.compare_digest(row.digest, digest_of(token)):
        raise NotAuthenticated("the key is not known; ask your administrator for a new one")
    if row.revoked_at is not None:
        raise NotAuthenticated("the key was revoked; ask your administrator for a new one")
    if row.expires_at is not None and row.expires_at <= now:
        raise NotAuthenticated("the key has expired; ask your administrator for a new one")
    if row.last_used_at is None or now - row.last_used_at > _WRITE_USE_AFTER:
        row.last_used_at = now
    gateway = stored.gateway_of_key(session, row)
    return Caller(
        row.organisation_id,
        row.id,
        frozenset(map(Scope, row.scopes)),
        row.site_id if gateway is None else gateway.site_id,
        None
        if gateway is None
        else Speaker(gateway.id, gateway.name, frozenset(gateway.serials), gateway.aliases),
    )


def revoke_key(session: Session, caller: Caller, key_id: UUID, *, now: datetime) -> ApiKeyRow:
    """Revoke a key; revoking twice keeps the first instant."""
    row = records.find(session, ApiKeyRow, caller.organisation_id, key_id, lock=True)
    caller.must_reach_site(row.site_id, "key")
    row.revoked_at = row.revoked_at or now
    session.flush()
    return row
