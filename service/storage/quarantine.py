"""Messages that nobody could read, as they came: in a list with the beginning of each, one by one whole."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import Select, func, select, tuple_
from sqlmodel import Session, col

from service.domain.errors import NotFound
from service.storage.records import make_cursor, read_cursor
from service.storage.tables import QuarantinedMessageRow


@dataclass(frozen=True)
class Quarantined:
    """A message that could not be read.

    Attributes
    ----------
    body
        Its beginning, or the whole.
    body_bytes
        How many bytes of it are kept.
    """

    id: UUID
    gateway: str
    topic: str
    media_type: str | None
    reason: str
    received_at: datetime
    body_bytes: int
    body: bytes


@dataclass(frozen=True)
class QuarantinePage:
    """Some messages and, when there are more, the cursor to the next."""

    items: Sequence[Quarantined]
    next: str | None


def quarantine_page(
    session: Session,
    organisation_id: int,
    *,
    gateway: str | None,
    most_bytes: int,
    limit: int,
    after: str | None,
) -> QuarantinePage:
    """Return messages in the order they came, at most ``most_bytes`` of each: a whole one may be megabytes."""
    statement = _messages(organisation_id, func.substring(col(QuarantinedMessageRow.body), 1, most_bytes))
    if gateway is not None:
        statement = statement.where(col(QuarantinedMessageRow.gateway) == gateway)
    key = (col(QuarantinedMessageRow.received_at), col(QuarantinedMessageRow.id))
    if after is not None:
        statement = statement.where(tuple_(*key) > tuple_(*read_cursor(after, [datetime, UUID])))
    found = session.execute(statement.order_by(*key).limit(limit + 1)).all()
    items = [Quarantined(*row) for row in found[:limit]]
    more = len(found) > limit
    return QuarantinePage(items, make_cursor([items[-1].received_at, items[-1].id]) if more else None)


def quarantined(session: Session, organisation_id: int, message_id: UUID) -> Quarantined:
    """Return one message whole.

    Raises
    ------
    NotFound
        Absent, or another organisation's.
    """
    statement = _messages(organisation_id, col(QuarantinedMessageRow.body))
    row = session.execute(statement.where(col(QuarantinedMessageRow.id) == message_id)).one_or_none()
    if row is None:
        raise NotFound("no quarantined message with this id")
    return Quarantined(*row)


def _messages(organisation_id: int, body: Any) -> Select[Any]:  # noqa: ANN401 - a column or a part of it
    return select(
        col(QuarantinedMessageRow.id),
        col(QuarantinedMessageRow.gateway),
        col(QuarantinedMessageRow.topic),
        col(QuarantinedMessageRow.media_type),
        col(QuarantinedMessageRow.reason),
        col(QuarantinedMessageRow.received_at),
        func.octet_length(col(QuarantinedMessageRow.body)),
        body,
    ).where(col(QuarantinedMessageRow.organisation_id) == organisation_id)
