"""The next thing to do at the pile, in words a crew understands."""

from collections.abc import Sequence

from service.domain.compliance.instants import hours_us, to_datetime
from service.domain.compliance.outlook import Outlook
from service.domain.compliance.states import Case, Outcome
from service.domain.compliance.timeline import is_silent
from service.domain.compliance.words import clock, count, demanded, hours


def next_step(
    case: Case, outcome: Outcome, looks: Sequence[Outlook], duties_open: Sequence[str], ahead: int | None
) -> str:
    """Say what to do next.

    Parameters
    ----------
    case, outcome
        What is asked and where the pile stands.
    looks
        One for each hold the outcome rests on, the one that governs first.
    duties_open
        Names of duties not shown.
    ahead
        The earliest instant at which the rule can be met [us].
    """
    if outcome.state == "met":
        if case.rule.information_only:
            return (
                "For information only: this text is not open to compost. Judge the pile under another rule."
            )
        if not duties_open:
            return "This rule asks for nothing more. A verdict is evidence, not a permit."
        asked = "Time, temperature and turning are met." if looks else "What decides this rule is shown."
        return f"{asked} Still to be shown: {', '.join(duties_open)}."
    if outcome.state == "not_met":
        return _not_met(case, outcome)
    steps = _records(outcome)
    for look in looks:
        steps += [one for one in (*_heat(case, look), *_turning(case, outcome, look)) if one not in steps]
    steps += [f"Show this: {one.needed}." for one in outcome.found.proofs if one.state != "met"]
    if ahead is not None:
        steps.append(f"If nothing more is lost it can be met on {clock(ahead, case.dossier.time_zone)}.")
    return " ".join(steps) or "Supply what is missing; it is named under criteria and lost."


def _not_met(case: Case, outcome: Outcome) -> str:
    if outcome.criteria.get("initial_carbon_nitrogen_ratio") == "not_met":
        ratio = case.history.initial_carbon_nitrogen_ratio
        return (
            f"This pile cannot meet the rule: its initial C:N of {ratio:g} is outside the range. "
            "Build it anew with a mix inside the range, or use it under another rule."
        )
    failed = [one for one in outcome.found.proofs if one.state == "not_met"]
    if failed:
        seen = "; ".join(one.detail for one in failed)
        return f"This does not meet the rule: {seen}. Put it right and record it, or use the material as untreated."
    return (
        "The process has ended short of the rule. Build the pile up and heat it again from the start, or use the "
        "material as untreated."
    )


def _records(outcome: Outcome) -> list[str]:
    steps = []
    if outcome.criteria.get("initial_carbon_nitrogen_ratio") == "cannot_judge":
        steps.append("Enter the initial C:N from the recipe or a laboratory.")
    if outcome.criteria.get("curing") == "cannot_judge":
        steps.append("Keep a curing record and enter it.")
    if outcome.criteria.get("curing") == "under_way":
        steps.append("Let it cure and enter the days.")
    return steps


def _heat(case: Case, look: Outlook) -> list[str]:
    heat, course = look.found, look.standing.course
    if heat.held == "met":
        return []
    if case.record.is_empty:
        return [f"Take readings: {demanded(heat.heat.hold)} is asked and nothing is on record."]
    steps = []
    if heat.held == "cannot_judge":
        steps.append("Supply the readings missing in the gaps listed under lost, if they exist.")
    if case.record.closed:
        return steps
    if is_silent(heat.case.tracks, case.record, heat.heat.hold):
        steps.append(f"Take a reading now: the last is from {to_datetime(case.record.end).isoformat()}.")
    goes_on = look.can_go_on and course is not None
    left = (
        course.required_us - course.credit_us
        if goes_on and course is not None
        else hours_us(heat.heat.hold.duration_h)
    )
    if look.is_cold:
        steps.append(f"Not at the temperature asked now: {', '.join(look.cold_positions)}.")
    if look.standing.short_of:
        steps.append(f"Long enough, and it still lacks: {look.standing.short_of}.")
    if left <= 0:
        return steps
    again = "" if goes_on else " The period begins again."
    steps.append(f"Keep every probe at {demanded(heat.heat.hold)} for {hours(left)} more.{again}")
    return steps


def _turning(case: Case, outcome: Outcome, look: Outlook) -> list[str]:
    turns, missing = look.turns, look.missing_turns
    if turns is None or case.record.closed or not missing:
        return []
    if turns.window == "before_each":
        length = hours(hours_us(look.case.hold.duration_h))
        return [f"Turn {count(missing, 'more time', 'more times')}, each time after {length} of heat."]
    apart = max(turns.spacing_h, outcome.text.turn_apart_h)
    when = " while it is hot" if turns.hot_before_h is not None else ""
    spacing = f", at least {apart:g} h apart" if apart else ""
    return [f"Turn {count(missing, 'more time', 'more times')}{when}{spacing}."]
