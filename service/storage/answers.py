"""Answers to creating calls, kept under the caller's idempotency key."""

from datetime import timedelta
from typing import Any, Final

from sqlalchemy import delete, func
from sqlalchemy.dialects.postgresql import insert
from sqlmodel import Session, col, select

from service.domain.authority import Caller
from service.storage.tables import IdempotentAnswerRow

KEPT_FOR: Final = timedelta(days=7)
"""Long enough for a gateway or a phone that was offline over a week-end and more."""


def claim(
    session: Session, caller: Caller, operation: str, key: str, request_digest: bytes
) -> IdempotentAnswerRow:
    """Take the key for this transaction, or return what it answered before.

    A second caller with the same key waits here for the first to commit or fail.
    """
    session.execute(
        delete(IdempotentAnswerRow).where(
            col(IdempotentAnswerRow.organisation_id) == caller.organisation_id,
            col(IdempotentAnswerRow.credential_id) == caller.credential_id,
            col(IdempotentAnswerRow.created_at) < func.now() - KEPT_FOR,
        )
    )
    session.execute(
        insert(IdempotentAnswerRow)
        .values(
            organisation_id=caller.organisation_id,
            credential_id=caller.credential_id,
            operation=operation,
            key=key,
            request_digest=request_digest,
        )
        .on_conflict_do_nothing()
    )
    return session.exec(
        select(IdempotentAnswerRow).where(
            col(IdempotentAnswerRow.organisation_id) == caller.organisation_id,
            col(IdempotentAnswerRow.credential_id) == caller.credential_id,
            col(IdempotentAnswerRow.operation) == operation,
            col(IdempotentAnswerRow.key) == key,
        )
    ).one()


def kept(session: Session, caller: Caller, operation: str, key: str) -> Any:  # noqa: ANN401 - as it was answered
    """Return the body a key answered before, None when it answered nothing yet."""
    row = session.get(IdempotentAnswerRow, (caller.organisation_id, caller.credential_id, operation, key))
    return None if row is None else row.body


def keep(
    session: Session,
    row: IdempotentAnswerRow,
    *,
    status: int,
    headers: dict[str, str],
    body: Any,  # noqa: ANN401
) -> None:
    """Keep the first answer."""
    row.status, row.headers, row.body = status, headers, body
    session.flush()
