"""The stretches that did not count, in words, for whoever reads the verdict."""

from collections.abc import Iterator, Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.demands import Hold
from service.domain.compliance.evidence import Evidence, Record, gather
from service.domain.compliance.history import History
from service.domain.compliance.instants import hours_us, to_datetime
from service.domain.compliance.rule import TextReading
from service.domain.compliance.standing import HoldCase
from service.domain.compliance.thresholds import celsius
from service.domain.compliance.timeline import caused_by_turn
from service.domain.compliance.tracks import Cause, Track, hours_between, track
from service.domain.compliance.verdict import Lost, LostCause
from service.domain.compliance.words import demanded, hours, value_in
from service.domain.quantities import temperature_c

LABELS: Final[Mapping[int, LostCause]] = {
    Cause.BELOW: "below_threshold",
    Cause.ABOVE: "above_limit",
    Cause.GAP: "gap",
    Cause.FLAGGED: "flagged",
    Cause.EDGE: "gap",
}


def lost_by(case: HoldCase, record: Record, text: TextReading, until: int | None) -> tuple[Lost, ...]:
    """List what was lost after the pile first became hot anywhere.

    Parameters
    ----------
    case, record, text
        The hold shown, what was recorded, and how silences are filled.
    until
        When the rule was met [us]: what came later no longer matters. None if it is not met.
    """
    starts = [int(track.at[track.hot.argmax()]) for track in case.tracks if track.hot.any()]
    if not starts:
        return ()
    evidence = {one.position: one for one in record.evidence}
    found: list[Lost] = []
    for one in case.tracks:
        found += _of_track(case, one, evidence.get(one.position or ""), record, text, (min(starts), until))
        if until is None and not record.closed:
            found += _silence(case, one, record)
    return tuple(sorted(found, key=lambda one: (one.from_, one.to, one.position or "")))


def _of_track(
    case: HoldCase,
    one: Track,
    evidence: Evidence | None,
    record: Record,
    text: TextReading,
    within: tuple[int, int | None],
) -> Iterator[Lost]:
    since, until = within
    wanted = one.losses.end > since
    if until is not None:
        wanted &= one.losses.start < until
    kept = np.flatnonzero(wanted)
    words = _words(case.hold, one, evidence, kept)
    excused = caused_by_turn(one.losses, record, text.turn_transient_h)[kept].tolist()
    rows = zip(
        *(column[kept].tolist() for column in (one.losses.start, one.losses.end, one.losses.cause)),
        strict=True,
    )
    for (start, end, code), detail, is_excused in zip(rows, words, excused, strict=True):
        cause = LABELS[code]
        if is_excused:
            cause = "turn_transient"
            detail += "; put down to the turning: no heat counted, the period goes on"  # noqa: PLW2901
        yield Lost(to_datetime(max(start, since)), to_datetime(end), cause, one.position, detail)


def _words(hold: Hold, one: Track, evidence: Evidence | None, kept: NDArray[np.int64]) -> Iterator[str]:
    """Say of each loss what was read furthest from the limit, or for how long nothing was."""
    start, end = one.losses.start[kept], one.losses.end[kept]
    first = np.searchsorted(one.at, start, side="left").tolist()
    last = np.searchsorted(one.at, end, side="right").tolist()
    asked, off = demanded(hold), _off_limit(hold, one, evidence)
    rows = zip(start.tolist(), end.tolist(), one.losses.cause[kept].tolist(), first, last, strict=True)
    for starts, ends, cause, low, high in rows:
        if LABELS[cause] in {"gap", "flagged"} or evidence is None:
            yield _unseen_words(one, evidence, cause, (starts, ends))
            continue
        worst = low + int(off[low:high].argmax())
        value = value_in(float(evidence.value[worst]), int(evidence.unit[worst]))
        yield f"{value} read at {to_datetime(int(one.at[worst])).isoformat()}; asked is {asked}"


def _off_limit(hold: Hold, one: Track, evidence: Evidence | None) -> NDArray[np.float64]:
    """Return how far each reading is from qualifying [Cel]; less than nothing for those that do."""
    if evidence is None:
        return np.zeros(0)
    seen = celsius(evidence.value, evidence.unit)
    off = temperature_c(float(hold.threshold), hold.unit) - seen
    if hold.upper_limit is not None:
        off = np.maximum(off, seen - temperature_c(float(hold.upper_limit), hold.unit))
    return np.where(one.hot, -np.inf, off)


def _unseen_words(one: Track, evidence: Evidence | None, cause: int, within: tuple[int, int]) -> str:
    length = hours(within[1] - within[0])
    if one.position is None:
        return f"no probe was placed in the pile, or none that was read, for {length}"
    if cause == Cause.EDGE:
        return f"{length} between placing or lifting the probe and its nearest reading"
    if cause == Cause.FLAGGED and evidence is not None:
        failed = np.count_nonzero((evidence.excluded_at > within[0]) & (evidence.excluded_at < within[1]))
        return (
            f"no reading that counts for {length}; {failed} failed a check, were excluded or carried no value"
        )
    return f"no reading for {length}: not held, not failed, unknown"


def _silence(case: HoldCase, one: Track, record: Record) -> Iterator[Lost]:
    """Name the silence that lasts up to the instant of judging."""
    if one.at.size == 0 or not one.belongs_at(record.judged):
        return
    last = max(int(one.at[-1]), record.end)
    if record.judged - int(one.at[-1]) > hours_us(case.hold.longest_gap_h) and last < record.judged:
        length = hours_between(int(one.at[-1]), record.judged)
        detail = f"no reading since {to_datetime(int(one.at[-1])).isoformat()}, {length:.4g} h ago"
        yield Lost(to_datetime(last), to_datetime(record.judged), "gap", one.position, detail)


def lost_by_addition(history: History, record: Record, case: HoldCase) -> tuple[Lost, ...]:
    """Name the heat that no longer counts because fresh material was added after it."""
    if record.restart is None:
        return ()
    earlier = gather(
        History(series=history.series, required_positions=history.required_positions), record.restart - 1
    )
    tracks = [track(one, earlier, case.hold, case.time_zone) for one in earlier.evidence]
    starts = [int(one.at[one.hot.argmax()]) for one in tracks if one.hot.any()]
    if not starts:
        return ()
    detail = "fresh material was added: the batch is as old as its youngest part, and nothing before counts"
    return (
        Lost(to_datetime(min(starts)), to_datetime(record.restart), "restarted_by_addition", None, detail),
    )
