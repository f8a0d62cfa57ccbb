"""Imports: a body taken in whole, read by a job, one committed piece after another.

An import goes ``receiving -> waiting -> running -> done | cancelled | failed``. How far it was read is ``received``,
the number of its readings whose fate is on disk; it commits with them, so a job that is killed and run again reads the
body from its beginning and leaves out just so many. Two jobs that read one import at once do each reading once, too.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller, Scope, Speaker
from service.domain.errors import Conflict
from service.operations.packs import Pack, Receipt
from service.operations.readings import BatchNumbers, ingest
from service.storage import imports as stored
from service.storage import readings as stored_readings
from service.storage import records
from service.storage.jobs import defer
from service.storage.readings import Plain
from service.storage.tables import ReadingImportRow

TASK: Final = "read_import"
OVER: Final = frozenset({"done", "cancelled", "failed"})
CUT_OFF: Final = "the connection ended before the body did; send it again"


@dataclass(frozen=True)
class Form:
    """What the body is and how it is to be read."""

    media_type: str
    content_coding: str | None = None
    profile: str | None = None
    time_zone: str | None = None
    is_dry_run: bool = False


def begin(session: Session, caller: Caller, form: Form) -> ReadingImportRow:
    """Open an import for a body that is about to come in; it keeps its key's limits for the job."""
    row = ReadingImportRow(
        organisation_id=caller.organisation_id,
        credential_id=caller.credential_id,
        site_id=caller.site_id,
        gateway_id=None if caller.gateway is None else caller.gateway.id,
        media_type=form.media_type,
        content_coding=form.content_coding,
        profile=form.profile,
        time_zone=form.time_zone,
        is_dry_run=form.is_dry_run,
    )
    return records.add(session, row)


def spool(session: Session, caller: Caller, import_id: UUID, number: int, body: bytes) -> None:
    """Keep the next piece of the body.

    Raises
    ------
    Conflict
        The import was cancelled meanwhile.
    """
    row = _receiving(session, caller, import_id)
    stored.add_chunk(session, row.organisation_id, row.id, number, body)
    row.bytes_total += len(body)
    _changed(session, row)


def hand_over(session: Session, caller: Caller, import_id: UUID) -> ReadingImportRow:
    """Let a body that is here whole be read; the job commits with it.

    Raises
    ------
    Conflict
        The import was cancelled meanwhile.
    """
    row = _receiving(session, caller, import_id)
    row.state = "waiting"
    _changed(session, row)
    ask_to_read(session, row)
    return row


def ask_to_read(session: Session, row: ReadingImportRow) -> None:
    """Ask for the job; one waiting is enough."""
    defer(
        session,
        TASK,
        once=f"{TASK}:{row.id}",
        organisation_id=row.organisation_id,
        import_id=str(row.id),
    )


def _receiving(session: Session, caller: Caller, import_id: UUID) -> ReadingImportRow:
    row = stored.find(session, caller.organisation_id, import_id, lock=True)
    if row.state != "receiving":
        raise Conflict(f"the import is {row.state} and takes no more; send the file anew")
    return row


def give_up(session: Session, organisation_id: int, import_id: UUID, problem: str, *, now: datetime) -> None:
    """End an import that cannot be read, or not to its end; what was kept of it stays."""
    row = stored.find(session, organisation_id, import_id, lock=True)
    if row.state not in OVER:
        row.problem = problem
        _end(session, row, "failed", now=now)


def cancel(session: Session, caller: Caller, import_id: UUID, *, now: datetime) -> ReadingImportRow:
    """End an import; a job that reads it sees so before its next piece, and what was kept stays.

    Raises
    ------
    Conflict
        It is over already.
    """
    row = stored.find(session, caller.organisation_id, import_id, caller=caller, lock=True)
    if row.state in OVER:
        raise Conflict(f"the import is {row.state} already; there is nothing left to cancel")
    row.problem = _what_stays(row)
    _end(session, row, "cancelled", now=now)
    return row


def _what_stays(row: ReadingImportRow) -> str:
    if row.is_dry_run or not row.received:
        return "cancelled before anything was kept"
    return f"cancelled; what came of the first {row.received} readings stays"


def start(
    session: Session, organisation_id: int, import_id: UUID, *, now: datetime
) -> ReadingImportRow | None:
    """Begin to read an import, or go on with it; None if there is nothing left to read."""
    row = stored.find(session, organisation_id, import_id, lock=True)
    if row.state not in {"waiting", "running"}:
        return None
    row.state, row.started_at = "running", row.started_at or now
    _changed(session, row)
    return row


def caller_of(session: Session, row: ReadingImportRow) -> Caller:
    """Return who sent an import, within the limits its key had then and its gateway has now."""
    gateway = stored.gateway_of(session, row)
    return Caller(
        organisation_id=row.organisation_id,
        credential_id=row.credential_id or UUID(int=0),
        scopes=frozenset({Scope.INGEST}),
        site_id=row.site_id,
        gateway=None
        if gateway is None
        else Speaker(gateway.id, gateway.name, frozenset(gateway.serials), gateway.aliases),
    )


