"""Beneath the curve: what was held, and by position what was lost and why."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from service.domain.curves.page import (
    CAUSES,
    LEFT,
    OTHER,
    SMALL,
    THIN,
    cause_words,
    length_words,
    letter,
)
from service.domain.curves.primitives import Box, Path, Shape, Stroke, Words, fitted, width_of
from service.domain.curves.record import CurveRecord, LostSpan
from service.domain.curves.reducing import Scale

_BOX = 9.0
_PITCH = 23.0
_TOUCH_PX = 1.0
_LEAST_PX = 1.2


def shades(record: CurveRecord, scale: Scale) -> Iterator[Shape]:
    """Tint the plot wherever anything was lost; lanes and labels say what."""
    spans = sorted((scale.x_of(one.from_us), scale.x_of(one.to_us)) for one in _shown(record, record.lost))
    end = LEFT
    for start, stop in spans:
        x = max(start, end)
        if stop > x:
            yield Box(x, scale.top, round(stop - x, 1), scale.bottom - scale.top, "#f0f0f0")
            end = stop


def lanes(record: CurveRecord, scale: Scale, top: float) -> tuple[list[Shape], float]:
    """Draw the lanes.

    Returns
    -------
    tuple
        The shapes, and where the next thing may begin [px].
    """
    if record.rule_title is None:
        return [], top
    shapes: list[Shape] = [Words(LEFT, top + 9, "what counted, and what was lost and why", SMALL, bold=True)]
    y = top + 17
    shapes += _held(record, record.held, scale, y)
    for name, spans in _by_lane(record, record.lost):
        y += _PITCH
        shapes += _lane(scale, name, spans, y)
    for one in record.also:
        y += _PITCH + 6
        heading = fitted(f"also asked: {one.name}", scale.right - LEFT, SMALL, bold=True)
        shapes.append(Words(LEFT, y + 9, heading, SMALL, bold=True))
        y += 17
        shapes += _held(record, one.held, scale, y)
        for name, spans in _by_lane(record, one.lost):
            y += _PITCH
            shapes += _lane(scale, name, spans, y)
    return shapes, y + _PITCH


def _shown(record: CurveRecord, lost: Sequence[LostSpan]) -> list[LostSpan]:
    return [one for one in lost if one.to_us > record.since_us and one.from_us < record.until_us]


def _by_lane(record: CurveRecord, lost: Sequence[LostSpan]) -> list[tuple[str, list[LostSpan]]]:
    shown = _shown(record, lost)
    known = {line.label: letter(place) for place, line in enumerate(record.lines)}
    order: list[str | None] = [None, *known]
    order += sorted({one.position for one in shown if one.position is not None} - known.keys())
    found = []
    for position in order:
        spans = [one for one in shown if one.position == position]
        if spans:
            found.append(("pile" if position is None else known.get(position, "?"), spans))
    return found


def _base(scale: Scale, name: str, y: float) -> list[Shape]:
    return [
        Words(LEFT - 6, y + _BOX, name, SMALL, "end", bold=True),
        Path(f"M{LEFT:g} {y + _BOX:g}H{scale.right:g}", Stroke(0.5, colour="#999")),
    ]


def _held(record: CurveRecord, held: Sequence[tuple[int, int]], scale: Scale, y: float) -> Iterator[Shape]:
    yield from _base(scale, "held", y)
    labels: list[_Label] = []
    for start_us, end_us in held:
        if end_us <= record.since_us or start_us >= record.until_us:
            continue
        x1, x2 = scale.x_of(start_us), scale.x_of(end_us)
        length = length_words(end_us - start_us)
        yield Box(x1, y, max(_LEAST_PX, round(x2 - x1, 1)), _BOX, "#333", title=f"heat counted {length}")
        labels.append(_Label(x1, x2, (f"counted {length}", length)))
    yield from _labels(labels, scale, y)


def _lane(scale: Scale, name: str, spans: Sequence[LostSpan], y: float) -> Iterator[Shape]:
    yield from _base(scale, name, y)
    labels: list[_Label] = []
    for cause, x1, x2, length_us in _boxes(scale, spans):
        short, whole = cause_words(cause)
        length = length_words(length_us)
        fill = cause if cause in CAUSES else OTHER
        yield Box(x1, y, max(_LEAST_PX, round(x2 - x1, 1)), _BOX, fill, THIN, f"{whole}, {length}")
        labels.append(_Label(x1, x2, (f"{short} {length}", short)))
    yield from _labels(labels, scale, y)


@dataclass(frozen=True)
class _Label:
    """What is to stand under a box, in the order of choice."""

    x1: float
    x2: float
    texts: tuple[str, ...]


def _labels(wanted: Sequence[_Label], scale: Scale, y: float) -> Iterator[Shape]:
    """Write a label under each box as long as there is room, under the longest first."""
    taken: list[tuple[float, float]] = []
    for one in sorted(wanted, key=lambda label: (label.x1 - label.x2, label.x1)):
        for text in one.texts:
            room = width_of(text, SMALL)
            starts = ((one.x1 + one.x2 - room) / 2, one.x1, one.x2 - room)
            free = (
                start
                for start in (min(max(one, LEFT), scale.right - room) for one in starts)
                if all(start + room + 3 <= left or start >= right + 3 for left, right in taken)
            )
            start = next(free, None)
            if start is not None:
                taken.append((start, start + room))
                yield Words(round(start, 1), y + _BOX + 10, text, SMALL)
                break


def _boxes(scale: Scale, spans: Sequence[LostSpan]) -> list[tuple[str, float, float, int]]:
    """Join spans of one cause that touch on the paper, so that there are never more boxes than pixels."""
    found: list[tuple[str, float, float, int]] = []
    last: dict[str, int] = {}
    for one in sorted(spans, key=lambda one: (one.from_us, one.to_us, one.cause)):
        x1, x2 = scale.x_of(one.from_us), scale.x_of(one.to_us)
        before = last.get(one.cause)
        if before is not None and x1 <= found[before][2] + _TOUCH_PX:
            cause, start, end, length = found[before]
            found[before] = (cause, start, max(end, x2), length + one.to_us - one.from_us)
        else:
            last[one.cause] = len(found)
            found.append((one.cause, x1, x2, one.to_us - one.from_us))
    return found
