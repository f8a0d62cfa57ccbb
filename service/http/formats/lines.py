"""One reading a line (NDJSON): cut into lines as it comes, read in pieces, with the byte where each piece ends."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import msgspec

from service.http.formats.items import QUICK_ITEM, sort_good, sort_one_by_one
from service.http.formats.read import Sorted, Unreadable

LONGEST_LINE: Final = 64 << 10
"""Bytes; a longer line is no reading, and a body without line ends must not fill the memory."""


@dataclass(frozen=True)
class Lines:
    """Some whole lines of a body.

    Attributes
    ----------
    lines
        Each without its line end; never blank.
    numbers
        Their physical line numbers, from 1.
    end
        Offset of the byte after the last of them, in the inflated body.
    """

    lines: Sequence[bytes]
    numbers: Sequence[int]
    end: int


class LineCutter:
    """Cuts a body into pieces of whole lines.

    Parameters
    ----------
    piece
        Lines in a piece.
    offset, line
        Where the body goes on if it is the rest of a longer one.
    """

    def __init__(self, piece: int, *, offset: int = 0, line: int = 0) -> None:
        self._piece = piece
        self._rest = b""
        self._end = offset
        self._line = line
        self._lines: list[bytes] = []
        self._numbers: list[int] = []

    def feed(self, data: bytes) -> Iterator[Lines]:
        """Yield the pieces that are complete now.

        Raises
        ------
        Unreadable
            A line is longer than any reading.
        """
        *whole, self._rest = (self._rest + data).split(b"\n")
        for line in whole:
            self._take(line, len(line) + 1)
            if len(self._lines) >= self._piece:
                yield self._cut()
        if len(self._rest) > LONGEST_LINE:
            raise Unreadable(f"line {self._line + 1} is longer than {LONGEST_LINE} bytes; one reading a line")

    def finish(self) -> Iterator[Lines]:
        """Yield what is left at the end of the body, its last line with or without a line end."""
        if self._rest:
            self._take(self._rest, len(self._rest))
            self._rest = b""
        if self._lines:
            yield self._cut()

    def cut_off(self) -> Iterator[Lines]:
        """Yield the whole lines of a body that broke off; its last, half line is left."""
        if self._lines:
            yield self._cut()

    def _take(self, line: bytes, length: int) -> None:
        self._end += length
        self._line += 1
        if len(line) > LONGEST_LINE:
            raise Unreadable(f"line {self._line} is longer than {LONGEST_LINE} bytes; one reading a line")
        line = line.removeprefix(b"\xef\xbb\xbf") if self._line == 1 else line
        if line.strip():
            self._lines.append(line)
            self._numbers.append(self._line)

    def _cut(self) -> Lines:
        cut = Lines(self._lines, self._numbers, self._end)
        self._lines, self._numbers = [], []
        return cut


def read_lines(lines: Lines, *, now: datetime, before: int = 0) -> Sorted:
    """Read a piece; places go on from ``before``, the lines read earlier."""
    most = len(lines.lines)
    found = None
    try:
        items = QUICK_ITEM.decode_lines(b"\n".join(lines.lines))
        found = sort_good(items, now=now) if len(items) == most else None
        found = None if found is None else replace(found, lines=lines.numbers)
    except (msgspec.DecodeError, RecursionError):
        pass
    if found is None:
        found = sort_one_by_one(lines.lines, now=now, most=most, lines=lines.numbers)
    return replace(
        found,
        places=[place + before for place in found.places],
        refused=[(place + before, refusal) for place, refusal in found.refused],
    )
