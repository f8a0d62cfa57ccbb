"""From standings to states: what is met, what can still be, and what only lacks evidence."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from service.domain.compliance.evidence import Record
from service.domain.compliance.history import History
from service.domain.compliance.rule import INTERPRETATIONS, Interpretation, Rule, Switch, TextReading
from service.domain.compliance.standing import HoldCase, Standing, stand
from service.domain.compliance.thresholds import written
from service.domain.compliance.verdict import Difference, State

# The first that occurs among the process criteria decides.
ORDER: Final[tuple[State, ...]] = ("not_met", "under_way", "cannot_judge", "met")
# Of alternatives the best one decides.
BEST: Final[Mapping[State, int]] = {"met": 0, "cannot_judge": 1, "under_way": 2, "not_met": 3}


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A rule, and everything recorded that bears on it.

    Attributes
    ----------
    rule, history, record
        What is asked and what was recorded.
    holds
        Every alternative, with the readings seen at its temperature.
    """

    rule: Rule
    history: History
    record: Record
    holds: tuple[HoldCase, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """The state of the process criteria under one interpretation.

    Attributes
    ----------
    text
        How silences were filled.
    state
        Of all process criteria together.
    hold
        The alternative shown: the one met, or the nearest.
    standing
        Where the pile stands on it.
    criteria
        State by name of the process criterion.
    """

    text: TextReading
    state: State
    hold: HoldCase
    standing: Standing
    criteria: Mapping[str, State]


def decide(case: Case, text: TextReading) -> Outcome:
    """Judge the process criteria of a rule under one way of filling its silences."""
    options = []
    for hold in case.holds:
        proven = stand(hold, case.record, case.rule.turns, text, assume_unseen_held=False)
        heat, turns = _heat_and_turns(case, hold, text, proven)
        options.append((_combined([heat, turns]), hold, proven, heat, turns))
    _, hold, standing, heat, turns = min(
        options,
        key=lambda one: (BEST[one[0]], one[2].met_at if one[2].met_at is not None else 0, -one[2].progress),
    )
    criteria: dict[str, State] = {"temperature_hold": heat}
    if case.rule.turns is not None:
        criteria["turnings"] = turns
    if case.rule.initial_mix is not None:
        criteria["initial_carbon_nitrogen_ratio"] = _initial_mix(case)
    if case.rule.curing is not None:
        criteria["curing"] = _curing(case)
    return Outcome(text, _combined(list(criteria.values())), hold, standing, criteria)


def _combined(states: Sequence[State]) -> State:
    return next(state for state in ORDER if state in states)


def _heat_and_turns(case: Case, hold: HoldCase, text: TextReading, proven: Standing) -> tuple[State, State]:
    """Return the states of heat and of turnings, given where the pile is proven to stand."""
    if proven.met_at is not None:
        return "met", "met"
    if case.record.is_empty:
        return "cannot_judge", "cannot_judge" if case.rule.turns is not None else "met"
    short: State = "not_met" if case.record.closed else "under_way"
    supposed = stand(hold, case.record, case.rule.turns, text, assume_unseen_held=True)
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
