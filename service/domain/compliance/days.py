"""Counting calendar days at the site, for rules whose evidence is a reading a day."""

from collections.abc import Sequence
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np

from service.domain.compliance.demands import DayCount
from service.domain.compliance.evidence import Record
from service.domain.compliance.instants import (
    DISTANT_FUTURE,
    Flags,
    Instants,
    hours_us,
    local_date,
    local_midnights,
    same_clock_time_after,
)
from service.domain.compliance.rule import TextReading
from service.domain.compliance.spans import Spans, common, covered_us, merged
from service.domain.compliance.timeline import Course, governing
from service.domain.compliance.tracks import Cause, Track


@dataclass(frozen=True, slots=True, eq=False)
class Calendar:
    """The days of a record at the site.

    Attributes
    ----------
    midnights
        ``(n + 1,)`` where each day begins and the last one ends [us].
    is_good
        ``(n,)`` days that qualify at every position.
    is_linked
        ``(n,)`` False where a day does not follow on from the one before.
    begins, ends
        ``(n,)`` instants between which every position qualified that day: the latest first and the earliest last
        qualifying reading [us].
    is_daily
        True when the record is one of daily readings.
    time_zone
        Of the site.
    """

    midnights: Instants
    is_good: Flags
    is_linked: Flags
    begins: Instants
    ends: Instants
    is_daily: bool
    time_zone: ZoneInfo


def day_courses(
    tracks: Sequence[Track],
    record: Record,
    terms: DayCount,
    text: TextReading,
    time_zone: ZoneInfo,
    *,
    assume_unseen_held: bool,
) -> list[Course]:
    """Return the periods in which calendar days may be counted.

    On a record of daily readings each dated entry stands for its day, so ``n`` successive entries make ``n`` days
    although first and last are only ``n - 1`` days apart; where the text lets days add up, the last entry of
    all is the only one that stands for a day by itself. On a denser record a rule that asks for daily readings
    is satisfied when the same clock time has come ``n`` days after the first qualifying reading.

    Parameters
    ----------
    tracks, record
        The readings at the hold's temperature.
    terms, text
        What makes a day count, and how silences are filled.
    time_zone
        Of the site.
    assume_unseen_held
        True to take days without a reading for good.
    """
    if record.is_empty:
        return []
    calendar = _calendar(tracks, record, terms, time_zone, assume_unseen_held=assume_unseen_held)
    if terms.record == "daily" and not calendar.is_daily:
        return []
    chains = _chains(calendar)
    if not chains:
        return []
    proven = governing(tracks, record, assume_unseen_held=False)
    found = []
    for k, (first, last) in enumerate(chains):
        next_start = int(calendar.begins[chains[k + 1][0]]) if k + 1 < len(chains) else DISTANT_FUTURE
        is_last = last == calendar.is_good.size - 1
        found.append(_course(calendar, terms, (first, last), proven, next_start, is_alive=is_last))
    if text.continuity == "cumulative" and calendar.is_daily:
        found.append(_sum(calendar, terms, chains, proven))
    return [course for course in found if course is not None]


def _calendar(
    tracks: Sequence[Track], record: Record, terms: DayCount, time_zone: ZoneInfo, *, assume_unseen_held: bool
) -> Calendar:
    midnights = local_midnights(
        local_date(record.start, time_zone), local_date(record.end, time_zone), time_zone
    )
    n = midnights.size - 1
    good, linked = np.ones(n, dtype=np.bool_), np.ones(n, dtype=np.bool_)
    begins, ends = midnights[:-1].copy(), midnights[1:].copy()
    for track in tracks:
        if track.position is None:
            continue
        day = np.searchsorted(midnights, track.at, side="right") - 1
        hot_at, hot_day = track.at[track.hot], day[track.hot]
        read, warm = np.bincount(day, minlength=n), np.bincount(hot_day, minlength=n)
        fine = warm > 0 if terms.qualifies == "one_reading" else (warm > 0) & (warm == read)
        absent = covered_us(track.free, midnights[1:]) > covered_us(track.free, midnights[:-1])
        spared = (read == 0) & (absent | assume_unseen_held)
        good &= fine | spared
        days, first = np.unique(hot_day, return_index=True)
        begins[days] = np.maximum(begins[days], hot_at[first])
        ends[days] = np.minimum(
            ends[days], hot_at[np.concatenate((first[1:], [hot_at.size]))[: days.size] - 1]
        )
        # Measured between qualifying readings: a cold reading in between must not shorten a gap.
        far = np.flatnonzero(np.diff(hot_at) > hours_us(terms.max_gap_h)) + 1
        if not assume_unseen_held:
            linked[hot_day[far]] = False
    is_daily = _is_daily(tracks, terms)
    if not is_daily:
        good &= _cool_us(tracks, midnights) <= hours_us(terms.mixed_day_cool_h)
    return Calendar(midnights, good, linked, begins, ends, is_daily, time_zone)


