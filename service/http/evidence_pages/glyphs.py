"""Which characters the shipped faces can print; the others are printed as their Unicode numbers."""

import re
import struct
import unicodedata
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

_FACES: Final = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf")
_SEGMENTED: Final = 12
_BEYOND_ASCII: Final = re.compile(r"[^\x00-\x7e]")
_UNPRINTED: Final = frozenset({"Cc", "Cf", "Cs", "Co", "Cn"})


def printable(text: str) -> str:
    """Return a text with ``[U+5806]`` in place of each character that no shipped face holds.

    A tag or a hollow box would look alike for all of them; the number can be looked up. Marks that turn the
    direction of what stands around them go, the break that joins nothing stays.
    """
    return _BEYOND_ASCII.sub(_printed, text)


def _printed(found: re.Match[str]) -> str:
    one = found[0]
    if one == "\u200b":
        return one
    if unicodedata.category(one) in _UNPRINTED - {"Co", "Cn"}:
        return ""
    return one if ord(one) in held() else f"[U+{ord(one):04X}]"


@cache
def held() -> frozenset[int]:
    """Return the code points every shipped face has a glyph for."""
    folder = Path(__file__).parent / "fonts"
    faces = [frozenset(_code_points((folder / name).read_bytes())) for name in _FACES]
    return frozenset.intersection(*faces)


def _code_points(font: bytes) -> Iterator[int]:
    """Read the character map of a TrueType face: its segmented table, format 12 of the OpenType specification."""
    tables = struct.unpack_from(">H", font, 4)[0]
    at = next(
        struct.unpack_from(">I", font, 12 + 16 * n + 8)[0]
        for n in range(tables)
        if font[12 + 16 * n : 16 + 16 * n] == b"cmap"
    )
    for n in range(struct.unpack_from(">H", font, at + 2)[0]):
        start = at + struct.unpack_from(">I", font, at + 4 + 8 * n + 4)[0]
        if struct.unpack_from(">H", font, start)[0] == _SEGMENTED:
            for group in range(struct.unpack_from(">I", font, start + 12)[0]):
                first, last, _ = struct.unpack_from(">III", font, start + 16 + 12 * group)
                yield from range(first, last + 1)
            return
