"""Streams of lines: how far each was committed, kept beside the readings themselves.

A stream's mark is written after its piece has committed, so it may lag behind, never run ahead: going on from it sends
some readings twice at worst, which is harmless.
"""

from datetime import datetime

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Conflict
from service.operations.packs import Receipt
from service.storage import streams
from service.storage.tables import ReadingStreamRow

_COUNTS = ("received", "stored", "duplicate", "held", "disputed")


def open_stream(
    session: Session, caller: Caller, key: str, offset: int | None, *, now: datetime
) -> ReadingStreamRow:
    """Begin a stream, or go on with one at ``offset``.

    Raises
    ------
    Conflict
        The stream does not continue at that byte.
    """
    row = streams.known(session, caller.organisation_id, caller.credential_id, key, lock=True)
    if offset:
        reached = 0 if row is None else row.committed_bytes
        if row is None or reached != offset:
            raise Conflict(f"this stream was committed up to byte {reached}; go on from there")
        row.is_complete = False
        return row
    if row is None:
        row = streams.made(session, caller, key)
    for name in ("committed_bytes", "lines", "refused", *_COUNTS):
        setattr(row, name, 0)
    row.is_complete, row.updated_at = False, now
    session.flush()
    return row


def mark(
    session: Session,
    caller: Caller,
    key: str,
    total: Receipt,
    *,
    committed_bytes: int,
    lines: int,
    is_complete: bool,
    now: datetime,
) -> None:
    """Write down how far a stream came; ``total`` counts from its very beginning."""
    row = streams.find(session, caller, key, lock=True)
    row.committed_bytes, row.lines, row.is_complete, row.updated_at = committed_bytes, lines, is_complete, now
    row.refused = total.refused_count
    for name in _COUNTS:
        setattr(row, name, getattr(total, name))
    session.flush()
