"""One position against one temperature: where heat was held, where it was lost, where nobody looked."""

from dataclasses import dataclass
from datetime import timedelta
from enum import IntEnum
from typing import NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.demands import DayGap, Hold
from service.domain.compliance.evidence import Evidence, Record
from service.domain.compliance.instants import DAY_US, HOUR_US, Flags, Instants, hours_us, local_date
from service.domain.compliance.spans import Spans, merged, outside
from service.domain.compliance.thresholds import highest_allowed, lowest_qualifying, per_unit


class Cause(IntEnum):
    """Why a stretch of time does not count at a position."""

    BELOW = 1
    ABOVE = 2
    GAP = 3
    FLAGGED = 4
    EDGE = 5  # placed, but its first or last reading is a little inside its bounds: no heat, no break


class Losses(NamedTuple):
    """Stretches that do not count, between a position's qualifying readings.

    Attributes
    ----------
    start, end
        From the last qualifying reading before to the first one after [us].
    first_cold
        First reading that does not qualify; ``end`` where nothing was seen [us].
    cause
        Codes of :class:`Cause`.
    is_open
        True where no qualifying reading has followed yet.
    """

    start: Instants
    end: Instants
    first_cold: Instants
    cause: NDArray[np.int64]
    is_open: Flags

    def joined_with(self, other: "Losses") -> "Losses":
        """Return both, in order of start."""
        start = np.concatenate((self.start, other.start))
        order = np.argsort(start, kind="stable")
        return Losses(
            start[order],
            np.concatenate((self.end, other.end))[order],
            np.concatenate((self.first_cold, other.first_cold))[order],
            np.concatenate((self.cause, other.cause))[order],
            np.concatenate((self.is_open, other.is_open))[order],
        )


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """One position (or, for ``position`` None, the placing of probes) against one hold.

    Attributes
    ----------
    position
        Place in the pile.
    at, hot
        ``(n,)`` readings and whether each qualifies.
    held
        Where heat counts as held.
    unseen
        Where nothing is known.
    free
        Where the position does not belong to the pile.
    losses
        What is not held, with the cause.
    """

    position: str | None
    at: Instants
    hot: Flags
    held: Spans
    unseen: Spans
    free: Spans
    losses: Losses

    def belongs_at(self, instant: int) -> bool:
        """Tell whether the position is part of the pile at an instant."""
        if self.position is None:
            return False
        # Free is all time before the position's bounds and all time after them.
        return bool(self.free.end[0] <= instant <= self.free.start[-1])


Row = tuple[int, int, int, Cause, bool]


def track(evidence: Evidence, record: Record, hold: Hold, time_zone: ZoneInfo) -> Track:
    """Judge every reading of one position and join those that hold.

    Heat counts as held between two successive qualifying readings no further apart than the rule's longest
    gap. A crossing of the limit counts none of its interval; a longer silence is unknown.

    Parameters
    ----------
    evidence
        One required position.
    record
        The pile it belongs to.
    hold
        Temperature, gap and their units.
    time_zone
        Of the site; used only where the rule asks for a reading a day.
    """
    low = per_unit(
        lambda unit: lowest_qualifying(hold.operator, hold.threshold, hold.unit, unit), evidence.unit
    )
    warm = evidence.value >= low
    hot = warm
    if hold.upper_limit is not None:
        ceiling = hold.upper_limit
        hot = warm & (
            evidence.value <= per_unit(lambda unit: highest_allowed(ceiling, hold.unit, unit), evidence.unit)
        )
    begins, ends = max(record.start, evidence.since), min(record.end, evidence.until)
    free = outside(Spans.of((evidence.since, evidence.until)))
    if evidence.at.size == 0:
        rows: list[Row] = [(begins, ends, ends, Cause.GAP, True)] if begins < ends else []
        unseen = Spans.of((begins, ends))
        return Track(evidence.position, evidence.at, hot, Spans.of(), unseen, free, losses_of(rows))
    held, between, unseen = _between(evidence, hot, warm, hold, time_zone)
    edges, blind = _edges(evidence, hot, hold, (begins, ends))
    cold_ends, dark = _cold_ends(evidence, hot, warm, hold)
    losses = between.joined_with(losses_of(edges + cold_ends))
    unseen = merged(unseen, blind, dark)
    return Track(evidence.position, evidence.at, hot, held, unseen, free, _flagged(losses, evidence))


def losses_of(rows: list[Row]) -> Losses:
    """Return losses from rows of start, end, first cold reading, cause and whether they are still open."""
    table = np.array([row[:4] for row in rows], dtype=np.int64).reshape(-1, 4)
    is_open = np.array([row[4] for row in rows], dtype=np.bool_)
    return Losses(table[:, 0], table[:, 1], table[:, 2], table[:, 3], is_open)


