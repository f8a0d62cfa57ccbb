"""What a rule asks besides time, temperature, turning, initial mix and curing."""

from collections.abc import Sequence
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np

from service.domain.compliance.evidence import Record
from service.domain.compliance.history import History
from service.domain.compliance.instants import hours_us, local_date, local_midnights, to_datetime
from service.domain.compliance.rule import Duty
from service.domain.compliance.tracks import Track
from service.domain.compliance.verdict import Criterion, State
from service.domain.compliance.words import count, hours


def judge_duty(
    duty: Duty,
    history: History,
    record: Record,
    tracks: Sequence[Track],
    period: tuple[int, int],
    zone: ZoneInfo,
) -> Criterion:
    """Judge one duty from its record, or from the data where they show it.

    Parameters
    ----------
    duty
        What is asked.
    history, record, tracks
        What was recorded, and the readings at the hold's temperature.
    period
        First and last instant over which daily readings are looked for [us].
    zone
        Time zone of the site.
    """
    on_file = sorted(history.duties_recorded & ({duty.name} | duty.instead))
    if on_file:
        return _criterion(duty, "met", f"on record: {', '.join(on_file)}")
    if duty.evidence == "turns":
        return _turned(duty, record)
    if duty.evidence == "record":
        return _criterion(duty, "cannot_judge", "no record of it")
    if record.is_empty or period[0] >= period[1]:
        return _criterion(duty, "cannot_judge", "no stretch of readings to judge it by")
    if duty.evidence == "reading_days":
        return _read_each_day(duty, record, tracks, period, zone)
    return _read_without_gap(duty, tracks, period)


def _criterion(duty: Duty, state: State, seen: str) -> Criterion:
    return Criterion(duty.name, "duty", state, f"{duty.requirement}: {seen}")


def _turned(duty: Duty, record: Record) -> Criterion:
    seen = count(len(record.turns), "turning on file", "turnings on file")
    if len(record.turns) >= duty.least:
        return _criterion(duty, "met", seen)
    return _criterion(duty, "not_met" if record.closed else "under_way", f"{seen} of {duty.least} looked for")


def _read_each_day(
    duty: Duty, record: Record, tracks: Sequence[Track], period: tuple[int, int], zone: ZoneInfo
) -> Criterion:
    """Look for a reading at each position on each due day of the period at the site."""
    first, last = local_date(period[0], zone), local_date(period[1], zone)
    midnights = local_midnights(first, last, zone)
    missed: list[str] = []
    for one in tracks:
        if one.position is None:
            continue
        read = np.bincount(
            np.clip(np.searchsorted(midnights, one.at, side="right"), 0, midnights.size),
            minlength=midnights.size + 1,
        )[1:]
        for n in range(midnights.size - 1):
            day = first + timedelta(days=n)
            # A day outside the position's bounds asks for nothing, nor does a day that is not over yet.
            apart = bool(((one.free.start < midnights[n + 1]) & (one.free.end > midnights[n])).any())
            is_over = int(midnights[n + 1]) <= record.judged
            if day.weekday() in duty.weekdays and not read[n] and not apart and is_over:
                missed.append(f"{day.isoformat()} at {one.position}")
    if not missed:
        return _criterion(
            duty, "met", f"read on every due day from {first.isoformat()} to {last.isoformat()}"
        )
    listed = ", ".join(missed[:5]) + (f" and {len(missed) - 5} more" if len(missed) > 5 else "")  # noqa: PLR2004
    return _criterion(duty, "not_met", f"no reading on {listed}")


def _read_without_gap(duty: Duty, tracks: Sequence[Track], period: tuple[int, int]) -> Criterion:
    """Look for the longest silence of any position within the period."""
    longest, where = 0, ""
    for one in tracks:
        inside = one.at[(one.at >= period[0]) & (one.at <= period[1])]
        if inside.size < 2:  # noqa: PLR2004 - no two readings, no interval
            continue
        apart = np.diff(inside)
        k = int(apart.argmax())
        if int(apart[k]) > longest:
            longest, where = (
                int(apart[k]),
                f"at {one.position} from {to_datetime(int(inside[k])).isoformat()}",
            )
    if longest == 0:
        return _criterion(duty, "cannot_judge", "no two readings in the stretch that counts")
    seen = f"longest time between readings {hours(longest)} {where}"
    return _criterion(duty, "met" if longest <= hours_us(duty.max_gap_h) else "not_met", seen)
