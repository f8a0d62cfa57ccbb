"""The pile as a whole: the coldest position governs, and an interruption begins a run again or does not."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.domain.compliance.demands import Hold
from service.domain.compliance.evidence import Record
from service.domain.compliance.instants import DISTANT_FUTURE, DISTANT_PAST, Flags, hours_us
from service.domain.compliance.rule import TextReading
from service.domain.compliance.spans import Spans, common, covered_us, merged, overlaps
from service.domain.compliance.tracks import Cause, Losses, Track


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A period that may satisfy a hold.

    Attributes
    ----------
    spans
        Stretches whose lengths add up to the credit.
    shown
        Stretches in which every required position was proven hot; differs from ``spans`` only when days are
        counted.
    required_us
        Credit asked for [us].
    window_us
        Length by the clock of a stretch that must hold all turnings, where the rule asks for one [us].
    next_start
        Where the next period begins; far in the future for the last one.
    is_alive
        True if it can still grow.
    by_days
        True if calendar days were counted in place of elapsed hours.
    days
        Days counted, when ``by_days``.
    """

    spans: Spans
    shown: Spans
    required_us: int
    window_us: int = 0
    next_start: int = DISTANT_FUTURE
    is_alive: bool = False
    by_days: bool = False
    days: int = 0

    @property
    def start(self) -> int:
        """First instant of the period."""
        return int(self.spans.start[0])

    @property
    def end(self) -> int:
        """Last instant of the period."""
        return int(self.spans.end[-1])

    @property
    def credit_us(self) -> int:
        """Time credited [us]."""
        return self.spans.total_us

    @property
    def is_reached(self) -> bool:
        """True if the credit suffices."""
        return self.credit_us >= self.required_us

    @property
    def reached_at(self) -> int | None:
        """The instant at which the credit first sufficed."""
        if not self.is_reached:
            return None
        credit = np.cumsum(self.spans.end - self.spans.start)
        k = int(np.searchsorted(credit, self.required_us, side="left"))
        return int(self.spans.end[k] - (credit[k] - self.required_us))

    def credit_before_us(self, instant: int) -> int:
        """Time credited up to an instant [us]."""
        return int(covered_us(self.spans, np.array([instant], dtype=np.int64))[0])


def caused_by_turn(
    losses: Losses, record: Record, transient_h: float, *, assume_unseen_held: bool = False
) -> Flags:
    """Tell which losses are falls caused by a turning and made good in time.

    Nobody can see what caused a fall. One that begins after a turning, lasts no longer than allowed and is over within
    that time of the turning is put down to it, however late in that time it begins: what was mixed in from outside goes
    on drawing heat from the core for half a day, so a pile just above the limit slips under it hours later. Asking for
    an early beginning would also let a stricter limit, under which the same curve falls sooner, pass where a laxer one
    fails. Falls that a single hot reading parts are one.

    Parameters
    ----------
    losses
        Of one position.
    record
        Gives the turnings and the instant of judging, up to which an open fall may still be made good.
    transient_h
        Longest time from the last qualifying reading, and from the turning, to regained heat [h].
    assume_unseen_held
        True to suppose that a fall nobody saw begin began with the turning made in the unseen time.
    """
    turns = np.array(record.turns, dtype=np.int64)
    limit = hours_us(transient_h)
    if turns.size == 0 or limit == 0 or losses.start.size == 0:
        return np.zeros(losses.start.size, dtype=np.bool_)
    unseen = (losses.cause == Cause.GAP) | (losses.cause == Cause.FLAGGED)
    begins = np.concatenate(
        ([True], (losses.start[1:] != losses.end[:-1]) | (assume_unseen_held & unseen[:-1]))
    )
    fell = np.maximum.accumulate(np.where(begins, losses.start, DISTANT_PAST))
    before = np.searchsorted(turns, losses.first_cold, side="right") - 1
    turn = turns[np.maximum(before, 0)]
    if assume_unseen_held:
        fell = np.maximum(fell, turn)
    regained = np.where(losses.is_open, max(record.judged, record.end), losses.end)
    return np.asarray(
        (before >= 0)
        & (losses.cause == Cause.BELOW)
        & (regained <= turn + limit)
        & (regained - fell <= limit)
        & ~(losses.is_open & record.closed),
        dtype=np.bool_,
    )


