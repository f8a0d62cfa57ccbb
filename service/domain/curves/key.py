"""The key at the foot of a curve: every line by its whole name, every mark and hatching in words."""

from collections.abc import Iterator

from service.domain.curves.page import CAUSES, LEFT, OTHER, SMALL, THIN, WIDTH, cause_words, letter, look
from service.domain.curves.primitives import Box, Path, Shape, Stroke, Words, width_of, wrapped
from service.domain.curves.record import CurveRecord

_ROW = 14.0
_SAMPLE = 26.0


def key(record: CurveRecord, top: float) -> tuple[list[Shape], float]:
    """Draw the key.

    Returns
    -------
    tuple
        The shapes, and where the drawing ends [px].
    """
    shapes: list[Shape] = []
    y = top + 8
    for place, line in enumerate(record.lines):
        shapes.append(Path(f"M{LEFT:g} {y:g}h{_SAMPLE:g}", look(place)))
        name = f"{letter(place)} {line.label}"
        for text in wrapped(name, WIDTH - LEFT - _SAMPLE - 10, SMALL):
            shapes.append(Words(LEFT + _SAMPLE + 6, y + 4, text, SMALL))
            y += 12
        y += _ROW - 12
    x = LEFT
    for sample, text in _marks(record):
        room = _SAMPLE - 10 + width_of(text, SMALL) + 16
        if x > LEFT and x + room > WIDTH:
            x, y = LEFT, y + _ROW
        shapes += sample(x, y)
        shapes.append(Words(x + 20, y + 4, text, SMALL))
        x += room
    return shapes, y + _ROW


class _Mark:
    """A sample of a mark at a place: a hatching, a triangle or a cross."""

    def __init__(self, kind: str) -> None:
        self._kind = kind

    def __call__(self, x: float, y: float) -> list[Shape]:
        if self._kind == "turn":
            return [Path(f"M{x + 4:g} {y - 4:g}h7l-3.5 7z", Stroke(0.9))]
        if self._kind == "suspected":
            return [Words(x + 7, y + 4, "?", SMALL, "middle", bold=True)]
        if self._kind == "cross":
            return [Path(f"M{x + 5:g} {y - 3:g}l6 6m0-6l-6 6", Stroke(1.1))]
        if self._kind == "held":
            return [Box(x, y - 4, 15, 8, "#333")]
        return [Box(x, y - 4, 15, 8, self._kind, THIN)]


def _marks(record: CurveRecord) -> Iterator[tuple[_Mark, str]]:
    if record.turns:
        bracketed = "" if all(one.counts for one in record.turns) else "; in brackets: not counted"
        yield _Mark("turn"), f"turn{bracketed}"
    if record.suspected_us:
        yield _Mark("suspected"), "looks like a turn nobody recorded"
    if any((~line.counts).any() for line in record.lines):
        yield _Mark("cross"), "reading that is no evidence"
    if record.rule_title is not None:
        yield _Mark("held"), "heat counted at every position"
    lost = [*record.lost, *(span for one in record.also for span in one.lost)]
    for cause in dict.fromkeys(one.cause for one in lost):
        yield _Mark(cause if cause in CAUSES else OTHER), cause_words(cause)[1]
