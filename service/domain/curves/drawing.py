"""A curve put together."""

from collections.abc import Sequence

from service.domain.curves.describing import describe, name_of
from service.domain.curves.key import key
from service.domain.curves.lanes import lanes, shades
from service.domain.curves.limits import limits
from service.domain.curves.page import BOTTOM, FAHRENHEIT_ROOM, LABEL_ROOM, LEFT, TOP, WIDTH
from service.domain.curves.plot import axes, gap_marks, lines, names, suspected, turns
from service.domain.curves.primitives import Drawing, Shape, Words, fitted
from service.domain.curves.record import CurveRecord
from service.domain.curves.reducing import Gap, Scale, gaps
from service.domain.curves.ticks import temperature_range


def draw(record: CurveRecord) -> Drawing:
    """Draw a pile's curve.

    Readings are reduced to the lowest and the highest of each pixel column; whatever crosses a limit stays on its
    side of it. Times are the site's own.
    """
    scale = scale_of(record)
    found = gaps_of(record)
    heading = fitted(name_of(record), WIDTH - LEFT - 4, 13, bold=True)
    shapes: list[Shape] = [Words(LEFT, 15, heading, 13, bold=True), *shades(record, scale)]
    shapes += [*axes(record, scale), *turns(record, scale), *suspected(record, scale)]
    shapes += [*limits(record, scale)]
    # Lines come last: no label may lie on a reading.
    shapes += [*gap_marks(record, scale, found), *lines(record, scale), *names(record, scale)]
    if not any(line.where(line.counts)[0].size for line in record.lines):
        middle = ((LEFT + scale.right) / 2, (scale.top + scale.bottom) / 2)
        shapes.append(Words(*middle, "no reading on record that counts", 13, "middle", halo=True))
    beneath, y = lanes(record, scale, BOTTOM + 42)
    explained, end = key(record, y)
    return Drawing(WIDTH, end, name_of(record), describe(record, found), (*shapes, *beneath, *explained))


def scale_of(record: CurveRecord) -> Scale:
    """Return where things stand: every reading that counts and every limit on the paper."""
    told = [line.where(line.counts)[1] for line in record.lines]
    ends = [float(end) for one in told if one.size for end in (one.min(), one.max())]
    ends += [limit.temperature_c for limit in record.limits]
    low_c, high_c = temperature_range(min(ends, default=20.0), max(ends, default=70.0))
    right = WIDTH - LABEL_ROOM - (FAHRENHEIT_ROOM if record.in_fahrenheit else 0)
    return Scale(
        LEFT, right, TOP, BOTTOM, record.since_us, record.until_us, low_c, high_c, tuple(record.limits)
    )


def gaps_of(record: CurveRecord) -> Sequence[Gap]:
    """Return every gap of every line within the span shown."""
    shown = (record.since_us, record.until_us)
    return [gap for line in record.lines for gap in gaps(line, record.longest_gap_us, shown)]
