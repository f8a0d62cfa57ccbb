"""The curve itself: axes, limits, turns, lines with their gaps, and who is who."""

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from service.domain.curves.page import (
    FRAME,
    GRID,
    LEADER,
    LEFT,
    SMALL,
    THIN,
    TURN,
    USUAL,
    WIDTH,
    length_words,
    letter,
    look,
)
from service.domain.curves.primitives import Box, Path, Shape, Stroke, Words, fitted, width_of
from service.domain.curves.record import CurveRecord
from service.domain.curves.reducing import Gap, Scale, merged, pieces, reduced
from service.domain.curves.ticks import (
    clock_changes,
    day_label,
    day_marks,
    local,
    offset_label,
    offset_min,
    temperature_ticks,
    time_ticks,
)

_MOST_DAY_MARKS = 70
_SPARSE = 40


def axes(record: CurveRecord, scale: Scale) -> Iterator[Shape]:
    """Draw the frame, the grid, and the marks of time and temperature."""
    for tick in temperature_ticks(scale.low_c, scale.high_c):
        y = scale.y_of(tick)
        yield Path(f"M{LEFT:g} {y:g}H{scale.right:g}", GRID)
        yield Words(LEFT - 5, y + 4, str(tick), USUAL, "end")
    days = day_marks(record.since_us, record.until_us, record.zone)
    if len(days) <= _MOST_DAY_MARKS:
        yield from (_mark(scale, at, 3, GRID) for at in days)
    last_end = 0.0
    for one in time_ticks(record.since_us, record.until_us, record.zone):
        x = scale.x_of(one.at_us)
        yield Path(f"M{x:g} {scale.top:g}V{scale.bottom:g}", GRID)
        yield _mark(scale, one.at_us, 5, FRAME)
        half = width_of(one.label, USUAL) / 2
        if x - half > last_end + 2:
            yield Words(x, scale.bottom + 16, one.label, USUAL, "middle")
            last_end = x + half
    yield Box(LEFT, scale.top, scale.right - LEFT, scale.bottom - scale.top, "none", FRAME)
    yield Words(13, (scale.top + scale.bottom) / 2, "temperature, °C", USUAL, "middle", turned=True)
    if record.in_fahrenheit:
        yield from _fahrenheit(scale)
    yield Words(LEFT, scale.bottom + 31, _time_words(record), SMALL)
    yield from _clock_changes(record, scale)


def _mark(scale: Scale, at_us: int, length: float, stroke: Stroke) -> Path:
    return Path(f"M{scale.x_of(at_us):g} {scale.bottom:g}v{length:g}", stroke)


def _fahrenheit(scale: Scale) -> Iterator[Shape]:
    for tick in temperature_ticks(scale.low_c * 9 / 5 + 32, scale.high_c * 9 / 5 + 32):
        y = scale.y_of((tick - 32) * 5 / 9)
        yield Path(f"M{scale.right:g} {y:g}h4", FRAME)
        yield Words(scale.right + 7, y + 4, str(tick), USUAL)
    yield Words(scale.right + 7, scale.top - 6, "°F", USUAL)


def _time_words(record: CurveRecord) -> str:
    first, last = local(record.since_us, record.zone), local(record.until_us, record.zone)
    offsets = [offset_min(record.since_us, record.zone)]
    offsets += [one.after_min for one in clock_changes(record.since_us, record.until_us, record.zone)]
    told = " then ".join(offset_label(one) for one in dict.fromkeys(offsets))
    span = f"{day_label(first)} {first:%Y %H:%M} to {day_label(last)} {last:%Y %H:%M}"
    return f"site time, {record.zone.key} ({told}), {span}"


