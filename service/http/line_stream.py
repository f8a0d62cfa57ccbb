"""A stream of readings, one a line: committed piece by piece in bounded memory, and resumable where it broke off."""

import asyncio
from collections.abc import AsyncIterator
from datetime import UTC, datetime
from typing import Final

from service.domain.authority import Caller
from service.domain.errors import Invalid, Unavailable
from service.http.asking import Asked
from service.http.formats.codings import Inflater
from service.http.formats.lines import LineCutter, Lines, read_lines
from service.http.formats.read import Unreadable, pack_of
from service.http.receipts import count
from service.operations.intake import Intake
from service.operations.packs import Pack, Receipt
from service.operations.streams import mark, open_stream
from service.settings import Settings
from service.storage.database import Database

PIECE: Final = 5_000
"""Lines committed together."""
_PAUSE_S: Final = 0.1


class LineStream:
    """Takes one stream.

    Attributes
    ----------
    total
        What became of its readings, from its very beginning.
    committed_bytes
        Where its last committed line ends, in the inflated body.
    lines
        Its last committed line.
    """

    def __init__(
        self, intake: Intake, database: Database, settings: Settings, caller: Caller, asked: Asked
    ) -> None:
        if asked.is_strict:
            raise Invalid.field(
                "/Prefer",
                "a stream is committed as it comes and cannot be all or nothing; send a JSON bag for that",
            )
        self._intake = intake
        self._database = database
        self._most = settings.max_stream_bytes
        self._caller = caller
        self._asked = asked
        self.total = Receipt(0)
        self.committed_bytes = asked.offset or 0
        self.lines = 0

    async def take(self, pieces: AsyncIterator[bytes]) -> None:
        """Commit a stream as it comes.

        Raises
        ------
        Unreadable
            It broke off, or is not of its coding; the whole lines before that are committed.
        Conflict
            It does not continue where it was left.
        """
        await self._open()
        cutter = LineCutter(PIECE, offset=self.committed_bytes, line=self.lines)
        inflater = Inflater(self._asked.coding, self._most)
        try:
            async for piece in pieces:
                for lines in cutter.feed(inflater.feed(piece)):
                    await self._keep(lines)
            inflater.finish()
        except Unreadable:
            for lines in cutter.cut_off():
                await self._keep(lines)
            raise
        for lines in cutter.finish():
            await self._keep(lines)
        await self._mark(is_complete=True)

    async def _open(self) -> None:
        key = self._asked.key
        if key is None or self._asked.is_dry_run:
            return
        caller, offset = self._caller, self._asked.offset

        def opened() -> tuple[Receipt, int, int]:
            with self._database.begin(caller.organisation_id) as session:
                row = open_stream(session, caller, key, offset, now=datetime.now(UTC))
                before = Receipt(
                    row.received,
                    row.stored,
                    row.duplicate,
                    row.held,
                    disputed=row.disputed,
                    refused_count=row.refused,
                )
                return before, row.committed_bytes, row.lines

        self.total, self.committed_bytes, self.lines = await asyncio.to_thread(opened)

    async def _keep(self, lines: Lines) -> None:
        now = datetime.now(UTC)
        found = read_lines(lines, now=now, before=self.total.received)
        if self._asked.is_dry_run:
            self.total.add(
                Receipt(found.received, refused=list(found.refused), refused_count=len(found.refused))
            )
        else:
            receipt = await self._submit(pack_of(found, self._caller, now=now))
            count(receipt)
            self.total.add(receipt)
        self.committed_bytes, self.lines = lines.end, lines.numbers[-1]
        await self._mark(is_complete=False)

    async def _submit(self, pack: Pack) -> Receipt:
        """Keep a piece; when too many wait, so does the stream."""
        while True:
            try:
                promise = self._intake.submit_on_loop(pack)
            except Unavailable:
                await asyncio.sleep(_PAUSE_S)
            else:
                return await promise

    async def _mark(self, *, is_complete: bool) -> None:
        key = self._asked.key
        if key is None or self._asked.is_dry_run:
            return

        def marked() -> None:
            with self._database.begin(self._caller.organisation_id) as session:
                mark(
                    session,
                    self._caller,
                    key,
                    self.total,
                    committed_bytes=self.committed_bytes,
                    lines=self.lines,
                    is_complete=is_complete,
                    now=datetime.now(UTC),
                )

        await asyncio.to_thread(marked)
