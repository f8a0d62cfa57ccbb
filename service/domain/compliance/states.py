"""From standings to states: what is met, what can still be, and what only lacks evidence."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from service.domain.compliance.demands import AnyOf, Heat, Node
from service.domain.compliance.dossier import Dossier
from service.domain.compliance.duties import judge_duty
from service.domain.compliance.evidence import Record
from service.domain.compliance.facts import Facts
from service.domain.compliance.findings import Difference
from service.domain.compliance.history import History
from service.domain.compliance.proofs import Duty
from service.domain.compliance.rule import INTERPRETATIONS, Interpretation, Rule, Switch, TextReading
from service.domain.compliance.standing import HoldCase, Standing, stand
from service.domain.compliance.verdict import BEST, ORDER, Criterion, State, worst
from service.domain.temperatures import written


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A rule, and everything recorded that bears on it.

    Attributes
    ----------
    rule, dossier
        What is asked and what was recorded.
    memo
        Outcomes already worked out, by how silences are filled.
    """

    rule: Rule
    dossier: Dossier
    memo: dict[object, Any] = field(default_factory=dict)  # Any: each key has its own kind of value

    @property
    def history(self) -> History:
        """What was recorded."""
        return self.dossier.history

    @property
    def record(self) -> Record:
        """What of it counts as evidence."""
        return self.dossier.record


