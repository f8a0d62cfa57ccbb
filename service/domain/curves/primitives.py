"""What a drawing is made of: a few shapes with their look, before they become a file."""

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

Anchor = Literal["start", "middle", "end"]

_WIDE: Final = 1.0
_USUAL: Final = 0.6
_BOLD: Final = 1.08
_UNFIT: Final = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff"
    "\u061c\u200e\u200f\u202a-\u202e\u2066-\u2069]"
)
"""What XML 1.0 does not allow, and marks that turn the direction of what stands around them."""


@dataclass(frozen=True)
class Stroke:
    """How a line looks; ``dash`` alternates drawn and left out [px]."""

    width: float = 1.0
    dash: str | None = None
    colour: str = "#000"


@dataclass(frozen=True)
class Path:
    """A line along SVG path data."""

    d: str
    stroke: Stroke
    title: str | None = None


@dataclass(frozen=True)
class Box:
    """A rectangle; ``fill`` is a colour, or the name of a hatching."""

    x: float
    y: float
    width: float
    height: float
    fill: str
    stroke: Stroke | None = None
    title: str | None = None


@dataclass(frozen=True)
class Words:
    """A text; ``x`` and ``y`` are of its anchor on the base line."""

    x: float
    y: float
    text: str
    size: float = 11
    anchor: Anchor = "start"
    bold: bool = False
    turned: bool = False
    halo: bool = False


Shape = Path | Box | Words


@dataclass(frozen=True)
class Drawing:
    """A finished drawing.

    Attributes
    ----------
    width, height
        [px].
    title, description
        What it is, and what it shows, for who does not see it.
    shapes
        From back to front.
    """

    width: float
    height: float
    title: str
    description: str
    shapes: Sequence[Shape] = field(default_factory=tuple)


def clean(text: str) -> str:
    """Return a text without what an XML file may not hold, and without marks that turn its direction."""
    return _UNFIT.sub("", text)


def width_of(text: str, size: float, *, bold: bool = False) -> float:
    """Return about how wide a text is [px]; an even estimate for a sans serif face."""
    ems = sum(
        0.0 if unicodedata.combining(one) else _WIDE if unicodedata.east_asian_width(one) in "WF" else _USUAL
        for one in text
    )
    return ems * size * (_BOLD if bold else 1)


def fitted(text: str, room: float, size: float, *, bold: bool = False) -> str:
    """Return a text cut to a width [px], with ``…`` where it was cut."""
    text = clean(text)
    if width_of(text, size, bold=bold) <= room:
        return text
    while text and width_of(text + "…", size, bold=bold) > room:
        text = text[:-1]
    return text.rstrip() + "…"


def wrapped(text: str, room: float, size: float) -> list[str]:
    """Return a text in lines of a width [px]; a word that is too long is broken."""
    lines = [""]
    for word in clean(text).split():
        rest = word
        while rest:
            joined = f"{lines[-1]} {rest}".strip()
            if width_of(joined, size) <= room:
                lines[-1], rest = joined, ""
            elif lines[-1]:
                lines.append("")
            else:
                cut = max(1, sum(width_of(rest[:n], size) <= room for n in range(1, len(rest) + 1)))
                lines[-1], rest = rest[:cut], rest[cut:]
    return lines
