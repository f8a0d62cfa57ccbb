"""Duties shown by the readings themselves: how often, how far apart, how deep, in how many places."""

import math
from collections.abc import Iterator
from datetime import timedelta

import numpy as np

from service.domain.compliance.facts import LISTED, Facts, Seen
from service.domain.compliance.instants import DAY_US, hours_us, local_date, local_midnights, to_us
from service.domain.compliance.proofs import Calibrated, Depths, Places, ReadingDays, ReadingGaps
from service.domain.compliance.words import clock, count, hours


def read_each_day(proof: ReadingDays, facts: Facts) -> Seen:
    """Look for a reading at each position on each due day of the period at the site."""
    if facts.is_blank:
        return "cannot_judge", "no stretch of readings to judge it by"
    first, last = (local_date(at, facts.zone) for at in facts.period)
    midnights = local_midnights(first, last, facts.zone)
    missed = list(_missed(proof, facts, midnights.tolist()))
    if not missed:
        return "met", f"read on every due day from {first.isoformat()} to {last.isoformat()}"
    more = f" and {len(missed) - LISTED} more" if len(missed) > LISTED else ""
    return "not_met", f"no reading on {', '.join(missed[:LISTED])}{more}"


def _missed(proof: ReadingDays, facts: Facts, midnights: list[int]) -> Iterator[str]:
    first = local_date(facts.period[0], facts.zone)
    for one in facts.record.placed:
        n = len(midnights)
        place = np.clip(np.searchsorted(np.array(midnights), one.at, side="right"), 0, n)
        read = np.bincount(place, minlength=n + 1)[1:]
        for k in range(n - 1):
            day = first + timedelta(days=k)
            # A day outside the position's bounds asks for nothing, nor does a day that is not over yet.
            belongs = one.since <= midnights[k] and one.until >= midnights[k + 1]
            if (
                day.weekday() in proof.weekdays
                and not read[k]
                and belongs
                and midnights[k + 1] <= facts.record.judged
            ):
                yield f"{day.isoformat()} at {one.position}"


def read_without_gap(proof: ReadingGaps, facts: Facts) -> Seen:
    """Look for the longest silence of any position within the period."""
    longest, where = 0, ""
    for one in facts.record.placed:
        inside = one.at[(one.at >= facts.period[0]) & (one.at <= facts.period[1])]
        if inside.size < 2:  # noqa: PLR2004 - no two readings, no interval
            continue
        apart = np.diff(inside)
        k = int(apart.argmax())
        if int(apart[k]) > longest:
            longest = int(apart[k])
            where = f"at {one.position} from {clock(int(inside[k]), facts.zone)}"
    if longest == 0:
        return "cannot_judge", "no two readings in the stretch that counts"
    seen = f"longest time between readings {hours(longest)} {where}"
    return "met" if longest <= hours_us(proof.max_gap_h) else "not_met", seen


def deep(proof: Depths, facts: Facts) -> Seen:
    """Compare the depths of the probes with those asked for."""
    asked = f"{proof.least_cm:g} to {proof.most_cm:g} cm deep"
    depths = {one.position: one.depth_cm for one in facts.record.placed}
    wrong = [
        f"{name} at {cm:g} cm"
        for name, cm in depths.items()
        if cm is not None and not proof.least_cm <= cm <= proof.most_cm
    ]
    if wrong:
        return "not_met", f"{asked}: {', '.join(wrong[:LISTED])}"
    unknown = [name for name, cm in depths.items() if cm is None]
    if unknown or not depths:
        return "cannot_judge", f"{asked}: depth not on record{_of(unknown)}"
    return "met", f"{asked}: {count(len(depths), 'position', 'positions')}"


def spread(proof: Places, facts: Facts) -> Seen:
    """Count positions against one per length or per volume, or fraction of it."""
    seen = len([one for one in facts.record.placed if one.at.size])
    asked = []
    for figure, per in (("length_m", proof.per_m), ("volume_m3", proof.per_m3)):
        size = facts.history.measures.get(figure)
        if per is not None and size is not None:
            asked.append(math.ceil(round(size / per, 9)))
    words = count(seen, "position read", "positions read")
    if seen < proof.least:
        return "not_met", f"{words}, at least {proof.least} asked"
    if not asked and (proof.per_m is not None or proof.per_m3 is not None):
        return "cannot_judge", f"{words}; neither length nor volume of the pile is on record"
    least = max(proof.least, min(asked, default=1))
    return "met" if seen >= least else "not_met", f"{words}, {least} asked for a pile of this size"


def calibrated(proof: Calibrated, facts: Facts) -> Seen:
    """Look at the time from the calibration of each probe to its last reading that counts."""
    asked = f"calibrated within {proof.within_days:g} days"
    placed = [one for one in facts.record.placed if one.at.size]
    late = []
    for one in placed:
        if one.calibrated_at is not None:
            age = (int(one.at[-1]) - to_us(one.calibrated_at, "/series")) / DAY_US
            if age > proof.within_days:
                late.append(f"{one.position} {age:.0f} days before its last reading")
    if late:
        return "not_met", f"{asked}: {', '.join(late[:LISTED])}"
    unknown = [one.position for one in placed if one.calibrated_at is None]
    if unknown or not placed:
        return "cannot_judge", f"{asked}: no calibration on record{_of(unknown)}"
    return "met", f"{asked}: {count(len(placed), 'position', 'positions')}"


def _of(positions: list[str]) -> str:
    return f" for {', '.join(positions[:LISTED])}" if positions else ""
