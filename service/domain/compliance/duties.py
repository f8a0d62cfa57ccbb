"""Whether what a rule asks besides heat is shown: by a record, a sample, a measurement, or the readings themselves."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np

from service.domain.compliance.evidence import Record
from service.domain.compliance.history import History
from service.domain.compliance.instants import (
    DAY_US,
    hours_us,
    local_date,
    local_midnights,
    to_datetime,
    to_us,
)
from service.domain.compliance.proofs import (
    AnyOne,
    ByMethod,
    Calibrated,
    Depths,
    Duty,
    Every,
    Laboratory,
    Measured,
    OnRecord,
    Places,
    Proof,
    ReadingDays,
    ReadingGaps,
    Shown,
    TurnsOnFile,
    keeps,
)
from service.domain.compliance.samples import Sample
from service.domain.compliance.thresholds import written
from service.domain.compliance.verdict import Criterion, CriterionKind, State, worst
from service.domain.compliance.words import count, hours

Seen = tuple[State, str]
"""How far a part is shown, and what was seen, in words."""

HOPEFUL: Final[Mapping[State, int]] = {"met": 0, "under_way": 1, "cannot_judge": 2, "not_met": 3}
"""Of alternatives the best one decides; one that only waits is better than one nobody recorded."""
_LISTED: Final = 5


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """What a duty is judged from.

    Attributes
    ----------
    history, record
        What was recorded.
    period
        First and last instant over which readings are looked for [us].
    zone
        Time zone of the site.
    samples
        Of the one day that speaks for the duty; empty where it asks for none.
    """

    history: History
    record: Record
    period: tuple[int, int]
    zone: ZoneInfo
    samples: tuple[Sample, ...] = ()


def judge_duty(duty: Duty, facts: Facts, kind: CriterionKind = "duty") -> Criterion:
    """Judge one duty from its record, or from the data where they show it.

    Parameters
    ----------
    duty
        What is asked.
    facts
        What was recorded.
    kind
        ``duty``, or ``process`` where it decides the state of the rule.
    """
    on_file = sorted(facts.history.duties_recorded & ({duty.name} | duty.instead))
    if on_file:
        state, seen = _on_record(on_file)
    else:
        state, seen = _seen(duty.proof, replace(facts, samples=_samples(duty.proof, facts)))
    needed = "" if state == "met" else duty.requirement
    return Criterion(duty.name, kind, state, f"{duty.requirement}: {seen}", needed=needed)


def _on_record(names: Sequence[str]) -> Seen:
    return "met", f"on record: {', '.join(names)}"


def _seen(proof: Proof, facts: Facts) -> Seen:
    if isinstance(proof, Every):
        found = [_part(one, facts) for one in proof.of]
        return worst([state for state, _ in found]), "; ".join(words for _, words in found)
    if isinstance(proof, AnyOne):
        found = [_part(one, facts) for one in proof.of]
        best = min(found, key=lambda one: HOPEFUL[one[0]])
        if best[0] == "met":
            return best
        return best[0], "; nor: ".join(words for _, words in found)
    return SEEN[type(proof)](proof, facts)


def _part(part: Shown, facts: Facts) -> Seen:
    if part.name in facts.history.duties_recorded:
        return _on_record([part.name])
    if isinstance(part.proof, OnRecord):
        return "cannot_judge", f"no record of {part.name}"
    return _seen(part.proof, facts)


def _record(_proof: OnRecord, _facts: Facts) -> Seen:
    return "cannot_judge", "no record of it"


def _turned(proof: TurnsOnFile, facts: Facts) -> Seen:
    seen = count(len(facts.record.turns), "turning on file", "turnings on file")
    if len(facts.record.turns) >= proof.least:
        return "met", seen
    return "not_met" if facts.record.closed else "under_way", f"{seen} of {proof.least} looked for"


def _read_each_day(proof: ReadingDays, facts: Facts) -> Seen:
    """Look for a reading at each position on each due day of the period at the site."""
    if _is_blank(facts):
        return "cannot_judge", "no stretch of readings to judge it by"
    first, last = (local_date(at, facts.zone) for at in facts.period)
    midnights = local_midnights(first, last, facts.zone)
    missed = list(_missed(proof, facts, midnights.tolist()))
    if not missed:
        return "met", f"read on every due day from {first.isoformat()} to {last.isoformat()}"
    more = f" and {len(missed) - _LISTED} more" if len(missed) > _LISTED else ""
    return "not_met", f"no reading on {', '.join(missed[:_LISTED])}{more}"


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


def _is_blank(facts: Facts) -> bool:
    return facts.record.is_empty or facts.period[0] >= facts.period[1]


def _read_without_gap(proof: ReadingGaps, facts: Facts) -> Seen:
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
            where = f"at {one.position} from {to_datetime(int(inside[k])).isoformat()}"
    if longest == 0:
        return "cannot_judge", "no two readings in the stretch that counts"
    seen = f"longest time between readings {hours(longest)} {where}"
    return "met" if longest <= hours_us(proof.max_gap_h) else "not_met", seen


def _figures(proof: Proof) -> frozenset[str]:
    if isinstance(proof, Every | AnyOne):
        return frozenset().union(*(_figures(one.proof) for one in proof.of))
    return frozenset({proof.figure}) if isinstance(proof, Laboratory) else frozenset()


def _samples(proof: Proof, facts: Facts) -> tuple[Sample, ...]:
    """Return the samples of the last day on which any figure of the duty was measured.

    A duty speaks of one state of the material: the coliforms of May and the Salmonella of July prove nothing
    together. What was sampled before fresh material came says nothing of the batch it made.
    """
    wanted, since = _figures(proof), facts.record.restart
    taken = [
        one
        for one in facts.history.samples
        if wanted & one.figures.keys()
        and to_us(one.taken_at, "/samples") <= facts.record.judged
        and (since is None or to_us(one.taken_at, "/samples") > since)
    ]
    if not taken:
        return ()
    day = max(one.taken_at.astimezone(facts.zone).date() for one in taken)
    return tuple(one for one in taken if one.taken_at.astimezone(facts.zone).date() == day)


def _analysed(proof: Laboratory, facts: Facts) -> Seen:
    values = [one.figures[proof.figure] for one in facts.samples if proof.figure in one.figures]
    asked = f"{proof.figure} {proof.operator} {float(proof.limit):g}"
    if not values:
        return "cannot_judge", f"{asked}: not analysed in the samples that speak for it"
    day = facts.samples[0].taken_at.astimezone(facts.zone).date().isoformat()
    if len(values) < proof.samples:
        return "cannot_judge", f"{asked}: {len(values)} of {proof.samples} samples of {day}"
    if proof.statistic == "geometric_mean":
        # A count of none would make the whole mean none; one is the least a count can tell.
        figure = math.exp(math.fsum(math.log(max(one, 1.0)) for one in values) / len(values))
        kept, said = keeps(written(round(figure, 9)), proof.operator, proof.limit), f"mean {figure:.4g}"
    else:
        kept = all(keeps(written(one), proof.operator, proof.limit) for one in values)
        said = " and ".join(f"{one:g}" for one in values)
    return "met" if kept else "not_met", f"{asked}: {said} in the sample of {day}"


def _measured(proof: Measured, facts: Facts) -> Seen:
    value = facts.history.measures.get(proof.figure)
    least, most = (None if end is None else float(end) for end in (proof.least, proof.most))
    asked = " and ".join(
        words
        for words in (
            f"at least {least:g}" if least is not None else "",
            f"at most {most:g}" if most is not None else "",
        )
        if words
    )
    if value is None:
        return "cannot_judge", f"{proof.figure} {asked}: not on record"
    exact = written(float(value))
    kept = (proof.least is None or exact >= proof.least) and (proof.most is None or exact <= proof.most)
    # What only grows with time can still be reached.
    waits = not kept and proof.figure.endswith("_days") and proof.least is not None and exact < proof.least
    return (
        "met" if kept else "under_way" if waits else "not_met",
        f"{proof.figure} {asked}: {value:g} on record",
    )


def _deep(proof: Depths, facts: Facts) -> Seen:
    asked = f"{proof.least_cm:g} to {proof.most_cm:g} cm deep"
    depths = {one.position: one.depth_cm for one in facts.record.placed}
    wrong = [
        f"{name} at {cm:g} cm"
        for name, cm in depths.items()
        if cm is not None and not proof.least_cm <= cm <= proof.most_cm
    ]
    if wrong:
        return "not_met", f"{asked}: {', '.join(wrong[:_LISTED])}"
    unknown = [name for name, cm in depths.items() if cm is None]
    if unknown or not depths:
        return (
            "cannot_judge",
            f"{asked}: depth not on record{' for ' if unknown else ''}{', '.join(unknown[:_LISTED])}",
        )
    return "met", f"{asked}: {count(len(depths), 'position', 'positions')}"


def _spread(proof: Places, facts: Facts) -> Seen:
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


def _calibrated(proof: Calibrated, facts: Facts) -> Seen:
    """Look at the time from the calibration of each probe to its last reading that counts."""
    asked = f"calibrated within {proof.within_days:g} days"
    placed = [one for one in facts.record.placed if one.at.size]
    late = []
    for one in placed:
        if one.calibrated_at is not None:
            age = (int(one.at[-1]) - to_us(one.calibrated_at, "/series")) / DAY_US
            late += (
                [f"{one.position} {age:.0f} days before its last reading"] if age > proof.within_days else []
            )
    if late:
        return "not_met", f"{asked}: {', '.join(late[:_LISTED])}"
    unknown = [one.position for one in placed if one.calibrated_at is None]
    if unknown or not placed:
        return (
            "cannot_judge",
            f"{asked}: no calibration on record{' for ' if unknown else ''}{', '.join(unknown[:_LISTED])}",
        )
    return "met", f"{asked}: {count(len(placed), 'position', 'positions')}"


def _by_method(proof: ByMethod, facts: Facts) -> Seen:
    method, asked = facts.history.method, " or ".join(proof.methods)
    if method is None:
        return "cannot_judge", f"{asked}: the way of composting is not on record"
    return "met" if method in proof.methods else "not_met", f"{asked}: {method} on record"


SEEN: Final[Mapping[type, Callable[[Any, Facts], Seen]]] = {
    OnRecord: _record,
    ReadingDays: _read_each_day,
    TurnsOnFile: _turned,
    ReadingGaps: _read_without_gap,
    Laboratory: _analysed,
    Measured: _measured,
    Depths: _deep,
    Places: _spread,
    Calibrated: _calibrated,
    ByMethod: _by_method,
}


def open_guidance(duties: Sequence[Duty], criteria: Sequence[Criterion]) -> tuple[Duty, ...]:
    """Return what the text does not ask for, a careful inspector does, and nothing shows."""
    shown = {one.name for one in criteria if one.kind == "duty" and one.state == "met"}
    return tuple(one for one in duties if one.guidance and one.name not in shown)
