"""Putting a verdict together from the outcome under each reading of the text."""

from datetime import datetime
from typing import NamedTuple

from service.domain.compliance.criteria import duty_criteria, hot_time, process_criteria, windows_of
from service.domain.compliance.demands import Heat
from service.domain.compliance.dossier import Dossier
from service.domain.compliance.evidence import excluded_by_flag
from service.domain.compliance.findings import AtRisk, Lost, TurnNotCounted
from service.domain.compliance.instants import DAY_US, DISTANT_PAST, HOUR_US, to_datetime
from service.domain.compliance.losses import lost_by, lost_by_addition
from service.domain.compliance.notes import note
from service.domain.compliance.outlook import Outlook, earliest_of
from service.domain.compliance.risks import at_risk
from service.domain.compliance.rule import INTERPRETATIONS, Interpretation, Rule, TextReading
from service.domain.compliance.standing import stand
from service.domain.compliance.states import Case, HeatFound, Outcome, decide, differences, found_in
from service.domain.compliance.steps import next_step
from service.domain.compliance.verdict import RuleReference, Verdict


def verdict_on(rule: Rule, dossier: Dossier, interpretation: Interpretation) -> Verdict:
    """Judge one record against one rule, under every interpretation, and tell what one of them finds.

    Parameters
    ----------
    rule, dossier
        What is asked and what was recorded.
    interpretation
        The one the verdict is given under.
    """
    case = Case(rule, dossier)
    outcomes = {one: decide(case, rule.reading(one)) for one in INTERPRETATIONS}
    outcome, judged = outcomes[interpretation], dossier.judged
    duties = duty_criteria(case, outcome)
    criteria = (*process_criteria(case, outcome), *duties)
    duties_open = tuple(one.name for one in duties if one.state != "met")
    parting = differences(case, outcomes)
    ahead = _earliest(case, outcome)
    looks = [Outlook(heat, case.record, outcome.text) for heat in outcome.found.heats]
    heat = outcome.heat
    turns = None if heat is None else heat.heat.turns
    figures = _figures(case, heat)
    return Verdict(
        rule=_reference(rule),
        interpretation=interpretation,
        judged_at=to_datetime(judged),
        state=outcome.state,
        note=note(case, outcomes, interpretation, parting, duties),
        met_at=_moment(outcome.found.met_at if outcome.state == "met" else None),
        held_h=figures.held_h,
        held_days=figures.held_days,
        required_h=figures.required_h,
        required_days=figures.required_days,
        hot_h=figures.hot_h,
        turns_counted=len(heat.standing.turns.counted) if heat and heat.standing.turns else 0,
        turns_required=turns.minimum if turns else 0,
        turns_not_counted=_turns_not_counted(heat),
        windows=() if heat is None else windows_of(heat),
        lost=_lost(case, heat, outcome.text),
        criteria=criteria,
        duties_open=duties_open,
        next=next_step(case, outcome, looks, duties_open, ahead),
        earliest_possible=_moment(ahead),
        at_risk=_at_risk(looks),
        cautions=dossier.cautions,
        readings_of_the_text={one: outcomes[one].state for one in INTERPRETATIONS},
        differences=parting,
        readings_digest=dossier.digest,
        excluded_by_flag=excluded_by_flag(dossier.excluded),
        excluded=dossier.excluded,
        corrections=dossier.corrections,
        suspected_turns=dossier.suspected,
    )


class _Figures(NamedTuple):
    held_h: float | None = None
    held_days: float | None = None
    required_h: float | None = None
    required_days: float | None = None
    hot_h: float | None = None


def _figures(case: Case, heat: HeatFound | None) -> _Figures:
    """Return how much heat there was and is asked; nothing, not 0, for a rule that asks for none."""
    if heat is None:
        return _Figures()
    course, required_h = heat.standing.course, heat.heat.hold.duration_h
    held_us = 0 if course is None else course.shown.total_us
    days = float(course.days) if course is not None and course.by_days else held_us / DAY_US
    hot_us = hot_time(case, heat).total_us
    return _Figures(held_us / HOUR_US, days, required_h, required_h / 24, hot_us / HOUR_US)


def _reference(rule: Rule) -> RuleReference:
    return RuleReference(rule.id, rule.title, rule.citation, rule.text_as_of, rule.text_status, rule.version)


def _moment(instant: int | None) -> datetime | None:
    return None if instant is None else to_datetime(instant)


def _turns_not_counted(heat: HeatFound | None) -> tuple[TurnNotCounted, ...]:
    rejected = heat.standing.turns.rejected if heat is not None and heat.standing.turns else ()
    return tuple(TurnNotCounted(to_datetime(at), why) for at, why in rejected)


def _lost(case: Case, heat: HeatFound | None, text: TextReading) -> tuple[Lost, ...]:
    if heat is None:
        return ()
    hold, until = heat.case.hold, heat.standing.met_at
    # In the words of the text: rules that name one temperature in one unit lose the same.
    key = ("lost", hold.operator, hold.threshold, hold.unit, hold.upper_limit, text.turn_transient_h, until)
    memo = heat.case.memo
    if key not in memo:
        memo[key] = (
            *lost_by_addition(case.history, case.record, heat.case),
            *lost_by(heat.case, case.record, text, until),
        )
    found: tuple[Lost, ...] = memo[key]
    return found


def _at_risk(looks: list[Outlook]) -> tuple[AtRisk, ...]:
    """List each danger once, whichever holds it concerns."""
    found = {(one.what, one.at, one.position): one for look in looks for one in at_risk(look)}
    return tuple(sorted(found.values(), key=lambda one: (one.at, one.what, one.position or "")))


def _earliest(case: Case, outcome: Outcome) -> int | None:
    """Return the earliest instant over the whole rule; None if it is met, cannot be met or only lacks a record."""
    if outcome.state == "not_met":
        return None

    def look(heat: Heat) -> Outlook:
        hold = case.dossier.case(heat.hold)
        standing = stand(hold, case.record, heat.turns, outcome.text, assume_unseen_held=False)
        return Outlook(HeatFound(heat, hold, standing, "under_way", "under_way"), case.record, outcome.text)

    found = earliest_of(case.rule.process, look, lambda node: found_in(case, node, outcome.text).state)
    return None if found == DISTANT_PAST else found
