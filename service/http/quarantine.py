"""Messages of gateways that nobody could read, for a person to look at."""

import base64
from typing import Annotated, Final
from uuid import UUID

from fastapi import APIRouter, Query
from pydantic import Field

from service.http.authority import CanRead, Database
from service.http.exchange import After, PageOut
from service.http.values import Instant, Name, Out
from service.storage import quarantine as stored
from service.storage.quarantine import Quarantined

router = APIRouter(tags=["gateways"])

SHOWN_BYTES: Final = 64 << 10
"""Of each message in a list; a kept message may have megabytes."""


class QuarantinedOut(Out):
    """A message that could not be read."""

    id: UUID
    gateway: str = Field(description="Whose topic it came on; it may be none of yours.")
    topic: str
    media_type: str | None
    reason: str = Field(description="Why it could not be read.")
    received_at: Instant
    body_bytes: int = Field(description="How many bytes of it are kept.")
    body: str = Field(
        description="As it came, in base64: in a list its first 65,536 bytes, one by one the whole.",
        json_schema_extra={"contentEncoding": "base64"},
    )


def _shown(message: Quarantined) -> QuarantinedOut:
    return QuarantinedOut(
        id=message.id,
        gateway=message.gateway,
        topic=message.topic,
        media_type=message.media_type,
        reason=message.reason,
        received_at=message.received_at,
        body_bytes=message.body_bytes,
        body=base64.b64encode(message.body).decode(),
    )


@router.get("/quarantine", response_model=PageOut[QuarantinedOut])
def list_quarantine(
    caller: CanRead,
    database: Database,
    gateway: Annotated[Name | None, Query(description="Only messages on topics of this gateway.")] = None,
    limit: Annotated[int, Query(ge=1, le=100, description="Most items in the answer.")] = 20,
    after: After = None,
) -> object:
    """List messages that could not be read, in the order they came."""
    caller.must_be_organisation_wide("quarantined messages")
    with database.begin(caller.organisation_id) as session:
        found = stored.quarantine_page(
            session,
            caller.organisation_id,
            gateway=gateway,
            most_bytes=SHOWN_BYTES,
            limit=limit,
            after=after,
        )
    return {"items": [_shown(one) for one in found.items], "next": found.next}


@router.get("/quarantine/{message_id}", response_model=QuarantinedOut)
def get_quarantined(message_id: UUID, caller: CanRead, database: Database) -> object:
    """Return one message whole."""
    caller.must_be_organisation_wide("quarantined messages")
    with database.begin(caller.organisation_id) as session:
        found = stored.quarantined(session, caller.organisation_id, message_id)
    return _shown(found)