def breaking(track: Track, record: Record, text: TextReading, *, assume_unseen_held: bool) -> Flags:
    """Tell which losses of a position end a run."""
    cause = track.losses.cause
    spared = (cause == Cause.EDGE) | caused_by_turn(
        track.losses, record, text.turn_transient_h, assume_unseen_held=assume_unseen_held
    )
    if text.above_limit == "not_counted":
        spared |= cause == Cause.ABOVE
    if assume_unseen_held:
        spared |= (cause == Cause.GAP) | (cause == Cause.FLAGGED)
    return np.asarray(~spared, dtype=np.bool_)


def governing(tracks: Sequence[Track], record: Record, *, assume_unseen_held: bool) -> Spans:
    """Return the stretches of a record in which every position that belonged to the pile was hot."""
    if record.is_empty:
        return Spans.of()
    parts = [
        merged(track.held, track.free, track.unseen) if assume_unseen_held else merged(track.held, track.free)
        for track in tracks
    ]
    return common([*parts, Spans.of((record.start, record.end))])


def courses(
    tracks: Sequence[Track], record: Record, hold: Hold, text: TextReading, *, assume_unseen_held: bool
) -> list[Course]:
    """Return the runs of a pile in order, or one sum of hot hours where the text lets them add up.

    Parameters
    ----------
    tracks
        Every required position, and the placing of probes.
    record, hold, text
        What was recorded, the temperature asked for, and how silences are filled.
    assume_unseen_held
        True to ask what could be met if every unseen stretch had been hot.
    """
    spans = governing(tracks, record, assume_unseen_held=assume_unseen_held)
    if spans.start.size == 0:
        return []
    required = hours_us(hold.duration_h)
    if text.continuity == "cumulative":
        return [Course(spans, spans, required, required, is_alive=True)]
    enders = []
    for track in tracks:
        ends_run = breaking(track, record, text, assume_unseen_held=assume_unseen_held)
        enders.append(Spans(track.losses.start[ends_run], track.losses.end[ends_run]))
    breaks = merged(*enders)
    broken = overlaps(breaks, spans.end[:-1], spans.start[1:])
    ended = bool(breaks.end.size) and int(breaks.end.max()) > int(spans.end[-1])
    alive = not ended and (assume_unseen_held or not is_silent(tracks, record, hold))
    return _runs(spans, broken, required, is_alive=alive)


def _runs(spans: Spans, broken: Flags, required: int, *, is_alive: bool) -> list[Course]:
    first = np.concatenate(([0], np.flatnonzero(broken) + 1)).astype(np.int64)
    credit = np.add.reduceat(spans.end - spans.start, first)
    # Noise about the limit makes thousands of runs; only those that suffice, the longest and the last matter.
    kept = {*np.flatnonzero(credit >= required).tolist(), int(credit.argmax()), first.size - 1}
    runs = []
    for k in sorted(kept):
        last = k == first.size - 1
        stop = spans.start.size if last else int(first[k + 1])
        part = Spans(spans.start[first[k] : stop], spans.end[first[k] : stop])
        next_start = DISTANT_FUTURE if last else int(spans.start[stop])
        runs.append(Course(part, part, required, required, next_start, is_alive=last and is_alive))
    return runs


def is_silent(tracks: Sequence[Track], record: Record, hold: Hold) -> bool:
    """Tell whether some position, or the whole pile, has been silent for longer than the rule's gap."""
    latest = record.judged - hours_us(hold.longest_gap_h)
    if record.end < latest:
        return True
    return any(
        bool(track.at.size) and int(track.at[-1]) < latest and track.belongs_at(record.judged)
        for track in tracks
    )
