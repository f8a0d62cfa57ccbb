"""The job that reads an import."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from typing import Final
from uuid import UUID

from service.domain.authority import Caller
from service.domain.errors import Invalid, TooLarge
from service.http.asking import Asked
from service.http.formats.codings import IDENTITY
from service.http.formats.read import Unreadable
from service.http.pieces import Caps, Piece, PieceReader
from service.http.receipts import count
from service.jobs.tasks import Task, Tools
from service.operations import imports
from service.settings import Settings
from service.storage import imports as stored
from service.storage.database import Database
from service.storage.tables import ReadingImportRow


def _always() -> None:
    """Go on."""


def read_import(
    database: Database,
    organisation_id: int,
    import_id: str,
    *,
    settings: Settings,
    go_on: Callable[[], None] = _always,
) -> None:
    """Read an import to its end; ``go_on`` is called between its pieces and may raise to interrupt it.

    Run again after a crash it goes on where it was; run beside itself it reads nothing twice. A body that is not of its
    form ends the import as ``failed``; a fault of the service is raised, for the queue to try again.
    """
    with database.begin(organisation_id) as session:
        row = imports.start(session, organisation_id, UUID(import_id), now=datetime.now(UTC))
        if row is None:
            return
        caller = imports.caller_of(session, row)
    run = _Run(database, row, caller)
    try:
        for piece in run.reader(settings).read(run.body()):
            if not run.keep(piece):
                return
            go_on()
    except (Invalid, Unreadable, TooLarge) as error:
        with database.begin(organisation_id) as session:
            imports.give_up(session, organisation_id, row.id, str(error), now=datetime.now(UTC))
        return
    with database.begin(organisation_id) as session:
        imports.finish(session, organisation_id, row.id, now=datetime.now(UTC))


class _Run:
    """The job, run once.

    Parameters
    ----------
    row
        The import as it was when the run began.
    caller
        Who sent it.
    """

    def __init__(self, database: Database, row: ReadingImportRow, caller: Caller) -> None:
        self._database = database
        self._row = row
        self._caller = caller
        self._keeping = imports.Keeping()

    def reader(self, settings: Settings) -> PieceReader:
        """Return what cuts the body into pieces, past those that are committed."""
        row = self._row
        assert row.started_at is not None
        coding = row.content_coding or IDENTITY
        asked = Asked(
            row.media_type,
            coding,
            is_strict=False,
            responds_async=True,
            is_dry_run=row.is_dry_run,
            profile=row.profile,
            time_zone=row.time_zone,
        )
        # Judged by the first start, a run that goes on refuses what the first would have refused.
        caps = Caps.of(settings)
        return PieceReader(self._database, self._caller, asked, caps, now=row.started_at, skip=row.received)

    def body(self) -> Iterator[bytes]:
        """Yield the body as it came over the wire."""
        row, read, number = self._row, 0, 0
        while read < row.bytes_total:
            with self._database.begin(row.organisation_id) as session:
                chunk = stored.chunk(session, row.organisation_id, row.id, number)
                if chunk is None and imports.running(session, row.organisation_id, row.id) is None:
                    return  # it was cancelled, or another run came to its end: the body is gone
            if chunk is None:
                raise RuntimeError(f"import {row.id} lacks piece {number} of its body")
            yield chunk
            read += len(chunk)
            number += 1

    def keep(self, piece: Piece) -> bool:
        """Keep a piece with its counts, in one transaction; say whether the import is to be read on."""
        with self._database.begin(self._row.organisation_id) as session:
            row = imports.running(session, self._row.organisation_id, self._row.id)
            if row is None:
                return False
            if piece.end <= row.received:
                return True
            # Not when the file came: a verdict judged since then has not seen these readings.
            part = piece.after(row.received).part(self._caller, received_at=datetime.now(UTC))
            receipt = self._keeping.keep(session, row, part)
        count(receipt)
        return True


def _read_import(tools: Tools, organisation_id: int, import_id: str) -> None:
    read_import(tools.database, organisation_id, import_id, settings=tools.settings, go_on=tools.go_on)


TASKS: Final = (Task(imports.TASK, _read_import),)