def _clock_changes(record: CurveRecord, scale: Scale) -> Iterator[Shape]:
    for one in clock_changes(record.since_us, record.until_us, record.zone):
        x = scale.x_of(one.at_us)
        yield Path(f"M{x:g} {scale.bottom - 14:g}V{scale.bottom + 5:g}", Stroke(1.6, colour="#333"))
        step = (one.after_min - one.before_min) / 60
        text = f"clocks {'+' if step > 0 else '-'}{abs(step):g} h"
        fits = x + width_of(text, SMALL) + 4 < scale.right
        yield Words(
            x + (4 if fits else -4),
            scale.bottom - 5,
            text,
            SMALL,
            "start" if fits else "end",
            halo=True,
        )


def turns(record: CurveRecord, scale: Scale) -> Iterator[Shape]:
    """Draw every turn shown as a line with a number above; a number in brackets is not counted."""
    ends = [0.0, 0.0]
    for number, turn in enumerate(sorted(record.turns, key=lambda one: one.at_us), start=1):
        if not record.since_us <= turn.at_us <= record.until_us:
            continue
        x = scale.x_of(turn.at_us)
        fill = "black" if turn.counts else "none"
        label = f"T{number}" if turn.counts else f"(T{number})"
        yield Path(f"M{x:g} {scale.top:g}V{scale.bottom:g}", TURN, f"turn {number}")
        yield Path(
            f"M{x - 3.5:g} {scale.top - 7:g}h7l-3.5 7z",
            Stroke(0.9, colour="#000" if fill == "black" else "#333"),
        )
        half = width_of(label, SMALL) / 2
        for row, end in enumerate(ends):
            if x - half > end + 2:
                ends[row] = x + half
                yield Words(x, scale.top - 10 - 11 * row, label, SMALL, "middle")
                break


def suspected(record: CurveRecord, scale: Scale) -> Iterator[Shape]:
    """Mark where a turn may have been that nobody recorded: a question mark at the head of a thin line."""
    for at_us in record.suspected_us:
        if record.since_us <= at_us <= record.until_us:
            x = scale.x_of(at_us)
            yield Path(f"M{x:g} {scale.top:g}V{scale.bottom:g}", LEADER, "a turn nobody recorded?")
            yield Words(x, scale.top - 1, "?", USUAL, "middle", bold=True, halo=True)


def lines(record: CurveRecord, scale: Scale) -> Iterator[Shape]:
    """Draw the readings that count, joined where they may be; crosses where one is no evidence."""
    column_px = max(1.0, len(record.lines) / 3)
    for place, line in enumerate(record.lines):
        path = ""
        dots = ""
        for at, temperature_c in pieces(line, record.longest_gap_us):
            shown = (at >= record.since_us) & (at <= record.until_us)
            if shown.any():
                path += _path(scale, at[shown], temperature_c[shown], column_px)
            if int(shown.sum()) <= _SPARSE:
                dots += _dots(scale, at[shown], temperature_c[shown])
        if path:
            yield Path(path, look(place), line.label)
        if dots:
            yield Path(dots, Stroke(1.2, colour=look(place).colour), f"{line.label}: single readings")
        at, temperature_c = line.where(~line.counts)
        shown = (at >= record.since_us) & (at <= record.until_us)
        if shown.any():
            crosses = _crosses(scale, at[shown], temperature_c[shown])
            stroke = Stroke(0.9, colour=look(place).colour)
            yield Path(crosses, stroke, f"{line.label}: readings that are no evidence")


def _path(scale: Scale, at: NDArray[np.int64], temperature_c: NDArray[np.float64], column_px: float) -> str:
    x = scale.x(at)
    kept = reduced(x, temperature_c, column_px)
    # Whole tenths, so that steps add up to the very point.
    tens = np.rint(np.column_stack((x[kept], scale.y(temperature_c[kept]))) * 10).astype(np.int64)
    start, steps = tens[0], np.diff(tens, axis=0)
    if not steps.size:
        return f"M{start[0] / 10:g} {start[1] / 10:g}h.1"
    walked = "".join(
        f"v{dy / 10:g}" if dx == 0 else f"h{dx / 10:g}" if dy == 0 else f"l{dx / 10:g} {dy / 10:g}"
        for dx, dy in steps.tolist()
        if dx or dy
    )
    return f"M{start[0] / 10:g} {start[1] / 10:g}{walked or 'h.1'}"


