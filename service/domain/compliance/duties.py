"""Whether what a rule asks besides heat is shown: by a record, a sample, a measurement, or the readings themselves."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

from service.domain.compliance.facts import Facts, Seen
from service.domain.compliance.measurements import analysed, measured, samples_for
from service.domain.compliance.probing import calibrated, deep, read_each_day, read_without_gap, spread
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
)
from service.domain.compliance.verdict import Criterion, CriterionKind, State, worst
from service.domain.compliance.words import count, listed, spoken

HOPEFUL: Final[Mapping[State, int]] = {"met": 0, "under_way": 1, "cannot_judge": 2, "not_met": 3}
"""Of alternatives the best one decides; one that only waits is better than one nobody recorded."""


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
        state, seen = _seen(duty.proof, replace(facts, samples=samples_for(duty.proof, facts)))
    needed = "" if state == "met" else duty.requirement
    return Criterion(duty.name, kind, state, f"{duty.requirement}: {seen}", needed=needed)


def _on_record(names: Sequence[str]) -> Seen:
    return "met", f"on record: {listed(names)}"


def _seen(proof: Proof, facts: Facts) -> Seen:
    if isinstance(proof, Every):
        found = [_part(one, facts) for one in proof.of]
        return worst([state for state, _ in found]), "; ".join(words for _, words in found)
    if isinstance(proof, AnyOne):
        found = [_part(one, facts) for one in proof.of]
        best = min(found, key=lambda one: HOPEFUL[one[0]])
        if best[0] == "met":
            return best
        return best[0], f"{'; '.join(words for _, words in found)}; one of them is enough"
    return SEEN[type(proof)](proof, facts)


def _part(part: Shown, facts: Facts) -> Seen:
    if part.name in facts.history.duties_recorded:
        return _on_record([part.name])
    if isinstance(part.proof, OnRecord):
        return "cannot_judge", f"no record of {spoken(part.name)}"
    return _seen(part.proof, facts)


def _record(_proof: OnRecord, _facts: Facts) -> Seen:
    return "cannot_judge", "no record of it"


def _turned(proof: TurnsOnFile, facts: Facts) -> Seen:
    seen = count(len(facts.record.turns), "turning on file", "turnings on file")
    if len(facts.record.turns) >= proof.least:
        return "met", seen
    return "not_met" if facts.record.closed else "under_way", f"{seen}, at least {proof.least} asked"


def _by_method(proof: ByMethod, facts: Facts) -> Seen:
    method, asked = facts.history.method, " or ".join(spoken(one) for one in proof.methods)
    if method is None:
        return "cannot_judge", f"{asked}: the way of composting is not on record"
    return "met" if method in proof.methods else "not_met", f"{asked}: {spoken(method)} on record"


SEEN: Final[Mapping[type, Callable[[Any, Facts], Seen]]] = {
    OnRecord: _record,
    ReadingDays: read_each_day,
    TurnsOnFile: _turned,
    ReadingGaps: read_without_gap,
    Laboratory: analysed,
    Measured: measured,
    Depths: deep,
    Places: spread,
    Calibrated: calibrated,
    ByMethod: _by_method,
}


def open_guidance(duties: Sequence[Duty], criteria: Sequence[Criterion]) -> tuple[Duty, ...]:
    """Return what the text does not ask for, a careful inspector does, and nothing shows."""
    shown = {one.name for one in criteria if one.kind == "duty" and one.state == "met"}
    return tuple(one for one in duties if one.guidance and one.name not in shown)
