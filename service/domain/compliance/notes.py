"""What an inspector would still ask although a rule is met."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from service.domain.compliance.instants import HOUR_US, hours_us, to_datetime
from service.domain.compliance.rule import Interpretation
from service.domain.compliance.states import Case, Outcome
from service.domain.compliance.timeline import courses
from service.domain.compliance.turns import regained_at
from service.domain.compliance.verdict import Difference


def note(
    case: Case,
    outcomes: Mapping[Interpretation, Outcome],
    interpretation: Interpretation,
    parting: Sequence[Difference],
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

    Returns
    -------
    str or None
        None if the rule is not met, or is met without reserve.
    """
    outcome = outcomes[interpretation]
    if outcome.state != "met":
        return None
    reserves = [
        _other_reading(outcomes, interpretation, parting),
        _counted_by_days(outcome),
        _not_contiguous(case, outcome),
        _not_regained(case, outcome),
    ]
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


def _counted_by_days(outcome: Outcome) -> str:
    course = outcome.standing.course
    if course is None or not course.by_days:
        return ""
    held = course.shown.total_us / HOUR_US
    in_one_run = " without a break" if outcome.text.continuity == "unbroken" else ""
    return (
        f"Met on the count of {course.days} calendar days, {held:.4g} h of them proven hot; "
        f"{outcome.hold.hold.duration_h:g} h of heat{in_one_run} are not proven (AMB-02)."
    )


def _not_contiguous(case: Case, outcome: Outcome) -> str:
    """Say that hours were added up where the text asks for them in one piece if possible."""
    hold = outcome.hold
    if hold.hold.continuity != "contiguous_if_possible":
        return ""
    one_piece = replace(outcome.text, continuity="unbroken")
    runs = courses(hold.tracks, case.record, hold.hold, one_piece, assume_unseen_held=False)
    if any(run.is_reached for run in runs):
        return ""
    return (
        "The hours were added up over interruptions; the text asks for them as contiguous as possible, "
        "so be ready to justify each one listed under lost (AMB-01)."
    )


def _not_regained(case: Case, outcome: Outcome) -> str:
    """Ask for heat shown again after the last turning, which brought the outside in."""
    turns, within = outcome.standing.turns, outcome.text.regain_within_h
    if within == 0 or turns is None or not turns.counted:
        return ""
    last = turns.counted[-1]
    shown = regained_at(outcome.hold.tracks, last)
    if shown is not None and shown - last <= hours_us(within):
        return ""
    limit = last + hours_us(within)
    if case.record.judged <= limit and not case.record.closed:
        when = to_datetime(limit).isoformat()
        return f"Heat must still be shown again at every position after the last turning, by {when} (AMB-04)."
    return (
        f"Heat was not shown again at every position within {within:g} h of the last turning: what it brought in "
        "from outside may be untreated; take a qualifying reading or hold the batch (AMB-04)."
    )
