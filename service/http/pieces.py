"""A body of any form, read in pieces: lines and tables in bounded memory, whole documents under a cap."""

import sys
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from service.domain.authority import Caller
from service.domain.errors import TooLarge
from service.http.asking import Asked
from service.http.formats.bodies import LINES, TABLE
from service.http.formats.codings import IDENTITY, Inflater
from service.http.formats.lines import LineCutter, Lines, read_lines
from service.http.formats.read import Sorted, pack_of
from service.http.formats.table import rows_in_pieces
from service.http.readers import Readers
from service.operations.imports import Part
from service.settings import Settings
from service.storage.database import Database

PIECE: Final = 5_000
"""Readings kept together in one transaction."""
INFLATED_TO_WIRE: Final = 8
"""How many times its limit on the wire a body may be, inflated."""
_GULP: Final = 64 << 10
_SIP: Final = 512
"""Bytes read at a time, plain and compressed: of zstd, 512 may well inflate to 16 MiB."""


_MARK: Final = b"\xef\xbb\xbf"
"""What some programs begin a UTF-8 file with; readers may leave it out (RFC 8259 section 8.1)."""


@dataclass(frozen=True)
class Piece:
    """Some readings of a body, in its order.

    Attributes
    ----------
    bag
        With places counted from the beginning of the body.
    first
        Place of the first reading.
    bytes_done
        How much of the body had to be read for it, on the wire.
    lines
        Line of each reading, where the body is made of lines.
    """

    bag: Sorted
    first: int
    bytes_done: int
    lines: Sequence[int] | None = None

    @property
    def end(self) -> int:
        """Place after the last reading."""
        return self.first + self.bag.received

    def after(self, place: int) -> "Piece":
        """Return what of the piece lies at ``place`` or later."""
        if place <= self.first:
            return self
        lines = None if self.lines is None else self.lines[place - self.first :]
        return replace(self, bag=between(self.bag, self.end, place, self.end), first=place, lines=lines)

    def part(self, caller: Caller, *, received_at: datetime) -> Part:
        """Return the piece as the write path takes it.

        A file is no word from its gateway: when it was written says nothing about the gateway's clock, and a hundred
        pieces at once nothing about how often it is heard. The key it came with stays in its batches.
        """
        pack = pack_of(self.bag, caller, now=received_at)
        pack = replace(pack, gateway=None, sent_at=None, promised_silence_s=None)
        return Part(pack, self.first, self.bytes_done, self.lines)


def between(bag: Sorted, end: int, start: int, stop: int) -> Sorted:
    """Return the readings of a bag with places from ``start`` up to ``stop``; ``end`` is the place after its last."""
    low, high = bisect_left(bag.places, start), bisect_left(bag.places, stop)
    refused = [one for one in bag.refused if start <= one[0] < stop]
    return replace(
        bag,
        serials=bag.serials[low:high],
        quantity=bag.quantity[low:high],
        observed_s=bag.observed_s[low:high],
        value=bag.value[low:high],
        unit=bag.unit[low:high],
        places=bag.places[low:high],
        refused=refused,
        received=max(0, min(stop, end) - start),
    )


@dataclass(frozen=True)
class Caps:
    """Most bytes a body may have, inflated.

    Attributes
    ----------
    lines
        Of readings one a line, which are in memory piece by piece; so are tables.
    document
        Of a form that is in memory whole.
    """

    lines: int
    document: int

    @classmethod
    def of(cls, settings: Settings) -> "Caps":
        """Return the caps of what came over the network."""
        return cls(settings.max_import_bytes * INFLATED_TO_WIRE, settings.max_bag_bytes * INFLATED_TO_WIRE)


class PieceReader:
    """Reads one body in pieces.

    Parameters
    ----------
    asked
        Its media type and coding, its profile and time zone.
    skip
        How many of its first readings are dealt with already; they are passed over.
    now
        Readings more than ten minutes ahead of it are refused.
    """

    def __init__(
        self, database: Database, caller: Caller, asked: Asked, caps: Caps, *, now: datetime, skip: int = 0
    ) -> None:
        self._readers = Readers(database, most=sys.maxsize)
        self._caller = caller
        self._asked = asked
        self._caps = caps
        self._now = now
        self._skip = skip
        self._wire_bytes = 0

    def read(self, body: Iterable[bytes]) -> Iterator[Piece]:
        """Yield the pieces that have readings past ``skip``.

        Raises
        ------
        Invalid, Unreadable, TooLarge
            The body is not of its form, or more than may be read at once; what was yielded before stands.
        """
        ways = {LINES: self._lines, TABLE: self._rows}
        for piece in ways.get(self._asked.media_type, self._document)(body):
            if piece.end > self._skip:
                yield piece.after(self._skip)

    def _inflated(self, body: Iterable[bytes], most: int) -> Iterator[bytes]:
        inflater = Inflater(self._asked.coding, most)
        step = _GULP if self._asked.coding == IDENTITY else _SIP
        for wire in body:
            for start in range(0, len(wire), step):
                sip = wire[start : start + step]
                self._wire_bytes += len(sip)
                plain = inflater.feed(sip)
                for at in range(0, len(plain), _GULP):
                    yield plain[at : at + _GULP]
        inflater.finish()

    def _lines(self, body: Iterable[bytes]) -> Iterator[Piece]:
        cutter = LineCutter(PIECE)
        first = 0
        for lines in _cut(cutter, self._inflated(body, self._caps.lines)):
            count = len(lines.lines)
            if first + count > self._skip:
                done = lines.end if self._asked.coding == IDENTITY else self._wire_bytes
                yield Piece(read_lines(lines, now=self._now, before=first), first, done, lines.numbers)
            first += count

    def _rows(self, body: Iterable[bytes]) -> Iterator[Piece]:
        layout = self._readers.layout(self._caller, self._asked.profile)
        first = 0
        for bag in rows_in_pieces(
            self._inflated(body, self._caps.lines),
            layout,
            now=self._now,
            time_zone=self._asked.time_zone,
            piece=PIECE,
        ):
            yield Piece(bag, first, self._wire_bytes)
            first += bag.received

    def _document(self, body: Iterable[bytes]) -> Iterator[Piece]:
        most = self._caps.document
        try:
            whole = b"".join(self._inflated(body, most)).removeprefix(_MARK)
        except TooLarge as error:
            remedy = f"split it, or send one reading a line as {LINES}, of which there may be more"
            raise TooLarge(
                f"a body of {self._asked.media_type} may have at most {most} bytes; {remedy}"
            ) from error
        bag = self._readers.read(self._caller, self._asked, whole, now=self._now)
        del whole
        for start in range(0, bag.received, PIECE):
            stop = min(start + PIECE, bag.received)
            done = self._wire_bytes * stop // bag.received
            yield Piece(between(bag, bag.received, start, stop), start, done)


def _cut(cutter: LineCutter, body: Iterable[bytes]) -> Iterator[Lines]:
    for plain in body:
        yield from cutter.feed(plain)
    yield from cutter.finish()
