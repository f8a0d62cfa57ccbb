"""What an inspector would still ask although a rule is met."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from service.domain.compliance.duties import open_guidance
from service.domain.compliance.findings import Difference
from service.domain.compliance.instants import hours_us
from service.domain.compliance.rule import Interpretation
from service.domain.compliance.standing import runs
from service.domain.compliance.states import Case, HeatFound, Outcome
from service.domain.compliance.turns import regained_at
from service.domain.compliance.verdict import Criterion
from service.domain.compliance.words import clock, hours
from service.domain.quantities import Unit, temperature_in
from service.domain.temperatures import celsius


def note(
    case: Case,
    outcomes: Mapping[Interpretation, Outcome],
    interpretation: Interpretation,
    parting: Sequence[Difference],
    duties: Sequence[Criterion] = (),
) -> str | None:
    """Return the reservations under which a rule is met.

    Parameters
    ----------
    case, outcomes
        What is asked, and the state under every interpretation.
    interpretation
        The one the verdict is given under.
    parting
        The silences that part the interpretations.
    duties
        The rule's other duties, judged.

    Returns
    -------
    str or None
        None if the rule is not met, or is met without reserve.
    """
    outcome = outcomes[interpretation]
    if outcome.state != "met":
        return None
    reserves = [
        _information_only(case),
        _other_reading(outcomes, interpretation, parting),
        _averaged(case),
        *(said for heat in outcome.found.heats for said in _of_heat(case, outcome, heat)),
    ]
    if interpretation == "inspector":
        reserves += [_near_the_limit(heat) for heat in outcome.found.heats] + [_guidance(case, duties)]
    said = [reserve for reserve in reserves if reserve]
    return " ".join(said) or None


def _other_reading(
    outcomes: Mapping[Interpretation, Outcome], interpretation: Interpretation, parting: Sequence[Difference]
) -> str:
    questions = "; ".join(f"{one.question} ({one.amb})" for one in parting)
    if interpretation != "inspector" and outcomes["inspector"].state != "met":
        only = "For information only: t" if interpretation == "cumulative" else "T"
        return f"{only}he careful reading of the text is not met. It differs on: {questions}."
    if interpretation == "inspector" and outcomes["literal"].state != "met":
        return f"Taken literally the text is not met; confirm with the authority. It differs on: {questions}."
    return ""


def _information_only(case: Case) -> str:
    if not case.rule.information_only:
        return ""
    return "For information only: this text is not open to compost, and nothing may be passed by it."


def _averaged(case: Case) -> str:
    if case.history.averaged_by is None:
        return ""
    permits = f"The mean of all positions governs, as {case.history.averaged_by} permits"
    return f"{permits}; the coldest may not have met it (AMB-08)."


def _guidance(case: Case, duties: Sequence[Criterion]) -> str:
    """Name what the text does not ask for and a careful inspector does."""
    asked = "; ".join(one.requirement for one in open_guidance(case.rule.duties, duties))
    return f"Not asked by the text, and an inspector will ask: {asked}." if asked else ""


def _of_heat(case: Case, outcome: Outcome, heat: HeatFound) -> Iterator[str]:
    yield _counted_by_days(outcome, heat)
    yield _not_contiguous(case, outcome, heat)
    yield _not_regained(case, outcome, heat)


def _counted_by_days(outcome: Outcome, heat: HeatFound) -> str:
    course = heat.standing.course
    if course is None or not course.by_days:
        return ""
    held = hours(course.shown.total_us)
    in_one_run = " without a break" if outcome.text.continuity == "unbroken" else ""
    return (
        f"Met on the count of {course.days} calendar days, {held} of them proven hot; "
        f"{hours(hours_us(heat.heat.hold.duration_h))} of heat{in_one_run} are not proven (AMB-02)."
    )


def _not_contiguous(case: Case, outcome: Outcome, heat: HeatFound) -> str:
    """Say that hours were added up where the text asks for them in one piece if possible."""
    if heat.heat.hold.continuity != "contiguous_if_possible":
        return ""
    one_piece = replace(outcome.text, continuity="unbroken")
    if any(run.is_reached for run in runs(heat.case, case.record, one_piece, assume_unseen_held=False)):
        return ""
    return (
        "The hours were added up over interruptions; the text asks for them as contiguous as possible, "
        "so be ready to justify each one listed under lost (AMB-01)."
    )


def _not_regained(case: Case, outcome: Outcome, heat: HeatFound) -> str:
    """Ask for heat shown again after the last turning, which brought the outside in."""
    turns, within = heat.standing.turns, outcome.text.regain_within_h
    if within == 0 or turns is None or not turns.counted:
        return ""
    last = turns.counted[-1]
    shown = regained_at(heat.case.tracks, last)
    if shown is not None and shown - last <= hours_us(within):
        return ""
    limit = last + hours_us(within)
    if case.record.judged <= limit and not case.record.closed:
        when = clock(limit, case.dossier.time_zone)
        return f"Heat must still be shown again at every position after the last turning, by {when} (AMB-04)."
    return (
        f"Heat was not shown again at every position within {hours(hours_us(within))} of the last turning: what it "
        "brought in from outside may be untreated; take a qualifying reading or hold the batch (AMB-04)."
    )


def _near_the_limit(heat: HeatFound) -> str:
    """Name the positions whose readings stand closer to the limit than their probe is accurate."""
    course, hold = heat.standing.course, heat.heat.hold
    if course is None:
        return ""
    limit_c = float(temperature_in(hold.threshold, hold.unit, Unit.CEL))
    doubted = []
    for one in heat.case.evidence:
        inside = (one.at >= course.start) & (one.at <= course.end)
        if one.accuracy_c is None or not inside.any():
            continue
        margin = celsius(one.value[inside], one.unit[inside]) - limit_c
        margin = margin[margin >= 0]
        if margin.size and float(margin.min()) < one.accuracy_c:
            doubted.append(
                f"{one.position} came within {margin.min():.2g} °C of it and is accurate to {one.accuracy_c:g} °C"
            )
    if not doubted:
        return ""
    return f"Readings that count stand closer to the limit than the probe is accurate: {'; '.join(doubted)} (AMB-13)."
