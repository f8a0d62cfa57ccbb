"""What every record needs: find it, add it, change it under its version, page through many."""

import base64
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Generic, TypeVar
from uuid import UUID

from sqlalchemy import tuple_
from sqlmodel import Session, SQLModel, col, select
from sqlmodel.sql.expression import SelectOfScalar

from service.domain.errors import Invalid, NotFound, StaleVersion
from service.storage.tables.columns import TenantRow, VersionedRow

Row = TypeVar("Row", bound=TenantRow)
AnyRow = TypeVar("AnyRow", bound=SQLModel)
Versioned = TypeVar("Versioned", bound=VersionedRow)


def find(session: Session, kind: type[Row], organisation_id: int, row_id: UUID, *, lock: bool = False) -> Row:
    """Return one row of the organisation, locked for a change if asked.

    Raises
    ------
    NotFound
        Absent, or another organisation's: the two look the same.
    """
    statement = select(kind).where(col(kind.organisation_id) == organisation_id, col(kind.id) == row_id)
    row = session.exec(statement.with_for_update() if lock else statement).one_or_none()
    if row is None:
        raise NotFound(f"no {kind.__tablename__} with this id")
    return row


def add(session: Session, row: AnyRow) -> AnyRow:
    """Insert a row at once, so that a constraint speaks inside the operation."""
    session.add(row)
    session.flush()
    session.refresh(row)
    return row


def change(session: Session, row: Versioned, version: int, changes: Mapping[str, Any]) -> Versioned:
    """Apply ``changes`` to a locked row if ``version`` is still its version.

    Raises
    ------
    StaleVersion
        Someone changed the row after the caller read it.
    """
    if row.version != version:
        raise StaleVersion(
            f"If-Match names version {version} and the record is at version {row.version}; read it again"
        )
    for name, value in changes.items():
        setattr(row, name, value)
    row.version += 1
    session.flush()
    return row


@dataclass(frozen=True)
class Page(Generic[Row]):
    """Some rows and, when there are more, the cursor to the next."""

    items: Sequence[Row]
    next: str | None


def page(
    session: Session,
    statement: SelectOfScalar[Row],
    key: Sequence[Any],
    *,
    limit: int,
    after: str | None,
) -> Page[Row]:
    """Return up to ``limit`` rows in the order of ``key``, which must end in a unique column.

    Raises
    ------
    Invalid
        ``after`` is not a cursor this list gave out.
    """
    if after is not None:
        statement = statement.where(
            tuple_(*key) > tuple_(*read_cursor(after, [c.type.python_type for c in key]))
        )
    rows = session.exec(statement.order_by(*key).limit(limit + 1)).all()
    items = rows[:limit]
    more = len(rows) > limit
    return Page(items, make_cursor([getattr(items[-1], c.key) for c in key]) if more else None)


def make_cursor(values: Sequence[UUID | datetime | int | str]) -> str:
    """Return an opaque cursor for the last row's key."""
    plain = [
        v.isoformat() if isinstance(v, datetime) else v if isinstance(v, int) else str(v) for v in values
    ]
    return base64.urlsafe_b64encode(json.dumps(plain, separators=(",", ":")).encode()).decode().rstrip("=")


def read_cursor(cursor: str, kinds: Sequence[type]) -> list[UUID | datetime | int | str]:
    """Read a cursor back into key values of the given kinds.

    Raises
    ------
    Invalid
        The cursor was not made by :func:`make_cursor` for such a key.
    """
    try:
        plain = json.loads(base64.b64decode(cursor + "=" * (-len(cursor) % 4), b"-_", validate=True))
        if not isinstance(plain, list) or len(plain) != len(kinds):
            raise ValueError
        return [_parse(kind, value) for kind, value in zip(kinds, plain, strict=True)]
    except (ValueError, TypeError, RecursionError) as error:
        raise Invalid.field(
            "/after", "not a cursor of this list; use the 'next' of the page before, or leave it out"
        ) from error


def _parse(kind: type, value: object) -> UUID | datetime | int | str:
    if kind is int:
        if not isinstance(value, int) or isinstance(value, bool) or abs(value) >= 2**31:
            raise ValueError
        return value
    if not isinstance(value, str) or "\x00" in value:
        raise ValueError
    if kind is UUID:
        return UUID(value)
    if kind is datetime:
        moment = datetime.fromisoformat(value)
        if moment.tzinfo is None:
            raise ValueError
        return moment
    return value
