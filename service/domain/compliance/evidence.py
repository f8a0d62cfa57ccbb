"""The readings of a history that count as evidence, position by position."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.findings import CORRECTION, CorrectionHeld, Excluded
from service.domain.compliance.history import History
from service.domain.compliance.instants import DISTANT_FUTURE, DISTANT_PAST, HOUR_US, Instants, to_datetime
from service.domain.compliance.series import ACCEPTED, EXCLUDED, Applied, Series
from service.domain.quantities import QualityFlag, Unit
from service.domain.readings.quality import reasons_out
from service.domain.temperatures import mean_celsius


@dataclass(frozen=True, slots=True, eq=False)
class Evidence:
    """What one position tells since the last addition of fresh material.

    Attributes
    ----------
    position
        Place in the pile.
    at, value, unit
        ``(n,)`` readings that count, ascending in time.
    excluded_at
        Times of readings that are no evidence: a test or a person keeps them out, or they carry no number.
    since, until
        The position belongs to the pile between these instants.
    depth_cm, accuracy_c, calibrated_at
        As the series has them.
    """

    position: str
    at: Instants
    value: NDArray[np.float64]
    unit: NDArray[np.integer[Any]]
    excluded_at: Instants
    since: int
    until: int
    depth_cm: float | None = None
    accuracy_c: float | None = None
    calibrated_at: datetime | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """The evidence of a whole pile.

    Attributes
    ----------
    evidence
        Of every required position.
    start, end
        First and last reading that counts; ``start > end`` when there is none.
    restart
        The last addition of fresh material, or None.
    judged
        The instant of judging.
    turns
        Turnings since the restart and up to the instant of judging, ascending.
    early_turns
        Turnings up to the restart; mixing fresh material in is no turning of the batch it makes.
    closed
        True when the process has ended.
    planned_turns
        Turnings the schedule means to make after the instant of judging, ascending.
    moves
        When the pile was handled as a whole without being turned, up to the instant of judging, ascending.
    placed
        Every required position by itself, where ``evidence`` is their mean.
    """

    evidence: tuple[Evidence, ...]
    start: int
    end: int
    restart: int | None
    judged: int
    turns: tuple[int, ...]
    early_turns: tuple[int, ...]
    closed: bool
    planned_turns: tuple[int, ...] = ()
    moves: tuple[int, ...] = ()
    placed: tuple[Evidence, ...] = ()

    @property
    def is_empty(self) -> bool:
        """True when no reading counts."""
        return self.start > self.end


def gather(history: History, judged: int) -> Record:
    """Pick out what counts at the instant of judging.

    Parameters
    ----------
    history
        As recorded.
    judged
        Nothing after this instant is looked at [us].
    """
    restart = max((at for at in history.restarts_us if at <= judged), default=None)
    since = DISTANT_PAST if restart is None else restart
    by_position = {one.position: one for one in history.series if _seen(one, judged)}
    required = by_position.keys() if history.required_positions is None else history.required_positions
    nothing = np.zeros(0, dtype=np.int64)
    evidence = []
    for position in sorted(required):
        if position in by_position:
            evidence.append(_evidence(by_position[position], since, judged))
        else:
            none = Evidence(
                position, nothing, np.zeros(0), np.zeros(0, np.uint8), nothing, *_bounds(history, position)
            )
            evidence.append(none)
    placed = tuple(evidence)
    if history.averaged_by is not None:
        evidence = averaged(evidence)
    turns = [at for at in history.turns_us if at <= judged]
    return Record(
        evidence=tuple(evidence),
        start=min((int(one.at[0]) for one in evidence if one.at.size), default=DISTANT_FUTURE),
        end=max((int(one.at[-1]) for one in evidence if one.at.size), default=DISTANT_PAST),
        restart=restart,
        judged=judged,
        turns=tuple(at for at in turns if at > since),
        early_turns=tuple(at for at in turns if at <= since),
        closed=history.closed,
        planned_turns=tuple(at for at in history.planned_turns_us if at > judged),
        moves=tuple(at for at in history.moves_us if at <= judged),
        placed=placed,
    )


def averaged(evidence: Sequence[Evidence]) -> list[Evidence]:
    """Return the mean of all positions as one, over those hours in which each of them was read.

    Nothing is filled in: an hour in which one position was silent is an hour without a mean.
    """
    read = [one for one in evidence if one.at.size]
    if len(read) < 2 or len(read) < len(evidence):  # noqa: PLR2004 - nothing to average, or a place never read
        return list(evidence)
    hours, lasts = zip(*(_last_of_each_hour(one) for one in read), strict=True)
    shared = hours[0]
    for one in hours[1:]:
        shared = np.intersect1d(shared, one, assume_unique=True)
    rows = [last[np.searchsorted(hour, shared)] for hour, last in zip(hours, lasts, strict=True)]
    at = (
        np.max([one.at[row] for one, row in zip(read, rows, strict=True)], axis=0)
        if shared.size
        else read[0].at[:0]
    )
    mean = mean_celsius(
        [one.value[row] for one, row in zip(read, rows, strict=True)],
        [one.unit[row] for one, row in zip(read, rows, strict=True)],
    )
    return [
        Evidence(
            position=f"mean of {', '.join(one.position for one in read)}",
            at=np.asarray(at, dtype=np.int64),
            value=mean,
            unit=np.full(shared.size, int(Unit.CEL), dtype=np.uint8),
            excluded_at=np.unique(np.concatenate([one.excluded_at for one in read])),
            since=max(one.since for one in read),
            until=min(one.until for one in read),
        )
    ]


def _last_of_each_hour(one: Evidence) -> tuple[Instants, NDArray[np.int64]]:
    hour = one.at // HOUR_US
    last = np.flatnonzero(np.append(hour[1:] != hour[:-1], True))
    return hour[last], last


def _seen(series: Series, judged: int) -> bool:
    return bool(series.observed_at.size) and int(series.observed_at[0]) <= judged


def _bounds(history: History, position: str) -> tuple[int, int]:
    """Bounds of a position without a reading, if the history names it at all."""
    for series in history.series:
        if series.position == position:
            return series.starts_us, series.ends_us
    return DISTANT_PAST, DISTANT_FUTURE


def _evidence(series: Series, since: int, judged: int) -> Evidence:
    first = int(np.searchsorted(series.observed_at, max(since, series.starts_us), side="left"))
    last = int(np.searchsorted(series.observed_at, min(judged, series.ends_us), side="right"))
    at, counts = series.observed_at[first:last], series.counts(last)[first:]
    return Evidence(
        position=series.position,
        at=at[counts],
        value=series.value[first:last][counts],
        unit=series.unit[first:last][counts],
        excluded_at=at[~counts],
        since=series.starts_us,
        until=series.ends_us,
        depth_cm=series.depth_cm,
        accuracy_c=series.accuracy_c,
        calibrated_at=series.calibrated_at,
    )


def excluded(history: History, judged: int) -> tuple[Excluded, ...]:
    """List the readings up to the instant of judging that are no evidence, by position and cause, each once."""
    return tuple(
        one
        for series in sorted(history.series, key=lambda one: one.position)
        for one in _excluded(series, int(np.searchsorted(series.observed_at, judged, side="right")))
    )


def _excluded(series: Series, n: int) -> Iterator[Excluded]:
    at, value = series.observed_at[:n], series.value[:n]
    said = np.zeros(n, np.int8) if series.said is None else series.said[:n]
    flag = (series.flag if series.assessed is None else series.assessed)[:n]
    # A reading without a number is missing whatever its flag says, and nobody can accept one.
    flag = np.where(np.isnan(value), np.int16(QualityFlag.MISSING), flag)
    tested = (said != EXCLUDED) & ((said != ACCEPTED) | np.isnan(value))
    for cause, here in reasons_out(flag[tested]):
        yield _excluded_at(series.position, cause, at[tested][here])
    for entry, spoken in _holding(series, n):
        if entry.kind == "exclude":
            yield _excluded_at(series.position, CORRECTION, spoken, entry.correction)


def _excluded_at(position: str, cause: str, at: Instants, correction: UUID | None = None) -> Excluded:
    return Excluded(
        position,
        cause,
        len(at),
        to_datetime(int(at[0])),
        to_datetime(int(at[-1])),
        None if correction is None else str(correction),
    )


def corrections_held(history: History, judged: int) -> tuple[CorrectionHeld, ...]:
    """List the entries by which readings moved, were told in another unit or were accepted, by position."""
    return tuple(
        CorrectionHeld(
            series.position,
            str(entry.correction),
            entry.kind,
            len(at),
            to_datetime(int(at[0])),
            to_datetime(int(at[-1])),
        )
        for series in sorted(history.series, key=lambda one: one.position)
        for entry, at in _holding(series, int(np.searchsorted(series.observed_at, judged, side="right")))
        if entry.kind != "exclude"
    )


def _holding(series: Series, n: int) -> Iterator[tuple[Applied, Instants]]:
    """Yield the entries that hold for any of the first ``n`` readings, and when those were taken."""
    last = series.observed_at[n - 1] if n else DISTANT_PAST
    for entry in series.applied:
        at = entry.observed_at[: np.searchsorted(entry.observed_at, last, side="right")]
        if at.size:
            yield entry, at


def excluded_by_flag(found: Iterable[Excluded]) -> Mapping[str, int]:
    """Count the readings that are no evidence by the flag or test that keeps them out."""
    counts: dict[str, int] = {}
    for one in found:
        if one.cause != CORRECTION:
            counts[one.cause] = counts.get(one.cause, 0) + one.count
    return dict(sorted(counts.items()))