def running(session: Session, organisation_id: int, import_id: UUID) -> ReadingImportRow | None:
    """Return an import that is being read, locked; None if it was cancelled or came to its end."""
    row = stored.find(session, organisation_id, import_id, lock=True)
    return row if row.state == "running" else None


@dataclass(frozen=True)
class Part:
    """Some readings of an import, in its order.

    Attributes
    ----------
    pack
        With places counted from the beginning of the body.
    first
        Place of its first reading.
    lines
        Line of each of its readings, where the body is made of lines; as many as ``pack.received``.
    bytes_done
        How much of the body has been read with it, on the wire.
    """

    pack: Pack
    first: int
    bytes_done: int
    lines: Sequence[int] | None = None


class Keeping:
    """Keeps one body, part after part; takes the quicker way until a reading of it was there before."""

    def __init__(self) -> None:
        self._numbers = BatchNumbers()
        self._expects_new = True

    def keep(self, session: Session, row: ReadingImportRow, part: Part) -> Receipt:
        """Keep the next part of a running import with its counts and refusals, in the open transaction."""
        assert part.first == row.received, "a part that does not follow"
        receipt = self.try_part(session, part) if row.is_dry_run else self.keep_part(session, part)
        stored.add_refusals(
            session,
            row.organisation_id,
            row.id,
            [stored.RefusedReading(place, refusal) for place, refusal in receipt.refused],
        )
        row.received += receipt.received
        row.stored += receipt.stored
        row.duplicate += receipt.duplicate
        row.disputed += receipt.disputed
        row.held += receipt.held
        row.refused += receipt.refused_count
        row.bytes_done = max(row.bytes_done, part.bytes_done)
        _changed(session, row)
        return receipt

    def try_part(self, session: Session, part: Part) -> Receipt:
        """Send a part the same way and take it back; what is refused of it is known, what was there before is not."""
        with session.begin_nested() as trial:
            receipt = self.keep_part(session, part)
            trial.rollback()
        return Receipt(receipt.received, refused=receipt.refused, refused_count=receipt.refused_count)

    def keep_part(self, session: Session, part: Part) -> Receipt:
        """Keep a part in the open transaction; every refusal names its line if there are lines."""
        receipt = self._ingested(session, part)
        if part.lines is not None:
            lines, first = part.lines, part.first
            receipt.refused = [
                (place, replace(refusal, line=lines[place - first])) for place, refusal in receipt.refused
            ]
        return receipt

    def _ingested(self, session: Session, part: Part) -> Receipt:
        if self._expects_new:
            try:
                with session.begin_nested():
                    return self._ingest(session, part)
            except stored_readings.AlreadyThere:
                self._expects_new = False
        return self._ingest(session, part)

    def _ingest(self, session: Session, part: Part) -> Receipt:
        # A savepoint is only made once the session is asked for its connection.
        connection: Plain = session.connection().connection.driver_connection  # type: ignore[assignment]
        organisation_id = part.pack.caller.organisation_id
        probes = stored_readings.instruments(connection, organisation_id, sorted(set(part.pack.serials)))
        (receipt,) = ingest(
            connection, organisation_id, [part.pack], probes, self._numbers, expect_new=self._expects_new
        )
        return receipt


def finish(session: Session, organisation_id: int, import_id: UUID, *, now: datetime) -> None:
    """Say that an import was read to its end."""
    row = running(session, organisation_id, import_id)
    if row is not None:
        row.bytes_done = row.bytes_total
        _end(session, row, "done", now=now)


def drop_cut_off(session: Session, organisation_id: int, *, before: datetime, now: datetime) -> int:
    """Give up imports whose body began to come in before an instant and never came to its end; say how many."""
    found = stored.in_state(session, organisation_id, "receiving", before=before)
    for import_id in found:
        give_up(session, organisation_id, import_id, CUT_OFF, now=now)
    return len(found)


def ask_again(session: Session, organisation_id: int, *, before: datetime) -> int:
    """Ask anew for jobs of imports that have waited or run since before an instant, should a job have been lost.

    A second job beside a living one does no harm.
    """
    found = [
        import_id
        for state in ("waiting", "running")
        for import_id in stored.in_state(session, organisation_id, state, before=before)
    ]
    for import_id in found:
        ask_to_read(session, stored.find(session, organisation_id, import_id))
    return len(found)


def _end(session: Session, row: ReadingImportRow, state: str, *, now: datetime) -> None:
    row.state, row.finished_at = state, now
    _changed(session, row)
    stored.drop_chunks(session, row.organisation_id, row.id)


def _changed(session: Session, row: ReadingImportRow) -> None:
    row.version += 1
    session.flush()
