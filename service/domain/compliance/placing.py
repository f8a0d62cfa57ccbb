"""Time in which no probe belonged to the pile, or none that was read."""

import numpy as np

from service.domain.compliance.demands import Hold
from service.domain.compliance.evidence import Record
from service.domain.compliance.instants import DAY_US, hours_us
from service.domain.compliance.spans import Spans, merged, outside
from service.domain.compliance.tracks import Cause, Track, losses_of


def placing(record: Record, hold: Hold) -> Track:
    """Return when any position at all belonged to the pile, as a track of its own.

    Time in which no probe was placed is nobody's gap, so no position's track shows it; nor is a silence during which
    one probe was lifted and another placed.
    """
    placed = merged(*(Spans.of((one.since, one.until)) for one in record.evidence))
    holes = outside(placed)
    inside = (holes.start >= record.start) & (holes.end <= record.end) & (holes.end > holes.start)
    long = inside & (holes.end - holes.start > hours_us(hold.max_gap_h))
    rows = [
        (int(start), int(end), int(end), Cause.GAP if is_long else Cause.EDGE, False)
        for start, end, is_long in zip(holes.start[inside], holes.end[inside], long[inside], strict=True)
    ]
    nothing = np.zeros(0, dtype=np.int64)
    silent = _handed_over_unread(record, hold, Spans(holes.start[long], holes.end[long]))
    rows += [(int(start), int(end), int(end), Cause.GAP, False) for start, end in zip(*silent, strict=True)]
    unseen = merged(Spans(holes.start[long], holes.end[long]), silent)
    return Track(None, nothing, nothing > 0, placed, unseen, Spans.of(), losses_of(rows))


def _handed_over_unread(record: Record, hold: Hold, known: Spans) -> Spans:
    """Return the silences of the whole pile across which no position belonged to it, so that none shows them.

    A probe lifted and another placed during a silence would else make two short silences of one long one.
    """
    if all(one.since <= record.start and one.until >= record.end for one in record.evidence):
        return Spans.of()
    at = np.sort(np.concatenate([one.at for one in record.evidence]))
    allowed = hours_us(hold.longest_gap_h) + (DAY_US if hold.day_gap is not None else 0)
    long = np.flatnonzero(np.diff(at) > allowed)
    pairs = [(int(at[k]), int(at[k + 1])) for k in long]
    spanned = [(one.since, one.until) for one in record.evidence]
    told = list(zip(known.start.tolist(), known.end.tolist(), strict=True))
    return Spans.of(
        *(
            (start, end)
            for start, end in pairs
            if not any(a <= start and end <= b for a, b in spanned)
            and not any(a < end and start < b for a, b in told)
        )
    )
