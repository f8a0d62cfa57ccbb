"""What a message from the broker changes, besides readings: a gateway's state, and the quarantine."""

import hashlib
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller, Scope, Speaker
from service.domain.errors import NotFound
from service.storage import gateways
from service.storage.tables import GatewayStateRow, QuarantinedMessageRow


@dataclass(frozen=True)
class Told:
    """What a gateway tells of itself; its last will tells it in its place."""

    is_online: bool
    since: datetime | None = None
    buffered: int | None = None


def caller_for(session: Session, organisation_id: int, name: str) -> Caller:
    """Return the authority of a gateway whose name the broker has vouched for: its own, and no more.

    Raises
    ------
    NotFound
        The organisation has no such gateway.
    """
    row = gateways.named(session, organisation_id, name)
    if row is None:
        raise NotFound(
            f"no gateway is registered as {name!a}; POST /v1/gateways, or use the registered name or the id"
        )
    speaker = Speaker(row.id, row.name, frozenset(row.serials), row.aliases)
    return Caller(organisation_id, row.id, frozenset({Scope.INGEST}), row.site_id, speaker)


def note_state(session: Session, caller: Caller, told: Told, *, now: datetime) -> None:
    """Keep what a gateway tells of itself; what arrived last counts."""
    assert caller.gateway is not None
    gateways.put_state(
        session,
        GatewayStateRow(
            organisation_id=caller.organisation_id,
            gateway_id=caller.gateway.id,
            is_online=told.is_online,
            since=told.since,
            buffered=told.buffered,
            told_at=now,
        ),
    )


@dataclass(frozen=True)
class Unusable:
    """A message that cannot be used, and why."""

    gateway: str
    topic: str
    media_type: str | None
    body: bytes
    reason: str


def quarantine(
    session: Session, organisation_id: int, message: Unusable, *, now: datetime, most_bytes: int
) -> UUID:
    """Keep a message as it came, at most ``most_bytes`` of it, for a person to look at.

    The id follows from topic and body: the same message delivered again, as brokers may, is kept once.
    """
    size, reason = len(message.body), message.reason
    if size > most_bytes:
        reason = f"{reason}; of its {size} bytes the first {most_bytes} are kept"
    row = QuarantinedMessageRow(
        organisation_id=organisation_id,
        id=_id_of(message),
        gateway=message.gateway,
        topic=message.topic,
        media_type=message.media_type,
        body=message.body[:most_bytes],
        reason=reason.replace("\x00", "\\x00"),
        received_at=now,
    )
    gateways.put_quarantined(session, row)
    return row.id


def _id_of(message: Unusable) -> UUID:
    """Return a UUID of version 8 (RFC 9562 section 5.8) made from the message itself."""
    digest = hashlib.sha256(message.topic.encode() + b"\x00" + message.body).digest()
    number = int.from_bytes(digest[:16])
    number = number & ~(0xF << 76) | 8 << 76
    return UUID(int=number & ~(0x3 << 62) | 2 << 62)