def _between(
    evidence: Evidence, hot: Flags, warm: Flags, hold: Hold, time_zone: ZoneInfo
) -> tuple[Spans, Losses, Spans]:
    """Walk from each qualifying reading to the next: held, lost or unseen."""
    at, limit = evidence.at, hours_us(hold.max_gap_h)
    index = np.flatnonzero(hot)
    if index.size == 0:
        return Spans.of(), losses_of([]), Spans.of()
    times = at[index]
    neighbours, apart = np.diff(index) == 1, np.diff(times)
    joined = neighbours & (apart <= limit)
    if hold.day_gap is not None:
        for k in np.flatnonzero(neighbours & ~joined):
            joined[k] = _joined_by_days(int(times[k]), int(times[k + 1]), hold.day_gap, time_zone)
    breaks = np.flatnonzero(~joined)
    held = Spans(
        times[np.concatenate(([0], breaks + 1)).astype(np.int64)],
        times[np.concatenate((breaks, [index.size - 1])).astype(np.int64)],
    )
    silent = neighbours[breaks]
    gaps, falls = breaks[silent], breaks[~silent]
    first, last = index[falls] + 1, index[falls + 1] - 1
    # A fall that begins or ends with a long silence: the silence is a gap, the cold readings stay a break
    # (hence the microsecond) even if the unseen time were assumed to have been hot.
    into, out = at[first] - times[falls] > limit, times[falls + 1] - at[last] > limit
    gap_start = np.concatenate((times[gaps], times[falls][into], at[last][out]))
    gap_end = np.concatenate((times[gaps + 1], at[first][into], times[falls + 1][out]))
    too_cold = np.concatenate(([0], np.cumsum(~warm)))
    cause = np.where(too_cold[last + 1] > too_cold[first], Cause.BELOW, Cause.ABOVE)
    losses = Losses(
        np.concatenate((gap_start, np.where(into, at[first], times[falls]))),
        np.concatenate((gap_end, np.where(out, at[last], times[falls + 1]))),
        np.concatenate((gap_end, at[first])),
        np.concatenate((np.full(gap_start.size, Cause.GAP), cause)).astype(np.int64),
        np.zeros(gap_start.size + falls.size, dtype=np.bool_),
    )
    unseen = merged(
        Spans(times[gaps], times[gaps + 1]),
        Spans(times[falls][into], at[first][into] - 1),
        Spans(at[last][out] + 1, times[falls + 1][out]),
    )
    return held, losses, unseen


def _joined_by_days(start: int, end: int, terms: DayGap, time_zone: ZoneInfo) -> bool:
    """Tell whether a gap skips no due day and is no longer than the rule's daily readings may be apart."""
    day, last = local_date(start, time_zone) + timedelta(days=1), local_date(end, time_zone)
    not_due = 0
    while day < last:
        if day.weekday() in terms.weekdays:
            return False
        not_due += 1
        day += timedelta(days=1)
    return end - start <= hours_us(terms.max_gap_h) + not_due * DAY_US


def _edges(evidence: Evidence, hot: Flags, hold: Hold, within: tuple[int, int]) -> tuple[list[Row], Spans]:
    """Look at the time before a position's first and after its last reading while it belonged to the pile."""
    at, limit = evidence.at, hours_us(hold.max_gap_h)
    rows: list[Row] = []
    blind = []
    for start, end, hot_reading, bounded in (
        (within[0], int(at[0]), bool(hot[0]), evidence.since == within[0]),
        (int(at[-1]), within[1], bool(hot[-1]), evidence.until == within[1]),
    ):
        if end - start > limit:
            rows.append((start, end, end, Cause.GAP, False))
            blind.append((start, end) if hot_reading else (start + 1, end - 1))
        elif end > start and bounded:
            rows.append((start, end, end, Cause.EDGE, False))
    return rows, Spans.of(*blind)


def _cold_ends(evidence: Evidence, hot: Flags, warm: Flags, hold: Hold) -> tuple[list[Row], Spans]:
    """Return the time before the first and after the last qualifying reading in which readings did not qualify."""
    at, index, limit = evidence.at, np.flatnonzero(hot), hours_us(hold.max_gap_h)
    if index.size == 0:
        return [(int(at[0]), int(at[-1]), int(at[0]), _cause(warm), True)], Spans.of()
    rows: list[Row] = []
    blind = []
    first, last = int(index[0]), int(index[-1])
    if first > 0:
        start, end = int(at[first - 1]), int(at[first])
        if end - start > limit:
            rows.append((start, end, end, Cause.GAP, False))
            blind.append((start + 1, end))
            end = start
        rows.append((int(at[0]), end, int(at[0]), _cause(warm[:first]), False))
    if last < at.size - 1:
        start, end = int(at[last]), int(at[last + 1])
        if end - start > limit:
            rows.append((start, end, end, Cause.GAP, False))
            blind.append((start, end - 1))
            start = end
        rows.append((start, int(at[-1]), end, _cause(warm[last + 1 :]), True))
    return rows, Spans.of(*blind)


def _cause(warm: Flags) -> Cause:
    return Cause.ABOVE if bool(warm.all()) else Cause.BELOW


def _flagged(losses: Losses, evidence: Evidence) -> Losses:
    """Name a gap by the readings a check failed, where such readings lie in it."""
    before = np.searchsorted(evidence.excluded_at, losses.start, side="right")
    after = np.searchsorted(evidence.excluded_at, losses.end, side="left")
    named = (losses.cause == Cause.GAP) & (after > before)
    return losses._replace(cause=np.where(named, int(Cause.FLAGGED), losses.cause))


def hours_between(start: int, end: int) -> float:
    """Return elapsed hours [h]."""
    return (end - start) / HOUR_US
