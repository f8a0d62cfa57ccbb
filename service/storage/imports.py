"""Imports on disk: the record of each, the body it came with in pieces, and every reading of it that was refused."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlalchemy import delete, func, insert, select
from sqlmodel import Session, col
from sqlmodel import select as select_rows

from service.domain.authority import Caller, Scope
from service.domain.errors import NotFound
from service.domain.readings import Refusal
from service.storage.answers import KEPT_FOR
from service.storage.records import Page, make_cursor, page, read_cursor
from service.storage.tables import (
    GatewayRow,
    IdempotentAnswerRow,
    ReadingImportRow,
    import_chunk,
    import_refusal,
)


def find(
    session: Session,
    organisation_id: int,
    import_id: UUID,
    *,
    caller: Caller | None = None,
    lock: bool = False,
) -> ReadingImportRow:
    """Return an import, if ``caller`` may see it.

    Raises
    ------
    NotFound
        Absent, another organisation's, or not one this key may see: they look the same.
    """
    statement = select_rows(ReadingImportRow).where(
        col(ReadingImportRow.organisation_id) == organisation_id, col(ReadingImportRow.id) == import_id
    )
    if lock:
        # Under a lock the row is as it is now, not as this session saw it before.
        statement = statement.with_for_update().execution_options(populate_existing=True)
    row = session.exec(statement).one_or_none()
    if row is None or (caller is not None and not _may_see(caller, row)):
        raise NotFound("no import with this id")
    return row


def _may_see(caller: Caller, row: ReadingImportRow) -> bool:
    if caller.site_id is not None and row.site_id != caller.site_id:
        return False
    return Scope.READ in caller.scopes or row.credential_id == caller.credential_id


def imports_page(
    session: Session, caller: Caller, *, limit: int, after: str | None
) -> Page[ReadingImportRow]:
    """Return the imports a key may see, oldest first."""
    statement = select_rows(ReadingImportRow).where(
        col(ReadingImportRow.organisation_id) == caller.organisation_id
    )
    if caller.site_id is not None:
        statement = statement.where(col(ReadingImportRow.site_id) == caller.site_id)
    if Scope.READ not in caller.scopes:
        statement = statement.where(col(ReadingImportRow.credential_id) == caller.credential_id)
    return page(session, statement, [col(ReadingImportRow.id)], limit=limit, after=after)


def in_state(session: Session, organisation_id: int, state: str, *, before: datetime) -> list[UUID]:
    """Return the imports in a state that began before an instant."""
    statement = select_rows(ReadingImportRow.id).where(
        col(ReadingImportRow.organisation_id) == organisation_id,
        col(ReadingImportRow.state) == state,
        col(ReadingImportRow.created_at) < before,
    )
    return list(session.exec(statement).all())


def gateway_of(session: Session, row: ReadingImportRow) -> GatewayRow | None:
    """Return the gateway whose key an import came with, as it is now."""
    if row.gateway_id is None:
        return None
    return session.get_one(GatewayRow, (row.organisation_id, row.gateway_id))


def add_chunk(session: Session, organisation_id: int, import_id: UUID, number: int, body: bytes) -> None:
    """Keep the next piece of a body."""
    values = {"organisation_id": organisation_id, "import_id": import_id, "number": number, "body": body}
    session.execute(insert(import_chunk).values(values))


def chunk(session: Session, organisation_id: int, import_id: UUID, number: int) -> bytes | None:
    """Return a piece of a body, or None past its end."""
    found: bytes | None = session.execute(
        select(import_chunk.c.body).where(
            import_chunk.c.organisation_id == organisation_id,
            import_chunk.c.import_id == import_id,
            import_chunk.c.number == number,
        )
    ).scalar_one_or_none()
    return found


def drop_chunks(session: Session, organisation_id: int, import_id: UUID) -> None:
    """Take a body away."""
    session.execute(
        delete(import_chunk).where(
            import_chunk.c.organisation_id == organisation_id, import_chunk.c.import_id == import_id
        )
    )


@dataclass(frozen=True)
class RefusedReading:
    """A reading of an import that could not be used; ``place`` counts from 0, ``line`` from 1."""

    place: int
    refusal: Refusal


_LONGEST_TEXT = 500


def add_refusals(
    session: Session, organisation_id: int, import_id: UUID, refused: Sequence[RefusedReading]
) -> None:
    """Keep why readings were refused."""
    if not refused:
        return
    rows = [
        {
            "organisation_id": organisation_id,
            "import_id": import_id,
            "place": one.place,
            "line": one.refusal.line,
            "member": _storable(one.refusal.member),
            "code": one.refusal.code,
            "detail": _storable(one.refusal.detail),
        }
        for one in refused
    ]
    session.execute(insert(import_refusal), rows)


def _storable(text: str) -> str:
    """Return a text PostgreSQL takes: a member may be named by the file, which may name it NUL."""
    return text[:_LONGEST_TEXT].replace("\x00", "\ufffd").encode("utf-8", "replace").decode()


def refusals_page(
    session: Session, organisation_id: int, import_id: UUID, *, limit: int, after: str | None
) -> tuple[list[RefusedReading], str | None]:
    """Return refused readings in their order, and the next cursor."""
    table = import_refusal.c
    statement = select(table.place, table.member, table.code, table.detail, table.line).where(
        table.organisation_id == organisation_id, table.import_id == import_id
    )
    if after is not None:
        statement = statement.where(table.place > read_cursor(after, [int])[0])
    rows = session.execute(statement.order_by(table.place).limit(limit + 1)).all()
    items = [RefusedReading(row[0], Refusal(*row[1:])) for row in rows[:limit]]
    return items, make_cursor([items[-1].place]) if len(rows) > limit else None


def answered(session: Session, caller: Caller, operation: str, key: str) -> bool:
    """Return whether a call under this idempotency key has an answer already; takes no lock."""
    statement = select_rows(IdempotentAnswerRow.status).where(
        col(IdempotentAnswerRow.organisation_id) == caller.organisation_id,
        col(IdempotentAnswerRow.credential_id) == caller.credential_id,
        col(IdempotentAnswerRow.operation) == operation,
        col(IdempotentAnswerRow.key) == key,
        col(IdempotentAnswerRow.created_at) > func.now() - KEPT_FOR,
    )
    return session.exec(statement).one_or_none() is not None
