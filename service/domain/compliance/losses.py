"""The stretches that did not count, in words, for whoever reads the verdict."""

from collections.abc import Iterator, Mapping
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.demands import Hold
from service.domain.compliance.evidence import Evidence, Record, gather
from service.domain.compliance.findings import Lost, LostCause
from service.domain.compliance.history import History
from service.domain.compliance.instants import hours_us, to_datetime, to_datetimes
from service.domain.compliance.rule import TextReading
from service.domain.compliance.spans import Spans
from service.domain.compliance.standing import HoldCase
from service.domain.compliance.timeline import caused_by_turn
from service.domain.compliance.tracks import Cause, Track, track
from service.domain.compliance.words import clock, count, hours, limits, value_in
from service.domain.quantities import temperature_c
from service.domain.temperatures import celsius

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
    words = _words(case, one, evidence, kept)
    excused = caused_by_turn(one.losses, record, text.turn_transient_h)[kept].tolist()
    starts, ends = np.maximum(one.losses.start[kept], since), one.losses.end[kept]
    causes = one.losses.cause[kept].tolist()
    rows = zip(to_datetimes(starts), to_datetimes(ends), causes, words, excused, strict=True)
    for start, end, code, detail, is_excused in rows:
        cause = LABELS[code]
        if is_excused:
            cause = "turn_transient"
            detail += "; put down to the turning before it, so the period goes on"  # noqa: PLW2901
        yield Lost(start, end, cause, one.position, detail)


def _words(case: HoldCase, one: Track, evidence: Evidence | None, kept: NDArray[np.int64]) -> Iterator[str]:
    """Say of each loss what was read furthest from the limit, or for how long nothing was."""
    start, end, cause = (column[kept] for column in (one.losses.start, one.losses.end, one.losses.cause))
    is_seen = (cause == Cause.BELOW) | (cause == Cause.ABOVE)
    told: list[str | None] = [None] * kept.size
    if evidence is not None:
        falls, places = _worst(case.hold, one, evidence, Spans(start[is_seen], end[is_seen]))
        read = (evidence.value[places], evidence.unit[places], one.at[places])
        asked = limits(case.hold)
        rows = zip(
            np.flatnonzero(is_seen)[falls].tolist(), *(column.tolist() for column in read), strict=True
        )
        for row, value, unit, at in rows:
            told[row] = f"{value_in(value, unit)} on {clock(at, case.time_zone)}, where {asked} is asked"
    for starts, ends, code, words in zip(start.tolist(), end.tolist(), cause.tolist(), told, strict=True):
        yield words if words is not None else _unseen_words(one, evidence, code, (starts, ends))


def _worst(
    hold: Hold, one: Track, evidence: Evidence, falls: Spans
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the numbers of falls, and for each the place of the reading in it that is furthest from qualifying."""
    cold = np.flatnonzero(~one.hot)
    # Between two falls lie readings that qualify, so each cold one belongs to one of them.
    fall = np.searchsorted(falls.start, one.at[cold], side="right") - 1
    inside = fall >= 0
    inside[inside] = one.at[cold[inside]] <= falls.end[fall[inside]]
    cold, fall = cold[inside], fall[inside]
    # By fall, then from the worst reading to the best; of equals the first.
    order = np.lexsort((-_off_limit(hold, evidence.value[cold], evidence.unit[cold]), fall))
    numbers, first = np.unique(fall[order], return_index=True)
    return numbers, cold[order[first]]


def _off_limit(hold: Hold, value: NDArray[np.float64], unit: NDArray[np.integer[Any]]) -> NDArray[np.float64]:
    """Return how far readings that do not qualify are from it [Cel]."""
    seen = celsius(value, unit)
    off = temperature_c(float(hold.threshold), hold.unit) - seen
    if hold.upper_limit is not None:
        off = np.maximum(off, seen - temperature_c(float(hold.upper_limit), hold.unit))
    return off


def _unseen_words(one: Track, evidence: Evidence | None, cause: int, within: tuple[int, int]) -> str:
    length = hours(within[1] - within[0])
    if one.position is None:
        return f"no probe was placed in the pile, or none that was read, for {length}"
    if cause == Cause.EDGE:
        return f"{length} lie between placing or lifting the probe and its nearest reading"
    if cause == Cause.FLAGGED and evidence is not None:
        failed = np.count_nonzero((evidence.excluded_at > within[0]) & (evidence.excluded_at < within[1]))
        kept_out = count(int(failed), "reading was", "readings were")
        return (
            f"no reading that counts for {length}: {kept_out} kept out, because a check failed, a person "
            "excluded it or it carried no value"
        )
    return f"no reading for {length}: nobody knows whether it was hot, so this time does not count"


def _silence(case: HoldCase, one: Track, record: Record) -> Iterator[Lost]:
    """Name the silence that lasts up to the instant of judging."""
    if one.at.size == 0 or not one.belongs_at(record.judged):
        return
    last = max(int(one.at[-1]), record.end)
    if record.judged - int(one.at[-1]) > hours_us(case.hold.longest_gap_h) and last < record.judged:
        silent = hours(record.judged - int(one.at[-1]))
        detail = f"no reading since {clock(int(one.at[-1]), case.time_zone)}, {silent} ago"
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
    detail = "fresh material was added: the batch is as old as its youngest part, so nothing before counts"
    return (
        Lost(to_datetime(min(starts)), to_datetime(record.restart), "restarted_by_addition", None, detail),
    )
