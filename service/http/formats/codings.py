"""Compressed bodies, inflated bit by bit under a limit: six kilobytes may hold two hundred megabytes."""

import zlib
from typing import Final, Protocol

from backports import zstd

from service.domain.errors import TooLarge
from service.http.formats.read import Unreadable

IDENTITY: Final = "identity"
CODINGS: Final = ("gzip", "zstd")
"""What ``Content-Encoding`` may name (RFC 9110 section 8.4.1; zstd RFC 8878)."""
ACCEPT_ENCODING: Final = ", ".join((*CODINGS, IDENTITY))
LARGEST_WINDOW_LOG: Final = 23
"""8 MiB of memory for zstd's window, as RFC 9659 has it for HTTP."""
PIECE: Final = 1 << 18


class _Machine(Protocol):
    """What inflates: a gzip member, or a zstd frame."""

    @property
    def eof(self) -> bool: ...

    @property
    def unused_data(self) -> bytes: ...

    def decompress(self, data: bytes, max_length: int, /) -> bytes: ...


class _Gzip:
    """``zlib``'s object with the reading order of the others."""

    def __init__(self) -> None:
        self._inner = zlib.decompressobj(31)

    @property
    def eof(self) -> bool:
        return self._inner.eof

    @property
    def unused_data(self) -> bytes:
        return self._inner.unused_data

    def decompress(self, data: bytes, max_length: int, /) -> bytes:
        return self._inner.decompress(self._inner.unconsumed_tail + data, max_length)


class Inflater:
    """Inflates a body in pieces; never holds more than one piece beyond what it was given.

    Parameters
    ----------
    coding
        ``gzip``, ``zstd`` or ``identity``.
    most
        Most bytes the whole body may inflate to.
    """

    def __init__(self, coding: str, most: int) -> None:
        self._coding = coding
        self._most = most
        self._machine: _Machine | None = None
        self.inflated = 0

    def feed(self, data: bytes) -> bytes:
        """Return what more of the body gives.

        Raises
        ------
        TooLarge
            The body is over its limit; raised before the excess is in memory.
        Unreadable
            The bytes are not of the coding.
        """
        if self._coding == IDENTITY:
            self._count(len(data))
            return data
        given: list[bytes] = []
        try:
            while data or (self._machine is not None and not self._machine.eof):
                if self._machine is None or self._machine.eof:
                    self._machine = self._new()
                room = min(PIECE, self._most - self.inflated + 1)
                piece = self._machine.decompress(data, room)
                self._count(len(piece))
                given.append(piece)
                data = self._machine.unused_data if self._machine.eof else b""
                if not piece and not data:
                    break
        except (zlib.error, zstd.ZstdError) as error:
            raise Unreadable(f"not {self._coding}: {error}") from error
        return b"".join(given)

    def finish(self) -> None:
        """Say that the body has ended.

        Raises
        ------
        Unreadable
            It was cut off.
        """
        if self._coding != IDENTITY and (self._machine is None or not self._machine.eof):
            raise Unreadable(f"the {self._coding} body is cut off; send it again whole")

    def _new(self) -> _Machine:
        if self._coding == "gzip":
            return _Gzip()
        options: dict[int, int] = {zstd.DecompressionParameter.window_log_max: LARGEST_WINDOW_LOG}
        return zstd.ZstdDecompressor(options=options)

    def _count(self, more: int) -> None:
        self.inflated += more
        if self.inflated > self._most:
            raise TooLarge(
                f"inflated, a body may have at most {self._most} bytes; halve it and send both halves"
            )