def _is_daily(tracks: Sequence[Track], terms: DayCount) -> bool:
    """Tell whether the readings of every position stand, in the middle of their order, far enough apart."""
    spacings = [np.median(np.diff(track.at)) for track in tracks if track.at.size > 1]
    return all(spacing >= hours_us(terms.daily_spacing_h) for spacing in spacings)


def _cool_us(tracks: Sequence[Track], midnights: Instants) -> Instants:
    """Return for each day how long some position was seen not to qualify [us]."""
    cool = []
    for track in tracks:
        if not track.hot.any():
            continue
        seen = (track.losses.cause == Cause.BELOW) | (track.losses.cause == Cause.ABOVE)
        # Warming up before the first qualifying reading is no interruption.
        seen &= track.losses.end > track.at[track.hot.argmax()]
        cool.append(Spans(track.losses.start[seen], track.losses.end[seen]))
    return (
        np.diff(covered_us(merged(*cool), midnights))
        if cool
        else np.zeros(midnights.size - 1, dtype=np.int64)
    )


def _chains(calendar: Calendar) -> list[tuple[int, int]]:
    """Return first and last day of each unbroken row of good days."""
    chains: list[tuple[int, int]] = []
    for day in np.flatnonzero(calendar.is_good).tolist():
        if chains and chains[-1][1] == day - 1 and calendar.is_linked[day]:
            chains[-1] = (chains[-1][0], day)
        else:
            chains.append((day, day))
    return chains


def _course(
    calendar: Calendar,
    terms: DayCount,
    chain: tuple[int, int],
    proven: Spans,
    next_start: int,
    *,
    is_alive: bool,
) -> Course | None:
    first, last = chain
    start = int(calendar.begins[first])
    if calendar.is_daily:
        days = last - first + 1
        end = int(calendar.begins[last])
        enough = first + terms.days - 1
        # The entry that completes the number may still be to come: then at the same clock time.
        target = (
            int(calendar.begins[enough])
            if days >= terms.days
            else same_clock_time_after(start, terms.days - 1, calendar.time_zone)
        )
        if days < terms.days:
            target = max(target, end + 1)
    else:
        end = int(calendar.ends[last])
        target = same_clock_time_after(start, terms.days, calendar.time_zone)
        days = _whole_days(calendar, start, end)
    if end < start:
        return None
    span = Spans.of((start, end))
    return Course(
        span,
        common([span, proven]),
        target - start,
        target - start,
        next_start,
        is_alive,
        by_days=True,
        days=days,
    )


def _whole_days(calendar: Calendar, start: int, end: int) -> int:
    days = 0
    while same_clock_time_after(start, days + 1, calendar.time_zone) <= end:
        days += 1
    return days


def _sum(
    calendar: Calendar, terms: DayCount, chains: Sequence[tuple[int, int]], proven: Spans
) -> Course | None:
    """Add up rows of daily entries, the last entry alone standing for a day of its own."""
    spans = Spans.of(*((int(calendar.begins[first]), int(calendar.begins[last])) for first, last in chains))
    if spans.start.size == 0:
        return None
    whole = [last - first for first, last in chains]
    days = sum(whole) + 1
    required = 0
    left = terms.days - 1
    for (first, _), count in zip(chains, whole, strict=True):
        taken = min(count, left)
        required += int(calendar.begins[first + taken] - calendar.begins[first])
        left -= taken
        if left == 0:
            break
    if left:
        required = spans.total_us + left * hours_us(24)
    return Course(spans, common([spans, proven]), required, required, is_alive=True, by_days=True, days=days)
