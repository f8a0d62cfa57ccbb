"""What must hold inside the period of a hold: hours at another temperature, and a mean."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import accumulate
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.demands import Hold, Mean
from service.domain.compliance.evidence import Evidence
from service.domain.compliance.instants import Instants, hours_us
from service.domain.compliance.spans import Spans, common, covered_us, overlaps
from service.domain.compliance.thresholds import Operator
from service.domain.compliance.timeline import Course
from service.domain.compliance.words import demanded, hours, standing_to, temperature
from service.domain.quantities import Unit, temperature_in
from service.domain.temperatures import celsius, written

NEAR_C: Final = 1e-6
"""Means closer than this to their limit are worked out exactly [Cel]."""


@dataclass(frozen=True, slots=True)
class Inner:
    """When something inside a period first sufficed [us], or what it is short of."""

    at: int | None
    short_of: str = ""


def time_within(hold: Hold, course: Course, inner: Hold, hot: Spans) -> Inner:
    """Find when one stretch of the outer hold's hours first held enough time at the inner temperature.

    Parameters
    ----------
    hold, course
        The outer hold and a period of it.
    inner, hot
        The inner hold, and where every position was at its temperature.
    """
    wanted, length = hours_us(inner.duration_h), hours_us(hold.duration_h)
    inside = common([hot, course.spans]) if hot.start.size and course.spans.start.size else Spans.of()
    if inner.continuity == "consecutive":
        long = np.flatnonzero(inside.end - inside.start >= wanted)
        if long.size:
            return Inner(int(inside.start[long[0]]) + wanted)
        best = int((inside.end - inside.start).max()) if inside.start.size else 0
    else:
        # In hours credited to the period, so that a fall put down to a turning does not lengthen the stretch.
        start, end = (covered_us(course.spans, edge) for edge in (inside.start, inside.end))
        at, best = _first_window(Spans(start, end), wanted, length)
        if at is not None:
            return Inner(_instant(course.spans, at))
    said = f"only {hours(best)} of the {hours(wanted)} {demanded(inner)} asked for within {hours(length)}"
    return Inner(None, said)


def _first_window(spans: Spans, wanted: int, length: int) -> tuple[int | None, int]:
    """Return where a window of ``length`` first covered ``wanted``, or None, and the most that one covered."""
    if spans.start.size == 0:
        return None, 0
    ends = np.unique(np.concatenate((spans.start, spans.end, spans.start + length, spans.end + length)))
    covered = covered_us(spans, ends) - covered_us(spans, ends - length)
    enough = np.flatnonzero(covered >= wanted)
    if enough.size == 0:
        return None, int(covered.max())
    k = int(enough[0])
    # Between two of these instants the cover grows by at most an hour an hour, so it was short by this much before.
    return int(ends[k] - (covered[k] - wanted)), int(covered[k])


def _instant(spans: Spans, credit: int) -> int:
    """Return the instant at which so much of the spans lay behind."""
    total = np.cumsum(spans.end - spans.start)
    k = min(int(np.searchsorted(total, credit, side="left")), total.size - 1)
    return int(spans.end[k] - (total[k] - credit))


def mean_reached(hold: Hold, course: Course, evidence: Sequence[Evidence], reached: int) -> Inner:
    """Find when the mean at every position, over the period so far and by time, first stood to its limit as asked.

    Parameters
    ----------
    hold, course, reached
        The hold with its mean, a period of it, and when its hours sufficed [us].
    evidence
        Of every position. Between two readings the temperature is taken to run straight, and the mean is taken over
        those stretches only in which the heat was held.
    """
    if hold.mean is None:
        return Inner(reached)
    within = [one for one in evidence if one.at.size]
    at_once = _mean_kept(hold, hold.mean, course, within, np.array([reached], dtype=np.int64))
    if at_once.at is not None:
        return at_once
    after = [one.at[(one.at > reached) & (one.at < course.end)] for one in within]
    moments = np.sort(np.concatenate([np.array([course.end], dtype=np.int64), *after]))
    return _mean_kept(hold, hold.mean, course, within, moments)


def _mean_kept(
    hold: Hold, mean: Mean, course: Course, within: Sequence[Evidence], moments: Instants
) -> Inner:
    """Find the first of some moments at which the mean of every position stands as asked."""
    asked = temperature_in(mean.threshold, hold.unit, Unit.CEL)
    limit, lowest = float(asked), np.inf
    kept = np.ones(moments.size, dtype=np.bool_)
    for one in within:
        found = _means(one, course.spans, moments)
        passed = found > limit if mean.operator == ">" else found >= limit
        near = np.abs(found - limit) < NEAR_C
        if near.any():
            passed[near] = _exactly(one, course.spans, moments[near], mean.operator, asked)
        kept &= passed | np.isnan(found)
        lowest = min(lowest, float(np.nanmin(found[-1:], initial=np.inf)))
    first = np.flatnonzero(kept)
    if first.size:
        return Inner(int(moments[first[0]]))
    wanted = standing_to(mean.operator, temperature(mean.threshold, hold.unit))
    return Inner(None, f"a mean of {lowest:.4g} °C so far; it must be {wanted}")


def _counted_lengths(one: Evidence, spans: Spans) -> Instants:
    """Return the length of each interval between readings, 0 where the heat was not held in it."""
    starts, ends = one.at[:-1], one.at[1:]
    return np.where(overlaps(spans, starts, ends), ends - starts, 0).astype(np.int64)


def _means(one: Evidence, spans: Spans, moments: Instants) -> NDArray[np.float64]:
    """Return the mean from the first instant of the spans to each moment; not a number where nothing was read."""
    value, length = celsius(one.value, one.unit), _counted_lengths(one, spans)
    area = np.concatenate(([0.0], np.cumsum(length * (value[:-1] + value[1:]) / 2)))
    time = np.concatenate(([0], np.cumsum(length)))
    k = np.maximum(np.searchsorted(one.at, moments, side="right") - 1, 0)
    return np.asarray(np.where(time[k] > 0, area[k] / np.maximum(time[k], 1), np.nan), dtype=np.float64)


def _exactly(
    one: Evidence, spans: Spans, moments: Instants, operator: Operator, limit: Fraction
) -> NDArray[np.bool_]:
    """Tell whether the same means stand to the limit as asked, without rounding."""
    exact = {
        key: temperature_in(written(key[0]), Unit(key[1]), Unit.CEL) - limit
        for key in set(zip(one.value.tolist(), one.unit.tolist(), strict=True))
    }
    # Over one denominator the sums are of whole numbers.
    below = math.lcm(*(value.denominator for value in exact.values()))
    whole = {key: int(value * below) for key, value in exact.items()}
    off = [whole[key] for key in zip(one.value.tolist(), one.unit.tolist(), strict=True)]
    length = _counted_lengths(one, spans).tolist()
    area = [0, *accumulate(span * (a + b) for span, a, b in zip(length, off[:-1], off[1:], strict=True))]
    k = np.maximum(np.searchsorted(one.at, moments, side="right") - 1, 0).tolist()
    return np.array([area[n] > 0 if operator == ">" else area[n] >= 0 for n in k], dtype=np.bool_)