def _dots(scale: Scale, at: NDArray[np.int64], temperature_c: NDArray[np.float64]) -> str:
    """Draw a small lozenge on each of a few readings, so that one that stands alone is seen."""
    points = zip(*scale.points(at, temperature_c), strict=True)
    return "".join(f"M{px:g} {py - 2.2:g}l2.2 2.2-2.2 2.2-2.2-2.2z" for px, py in points)


def _crosses(scale: Scale, at: NDArray[np.int64], temperature_c: NDArray[np.float64]) -> str:
    x = scale.x(at)
    kept = reduced(x, temperature_c, 5.0)
    points = zip(x[kept].tolist(), scale.y(temperature_c[kept]).tolist(), strict=True)
    return "".join(f"M{px - 2:g} {py - 2:g}l4 4m0-4l-4 4" for px, py in points)


def names(record: CurveRecord, scale: Scale) -> Iterator[Shape]:
    """Write each line's letter and name at its end, the names apart, with a leader where they had to move."""
    start = scale.right + (44.0 if record.in_fahrenheit else 10.0)
    ends = []
    for place, line in enumerate(record.lines):
        at, temperature_c = line.where(line.counts)
        shown = (at >= record.since_us) & (at <= record.until_us)
        if shown.any():
            x = float(scale.x(at[shown][-1:])[0])
            y = float(scale.y(temperature_c[shown][-1:])[0])
            ends.append((y, x, place, line.label))
    ends.sort()
    apart = 13.0
    rows = [y for y, *_ in ends]
    for n in range(1, len(rows)):
        rows[n] = max(rows[n], rows[n - 1] + apart)
    over = max(0.0, (rows[-1] if rows else 0.0) - scale.bottom)
    for row, (y, x, place, label) in zip(rows, ends, strict=True):
        where = row - over
        yield Path(f"M{x + 1:g} {y:g}L{start - 3:g} {where:g}", LEADER)
        mark = letter(place)
        yield Words(start, where + 4, mark, USUAL, bold=True)
        indent = width_of(mark, USUAL, bold=True) + 3
        yield Words(start + indent, where + 4, fitted(label, WIDTH - start - indent, SMALL), SMALL)


def gap_marks(record: CurveRecord, scale: Scale, found: Sequence[Gap]) -> Iterator[Shape]:
    """Bracket each gap along the foot of the plot and say how long it was and whose."""
    letters = {line.label: letter(place) for place, line in enumerate(record.lines)}
    ends = [LEFT, LEFT, LEFT]
    for labels, gap in merged(found):
        x1, x2 = scale.x_of(gap.from_us), scale.x_of(gap.to_us)
        who = " ".join(sorted((letters[one] for one in labels), key=lambda one: (len(one), one)))
        what = "nothing that counts" if gap.has_excluded else "no readings"
        whole = f"{who}: {what} {length_words(gap.to_us - gap.from_us)}"
        texts = [whole, f"{who}: gap {length_words(gap.to_us - gap.from_us)}", f"{who}: gap", "gap"]
        middle = (x1 + x2) / 2
        row, text = _free_row(ends, middle, texts, (LEFT, scale.right))
        y = scale.bottom - 16 - 15 * row
        yield Path(f"M{x1:g} {y - 3:g}v6m0-3H{x2:g}m0-3v6", THIN, whole)
        if text:
            half = width_of(text, SMALL) / 2
            at = min(max(middle, LEFT + half + 2), scale.right - half - 2)
            ends[row] = at + half
            yield Words(at, y - 4, text, SMALL, "middle", halo=True)


def _free_row(
    ends: Sequence[float], middle: float, texts: Sequence[str], within: tuple[float, float]
) -> tuple[int, str]:
    for text in texts:
        half = width_of(text, SMALL) / 2
        at = min(max(middle, within[0] + half + 2), within[1] - half - 2)
        for row, end in enumerate(ends):
            if at - half >= end:
                return row, text
    return 0, ""
