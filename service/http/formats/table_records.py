"""A table cut into its records as it comes (RFC 4180), in bounded memory, each with the line it begins in."""

import codecs
import csv
import io
import re
from collections.abc import Iterable, Iterator
from typing import Final

from service.http.formats.read import Unreadable

LONGEST_RECORD: Final = 100_000
"""Characters of one record with its line ends: a quote left open must not swallow the rest of a long file."""

_LINE: Final = re.compile(r"[^\r\n]*(?:\r\n?|\n)|[^\r\n]+")


class Lines:
    """The physical lines of a body with their ends, counted from 1; LF, CRLF and CR all end one."""

    def __init__(self, chunks: Iterable[bytes]) -> None:
        self._lines = _cut(_decode(chunks))
        self._held = 0
        self.number = 0

    def begin_record(self) -> int:
        """Return the number of the line that comes next, in which a record begins."""
        self._held = 0
        return self.number + 1

    def __iter__(self) -> "Lines":
        return self

    def __next__(self) -> str:
        line = next(self._lines)
        self.number += 1
        self._held += len(line)
        if self._held > LONGEST_RECORD:
            raise _too_long(f"line {self.number}")
        return line


def _too_long(where: str) -> Unreadable:
    return Unreadable(
        f"{where}: a record runs past {LONGEST_RECORD:,} characters; is a quote left open before it?"
    )


def _decode(chunks: Iterable[bytes]) -> Iterator[str]:
    decoder = codecs.getincrementaldecoder("utf-8-sig")()
    # Holds a CR back until it is known whether a LF follows, so that a chunk never ends inside CRLF.
    whole_ends = io.IncrementalNewlineDecoder(None, translate=False)
    fed = 0
    try:
        for chunk in chunks:
            fed += len(chunk)
            yield whole_ends.decode(decoder.decode(chunk))
        yield whole_ends.decode(decoder.decode(b"", final=True), final=True)
    except UnicodeDecodeError as error:
        at = fed - len(error.object) + error.start
        byte = f"byte {at} (0x{error.object[error.start]:02x})"
        raise Unreadable(f"not UTF-8: {byte}; save the table as CSV in UTF-8") from error


def _cut(texts: Iterable[str]) -> Iterator[str]:
    begun: list[str] = []
    size = 0
    for text in texts:
        for found in _LINE.finditer(text):
            part = found.group()
            begun.append(part)
            size += len(part)
            if size > LONGEST_RECORD:
                raise _too_long("a line")
            if part[-1] in "\r\n":
                yield "".join(begun)
                begun.clear()
                size = 0
    if begun:
        yield "".join(begun)


def records_of(lines: Lines, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Yield every record with the line it begins in; lines without a cell that holds anything are left out.

    Raises
    ------
    Unreadable
        The quoting is broken, so that nobody can tell where the next record begins.
    """
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    while True:
        first = lines.begin_record()
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            remedy = "close every quote, and double those inside a quoted cell"
            raise Unreadable(f"line {first}: not CSV: {error}; {remedy}") from error
        if any(cell.strip() for cell in cells):
            yield first, cells
