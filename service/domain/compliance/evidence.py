"""The readings of a history that count as evidence, position by position."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.history import EXCLUDED, History, Series
from service.domain.compliance.instants import DISTANT_FUTURE, DISTANT_PAST, Instants
from service.domain.quantities import QualityFlag


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
        Times of readings that a check failed or that are missing.
    since, until
        The position belongs to the pile between these instants.
    """

    position: str
    at: Instants
    value: NDArray[np.float64]
    unit: NDArray[np.uint8]
    excluded_at: Instants
    since: int
    until: int


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
    """

    evidence: tuple[Evidence, ...]
    start: int
    end: int
    restart: int | None
    judged: int
    turns: tuple[int, ...]
    early_turns: tuple[int, ...]
    closed: bool

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
    )


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
    at, value, flag = series.observed_at[first:last], series.value[first:last], series.flag[first:last]
    counts = ~np.isin(flag, EXCLUDED) & ~np.isnan(value)
    return Evidence(
        position=series.position,
        at=at[counts],
        value=value[counts],
        unit=series.unit[first:last][counts],
        excluded_at=at[~counts],
        since=series.starts_us,
        until=series.ends_us,
    )


def excluded_by_flag(history: History, judged: int) -> Mapping[str, int]:
    """Count the readings up to the instant of judging that are no evidence, by the reason."""
    counts: dict[str, int] = {}
    for series in history.series:
        n = int(np.searchsorted(series.observed_at, judged, side="right"))
        flag, value = series.flag[:n], series.value[:n]
        for reason in EXCLUDED:
            counts[reason.name.lower()] = counts.get(reason.name.lower(), 0) + int((flag == reason).sum())
        unreadable = np.isnan(value) & ~np.isin(flag, EXCLUDED)
        missing = QualityFlag.MISSING.name.lower()
        counts[missing] += int(unreadable.sum())
    return {reason: count for reason, count in sorted(counts.items()) if count}
