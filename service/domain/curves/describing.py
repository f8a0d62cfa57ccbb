"""A curve in words, for who does not see it."""

from collections.abc import Iterator, Sequence

from service.domain.curves.page import cause_words, length_words, letter
from service.domain.curves.primitives import clean
from service.domain.curves.record import CurveRecord, LostSpan
from service.domain.curves.reducing import Gap, merged, rhythm_us
from service.domain.curves.ticks import clock_changes, day_label, local, offset_label

_MOST_NAMED = 12


def name_of(record: CurveRecord) -> str:
    """Return the curve's name: the pile, and the rule where there is one."""
    rule = "" if record.rule_title is None else f" · {record.rule_title}"
    return clean(f"{record.heading}{rule}")


def describe(record: CurveRecord, gaps: Sequence[Gap]) -> str:
    """Return what the curve shows, in sentences."""
    return clean(" ".join(_sentences(record, gaps)))


def _sentences(record: CurveRecord, gaps: Sequence[Gap]) -> Iterator[str]:
    yield (
        f"Temperatures from {_moment(record, record.since_us)} to {_moment(record, record.until_us)},"
        f" site time {record.zone.key}."
    )
    for place, line in enumerate(record.lines):
        at, told = line.where(line.counts)
        out = int((~line.counts).sum())
        left_out = f", {out} no evidence" if out else ""
        if told.size:
            rhythm = rhythm_us(at)
            rare = f", read {length_words(rhythm)} apart" if rhythm > record.longest_gap_us else ""
            yield (
                f"Position {letter(place)}, {line.label}: {told.size} readings that count{left_out},"
                f" {told.min():.1f} to {told.max():.1f} °C{rare}."
            )
        else:
            yield f"Position {letter(place)}, {line.label}: no reading that counts{left_out}."
    if record.limits:
        yield f"Limits: {', '.join(one.label for one in record.limits)}."
    yield from _turns(record)
    together = merged(gaps)
    if together:
        named = [
            f"{' and '.join(labels)} {length_words(gap.to_us - gap.from_us)} from {_moment(record, gap.from_us)}"
            for labels, gap in together[:_MOST_NAMED]
        ]
        yield f"Gaps: {'; '.join(named)}{_more(len(together))}."
    for one in clock_changes(record.since_us, record.until_us, record.zone):
        yield (
            f"Clocks changed at {_moment(record, one.at_us)},"
            f" from {offset_label(one.before_min)} to {offset_label(one.after_min)}."
        )
    if record.rule_title is not None:
        held = sum(end - start for start, end in record.held)
        yield f"Heat counted: {length_words(held)}."
    yield from _lost(record.lost)
    for other in record.also:
        held = sum(end - start for start, end in other.held)
        yield f"Also asked, {other.name}: heat counted {length_words(held)}."


def _turns(record: CurveRecord) -> Iterator[str]:
    if record.turns:
        left_out = sum(not one.counts for one in record.turns)
        yield f"Turns on record: {len(record.turns)}{f', not counted: {left_out}' if left_out else ''}."
    else:
        yield "No turn on record."
    for at_us in record.suspected_us:
        yield f"The lines fall as at a turn, and none is on record, at {_moment(record, at_us)}."


def _lost(lost: Sequence[LostSpan]) -> Iterator[str]:
    for cause in dict.fromkeys(one.cause for one in lost):
        spans = [one for one in lost if one.cause == cause]
        total = sum(one.to_us - one.from_us for one in spans)
        times = "once" if len(spans) == 1 else f"{len(spans)} times"
        yield f"Lost, {cause_words(cause)[1]}: {times}, {length_words(total)} over all positions."


def _more(number: int) -> str:
    return f"; and {number - _MOST_NAMED} more" if number > _MOST_NAMED else ""


def _moment(record: CurveRecord, at_us: int) -> str:
    moment = local(at_us, record.zone)
    return f"{day_label(moment)} {moment:%Y %H:%M}"
