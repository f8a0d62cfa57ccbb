"""The temperatures a rule names, drawn over the curve, each with a label that covers the least."""

from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from service.domain.curves.page import LEFT, LIMIT, SMALL
from service.domain.curves.primitives import Path, Shape, Words, fitted, width_of
from service.domain.curves.record import CurveRecord
from service.domain.curves.reducing import Scale

_PLACES: Final = 48


def limits(record: CurveRecord, scale: Scale) -> Iterator[Shape]:
    """Draw the temperatures the rule names, each with its label by it, where it covers the least."""
    points = [scale.points(*line.where(line.counts)) for line in record.lines]
    upright = [scale.x_of(at) for at in (*(one.at_us for one in record.turns), *record.suspected_us)]
    taken: list[_Room] = []
    for limit in record.limits:
        y = scale.y_of(limit.temperature_c)
        yield Path(f"M{LEFT:g} {y:g}H{scale.right:g}", LIMIT, limit.label)
        text = fitted(limit.label, scale.right - LEFT - 8, SMALL, bold=True)
        width = width_of(text, SMALL, bold=True)
        starts = np.linspace(LEFT + 4, scale.right - 4 - width, _PLACES).tolist()
        # Above the line, or else beneath it.
        rooms = [
            _Room(start, start + width, y - 14 + fall, y - 2 + fall) for fall in (0, 16) for start in starts
        ]
        best = min(rooms, key=lambda room: _covered(room, scale, points, upright, taken))
        taken.append(best)
        yield Words(round(best.x1, 1), best.y2 - 2, text, SMALL, bold=True, halo=True)


class _Room(NamedTuple):
    """What a label takes up."""

    x1: float
    x2: float
    y1: float
    y2: float


def _covered(
    room: _Room,
    scale: Scale,
    points: Sequence[NDArray[np.float64]],
    upright: Sequence[float],
    taken: Sequence[_Room],
) -> float:
    """Return how much a label would cover: the frame and other labels before turns, those before readings."""
    clipped = room.y1 < scale.top + 1 or room.y2 > scale.bottom - 1
    labels = sum(
        room.x1 < one.x2 + 4 and one.x1 - 4 < room.x2 and room.y1 < one.y2 and one.y1 < room.y2
        for one in taken
    )
    crossed = sum(room.x1 - 2 < x < room.x2 + 2 for x in upright)
    return 1e9 * (clipped + labels) + 1e4 * crossed + _within(points, room[:2], room[2:])


def _within(
    points: Sequence[NDArray[np.float64]], across: tuple[float, float], down: tuple[float, float]
) -> int:
    x1, x2, y1, y2 = *across, *down
    return sum(
        int(((one[0] >= x1) & (one[0] <= x2) & (one[1] >= y1) & (one[1] <= y2)).sum()) for one in points
    )