@dataclass(frozen=True, slots=True, eq=False)
class HeatFound:
    """One hold with its turnings, and where the pile stands on it.

    Attributes
    ----------
    heat, case, standing
        What is asked, the readings seen at its temperature, and where the pile stands.
    held, turned
        The states of heat and of turnings.
    """

    heat: Heat
    case: HoldCase
    standing: Standing
    held: State
    turned: State


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What was found of one part of a rule.

    Attributes
    ----------
    state, progress
        Of the whole part; the share of the heat asked for, at most 1.
    met_at
        When its heat and turnings first sufficed [us]; None if they do not or none is asked.
    heats
        The holds it rests on, the one that governs first.
    proofs
        What else it rests on.
    """

    state: State
    progress: float
    met_at: int | None
    heats: tuple[HeatFound, ...] = ()
    proofs: tuple[Criterion, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """The state of the process criteria under one interpretation.

    Attributes
    ----------
    text
        How silences were filled.
    state
        Of all process criteria together.
    found
        Of the tree of holds and proofs.
    criteria
        State by name of those that are not part of the tree: initial mix and curing.
    """

    text: TextReading
    state: State
    found: Found
    criteria: Mapping[str, State]

    @property
    def heat(self) -> HeatFound | None:
        """The hold shown: the one that governs; None if the rule asks for no heat."""
        return self.found.heats[0] if self.found.heats else None


def decide(case: Case, text: TextReading) -> Outcome:
    """Judge the process criteria of a rule under one way of filling its silences."""
    if text not in case.memo:
        case.memo[text] = _decide(case, text)
    found: Outcome = case.memo[text]
    return found


def _decide(case: Case, text: TextReading) -> Outcome:
    found = found_in(case, case.rule.process, text)
    criteria: dict[str, State] = {}
    if case.rule.initial_mix is not None:
        criteria["initial_carbon_nitrogen_ratio"] = _initial_mix(case)
    if case.rule.curing is not None:
        criteria["curing"] = _curing(case)
    return Outcome(text, worst([found.state, *criteria.values()]), found, criteria)


def found_in(case: Case, node: Node, text: TextReading) -> Found:
    """Judge one part of a rule under one way of filling its silences."""
    if isinstance(node, Heat):
        return _heat(case, node, text)
    if isinstance(node, Duty):
        return _proof(case, node)
    parts = [found_in(case, one, text) for one in node.of]
    if isinstance(node, AnyOf):
        return min(
            parts,
            key=lambda one: (BEST[one.state], one.met_at if one.met_at is not None else 0, -one.progress),
        )
    return _together(parts)


def _together(parts: Sequence[Found]) -> Found:
    """Join parts that are all asked: the one furthest from being met governs, of those met the last one met."""
    ranked = sorted(
        parts,
        key=lambda one: (not one.heats, ORDER.index(one.state), one.progress, -(one.met_at or 0)),
    )
    heated = [one for one in parts if one.heats]
    moments = [one.met_at for one in heated]
    known = [at for at in moments if at is not None]
    return Found(
        state=worst([one.state for one in parts]),
        progress=min((one.progress for one in heated), default=1.0),
        met_at=max(known) if known and len(known) == len(moments) else None,
        heats=tuple(heat for one in ranked for heat in one.heats),
        proofs=tuple(proof for one in parts for proof in one.proofs),
    )


def _heat(case: Case, heat: Heat, text: TextReading) -> Found:
    hold = case.dossier.case(heat.hold)
    proven = stand(hold, case.record, heat.turns, text, assume_unseen_held=False)
    held, turned = _heat_and_turns(case, heat, hold, text, proven)
    found = HeatFound(heat, hold, proven, held, turned)
    return Found(worst([held, turned]), proven.progress, proven.met_at, (found,))


def _proof(case: Case, duty: Duty) -> Found:
    record = case.record
    facts = Facts(case.history, record, (record.start, record.end), case.dossier.time_zone)
    criterion = judge_duty(duty, facts, "process")
    return Found(criterion.state, 1.0, None, proofs=(criterion,))


def _heat_and_turns(
    case: Case, heat: Heat, hold: HoldCase, text: TextReading, proven: Standing
) -> tuple[State, State]:
    """Return the states of heat and of turnings, given where the pile is proven to stand."""
    if proven.met_at is not None:
        return "met", "met"
    if case.record.is_empty:
        return "cannot_judge", "cannot_judge" if heat.turns is not None else "met"
    short: State = "not_met" if case.record.closed else "under_way"
    supposed = stand(hold, case.record, heat.turns, text, assume_unseen_held=True)
    if supposed.met_at is not None:
        return ("met" if proven.is_held else "cannot_judge"), ("met" if proven.is_turned else "cannot_judge")
    turns: State = "met" if proven.is_turned else short
    if proven.is_held:
        return "met", turns
    return ("cannot_judge" if supposed.is_held and turns != "met" else short), turns


def _initial_mix(case: Case) -> State:
    mix, ratio = case.rule.initial_mix, case.history.initial_carbon_nitrogen_ratio
    if mix is None or ratio is None:
        return "cannot_judge"
    exact: Fraction = written(float(ratio))
    return "met" if mix.carbon_nitrogen_min <= exact <= mix.carbon_nitrogen_max else "not_met"


def _curing(case: Case) -> State:
    curing, cured = case.rule.curing, case.history.cured_days
    if curing is None or cured is None:
        return "cannot_judge"
    if cured > 0 and cured >= curing.minimum_days:
        return "met"
    return "not_met" if case.history.closed else "under_way"


def differences(case: Case, outcomes: Mapping[Interpretation, Outcome]) -> tuple[Difference, ...]:
    """Name the silences that part the interpretations.

    A switch is named if answering it alone as the careful inspector does changes the state of another
    interpretation; if none does, a smallest set that does so together.
    """
    careful = outcomes["inspector"]
    named: dict[str, Difference] = {}
    for interpretation in INTERPRETATIONS:
        other = outcomes[interpretation]
        if other.state == careful.state:
            continue
        parting = [one for one in case.rule.switches if one.values[interpretation] != one.values["inspector"]]
        for switch in _decisive(case, other, parting):
            answers = {key: str(value) for key, value in switch.values.items()}
            named[switch.key] = Difference(switch.amb, switch.question, answers)
    return tuple(named.values())


def _decisive(case: Case, other: Outcome, parting: Sequence[Switch]) -> Sequence[Switch]:
    def parts(switches: Sequence[Switch]) -> bool:
        text = other.text
        for switch in switches:
            text = text.answering(switch, "inspector")
        return decide(case, text).state != other.state

    alone = [switch for switch in parting if parts([switch])]
    if alone:
        return alone
    needed = list(parting)
    for switch in parting:
        fewer = [one for one in needed if one is not switch]
        if parts(fewer):
            needed = fewer
    return needed
