"""Turnings nobody recorded, as the curves suggest them: reported to be asked about, never counted."""

from bisect import bisect_right
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.evidence import Evidence, Record
from service.domain.compliance.findings import SuspectedTurn
from service.domain.compliance.instants import HOUR_US, Instants, hours_us, to_datetime
from service.domain.temperatures import celsius

# What a turning does to a curve: house figures, no source. A probe pulled out falls alone; rain and a pile going cold
# fall slowly or do not come back.
FALL_C: Final = 8.0
FALL_WITHIN_H: Final = 6
REGAIN_WITHIN_H: Final = 72.0
NEARLY: Final = 0.9
LEAST_POSITIONS: Final = 2
TOGETHER_H: Final = 6.0
"""Falls at several positions that begin no further apart than this are one."""
KNOWN_WITHIN_H: Final = 12.0
"""A fall this near a turning or a move on file is its doing, or its time was written down wrong."""
MOST_TOLD: Final = 50


def suspected_turns(record: Record) -> tuple[SuspectedTurn, ...]:
    """Find falls at several positions together, made good afterwards, with no turning or move on file near them.

    Parameters
    ----------
    record
        The evidence of a pile, and the turnings on file.

    Returns
    -------
    tuple of SuspectedTurn
        In order of time, the first fifty; none where a single position was read.
    """
    places = [one for one in record.placed if one.at.size > 2]  # noqa: PLR2004 - before, low and after
    if len(places) < LEAST_POSITIONS:
        return ()
    found: list[tuple[int, int, float]] = []
    for k, one in enumerate(places):
        found += [(at, k, fall) for at, fall in _falls(one)]
    known = np.array(record.turns + record.early_turns + record.moves, dtype=np.int64)
    told: list[SuspectedTurn] = []
    for group in _together(sorted(found)):
        here = {k for _, k, _ in group}
        first = group[0][0]
        near = known.size and int(np.abs(known - first).min()) <= hours_us(KNOWN_WITHIN_H)
        if 2 * len(here) < len(places) or len(here) < LEAST_POSITIONS or near:
            continue
        least = min(fall for _, _, fall in group)
        told.append(_told(first, tuple(places[k].position for k in sorted(here)), least))
    return tuple(told[:MOST_TOLD])


def _told(at: int, positions: tuple[str, ...], fall_c: float) -> SuspectedTurn:
    detail = (
        f"a fall of {fall_c:.1f} °C or more within {FALL_WITHIN_H} h at {len(positions)} positions, made good "
        "afterwards, looks like a turning nobody recorded; enter it if there was one: it counts for nothing until then"
    )
    return SuspectedTurn(to_datetime(at), positions, round(fall_c, 1), detail)


def _falls(one: Evidence) -> list[tuple[int, float]]:
    """Return where one curve falls far enough, fast enough and comes back, and by how much [Cel]."""
    value = celsius(one.value, one.unit)
    hour, last, low, high = _by_hour(one.at, value)
    deep_enough, falls, bottoms = _deep(hour, value[last], low)
    until = np.searchsorted(hour, hour[bottoms] + REGAIN_WITHIN_H, side="right") if bottoms else hour[:0]
    untils, lows, highs = until.tolist(), low.tolist(), high.tolist()
    found = []
    place = 0
    while place < len(deep_enough):
        same = slice(place, bisect_right(deep_enough, bottoms[place], lo=place))
        # It began with the last reading from which nearly all of it was still to come.
        deepest = max(falls[same])
        k = next(k for k in reversed(range(same.start, same.stop)) if falls[k] >= NEARLY * deepest)
        low_at = bottoms[k]
        # Half of what was lost: a pile that goes cold for good was not turned, or was turned in vain.
        if max(highs[low_at : untils[k]]) >= lows[low_at] + falls[k] / 2:
            found.append((int(one.at[last[deep_enough[k]]]), falls[k]))
        place = bisect_right(deep_enough, low_at, lo=place)
    return found


def _deep(
    hour: Instants, value: NDArray[np.float64], low: NDArray[np.float64]
) -> tuple[list[int], list[float], list[int]]:
    """Return the hours from whose last reading the curve falls far enough, how far [Cel], and the hour of the low."""
    beyond = np.append(low, np.full(FALL_WITHIN_H, np.inf))
    lowest = np.min([beyond[ahead : ahead + low.size] for ahead in range(1, FALL_WITHIN_H + 1)], axis=0)
    # Few: hours are looked at one by one only where the next six on record, however far apart, go down so far.
    may = np.flatnonzero(value - lowest >= FALL_C)
    ahead = may[:, None] + np.arange(1, FALL_WITHIN_H + 1)
    inside = np.minimum(ahead, hour.size - 1)
    near = (ahead < hour.size) & (hour[inside] - hour[may, None] <= FALL_WITHIN_H)
    deep = np.where(near, value[may, None] - low[inside], 0.0)
    best = deep.argmax(axis=1)
    fall = deep[np.arange(may.size), best]
    kept = fall >= FALL_C
    return may[kept].tolist(), fall[kept].tolist(), (may + 1 + best)[kept].tolist()


def _by_hour(
    at: Instants, value: NDArray[np.float64]
) -> tuple[Instants, NDArray[np.int64], NDArray[np.float64], NDArray[np.float64]]:
    """Return for each hour with a reading the hour, its last reading, and the least and greatest value."""
    hour = at // HOUR_US
    first = np.flatnonzero(np.concatenate(([True], hour[1:] != hour[:-1])))
    last = np.concatenate((first[1:], [hour.size])) - 1
    return hour[first], last, np.minimum.reduceat(value, first), np.maximum.reduceat(value, first)


def _together(falls: Sequence[tuple[int, int, float]]) -> list[list[tuple[int, int, float]]]:
    groups: list[list[tuple[int, int, float]]] = []
    for one in falls:
        if groups and one[0] - groups[-1][0][0] <= hours_us(TOGETHER_H):
            groups[-1].append(one)
        else:
            groups.append([one])
    return groups
