"""API keys of the caller's own organisation."""

from datetime import UTC, datetime
from typing import Annotated
from uuid import UUID

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.authority import Scope
from service.domain.errors import Invalid
from service.http.authority import CanAdmin, Database
from service.http.exchange import After, Limit, PageOut
from service.http.values import In, Instant, Name, Out, shown_as
from service.operations import gateways, keys, sites
from service.storage import keys as stored

router = APIRouter(tags=["keys"])


class KeyIn(In):
    """A key to make; a key without a site is for the whole organisation."""

    model_config = shown_as({"name": "north gateway", "scopes": ["ingest"]})

    name: Name
    scopes: Annotated[list[Scope], Field(min_length=1, max_length=4)]
    site_id: UUID | None = None
    expires_at: Instant | None = None


class GatewayKeyIn(In):
    """A key of a gateway's own: it may send that gateway's readings and nothing else."""

    name: Name
    expires_at: Instant | None = None


class KeyOut(Out):
    """A key as it is on record; the token itself is kept nowhere."""

    id: UUID
    prefix: str
    name: str
    scopes: list[Scope]
    site_id: UUID | None
    gateway_id: UUID | None = Field(description="The gateway it belongs to, whose site is then its own.")
    created_at: Instant
    expires_at: Instant | None
    revoked_at: Instant | None
    last_used_at: Instant | None


class KeyCreated(KeyOut):
    """A key just made; write the token down, it is not shown again."""

    token: str


@router.post("/keys", status_code=201, response_model=KeyCreated)
def create_key(body: KeyIn, caller: CanAdmin, database: Database) -> JSONResponse:
    """Make a key. Not repeatable by Idempotency-Key: its token must be kept nowhere."""
    _must_lie_ahead(body.expires_at, datetime.now(UTC))
    with database.begin(caller.organisation_id) as session:
        if body.site_id is not None or caller.site_id is not None:
            sites.must_be_own_site(session, caller, body.site_id)
        made = keys.create_key(
            session,
            caller.organisation_id,
            name=body.name,
            scopes=frozenset(body.scopes),
            site_id=body.site_id,
            expires_at=body.expires_at,
        )
    return _shown_once(made)


def _must_lie_ahead(expires_at: datetime | None, now: datetime) -> None:
    if expires_at is not None and expires_at <= now:
        raise Invalid.field("/expires_at", "lies in the past; give a later instant or leave it out")


def _shown_once(made: keys.NewKey) -> JSONResponse:
    shown = KeyOut.model_validate(made.row).model_dump()
    created = KeyCreated(**shown, token=made.token)
    return JSONResponse(created.model_dump(mode="json"), 201, {"Cache-Control": "no-store"})


@router.get("/keys", response_model=PageOut[KeyOut])
def list_keys(caller: CanAdmin, database: Database, limit: Limit = 100, after: After = None) -> object:
    """List keys, oldest first."""
    with database.begin(caller.organisation_id) as session:
        return stored.keys_page(session, caller, limit=limit, after=after)


@router.post("/keys/{key_id}/revoke", response_model=KeyOut)
def revoke_key(key_id: UUID, caller: CanAdmin, database: Database) -> object:
    """Revoke a key; it stops working within seconds."""
    with database.begin(caller.organisation_id) as session:
        row = keys.revoke_key(session, caller, key_id, now=datetime.now(UTC))
    return KeyOut.model_validate(row)


@router.post("/gateways/{gateway_id}/keys", status_code=201, response_model=KeyCreated)
def create_gateway_key(
    gateway_id: UUID, body: GatewayKeyIn, caller: CanAdmin, database: Database
) -> JSONResponse:
    """Make a key of a gateway's own; at most two live, so that one can take over from the other without a gap.

    Not repeatable by Idempotency-Key: its token must be kept nowhere.
    """
    now = datetime.now(UTC)
    _must_lie_ahead(body.expires_at, now)
    with database.begin(caller.organisation_id) as session:
        made = keys.create_gateway_key(
            session, caller, gateway_id, name=body.name, expires_at=body.expires_at, now=now
        )
    return _shown_once(made)


@router.get("/gateways/{gateway_id}/keys", response_model=PageOut[KeyOut])
def list_gateway_keys(
    gateway_id: UUID, caller: CanAdmin, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List a gateway's own keys, live or not, oldest first; POST /v1/keys/{key_id}/revoke revokes one."""
    with database.begin(caller.organisation_id) as session:
        gateway = gateways.gateway_of(session, caller, gateway_id)
        return stored.gateway_keys_page(session, gateway, limit=limit, after=after)
