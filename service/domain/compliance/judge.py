"""One pile's record against one rule: the entry point."""

from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

from service.domain.compliance.cautions import cautions
from service.domain.compliance.criteria import duty_criteria, hot_time, process_criteria
from service.domain.compliance.evidence import excluded_by_flag, gather
from service.domain.compliance.history import History, readings_digest
from service.domain.compliance.instants import DAY_US, HOUR_US, to_datetime, to_us
from service.domain.compliance.losses import lost_by, lost_by_addition
from service.domain.compliance.notes import note
from service.domain.compliance.outlook import Outlook, at_risk, earliest
from service.domain.compliance.rule import INTERPRETATIONS, Interpretation, Rule, TextReading
from service.domain.compliance.standing import HoldCase, Standing, stand
from service.domain.compliance.states import Case, Outcome, decide, differences
from service.domain.compliance.steps import next_step
from service.domain.compliance.tracks import placing, track
from service.domain.compliance.verdict import RuleReference, TurnNotCounted, Verdict, Window
from service.domain.errors import Invalid


def judge(
    rule: Rule,
    history: History,
    *,
    judged_at: datetime,
    time_zone: ZoneInfo,
    interpretation: Interpretation = "inspector",
) -> Verdict:
    """Judge a pile's record against the text of one rule.

    The order in which readings, turnings and additions arrived makes no difference, and nothing after
    ``judged_at`` is looked at. The coldest required position governs; time is elapsed time in UTC.

    Parameters
    ----------
    rule
        From the rulebook.
    history
        What was recorded.
    judged_at
        Aware instant of judging.
    time_zone
        Of the site; used only where calendar days are counted.
    interpretation
        How the silences of the text are filled: ``inspector`` as a careful inspector would, ``literal`` by the
        words alone, ``cumulative`` the best case for a text silent on interruptions, for information only.

    Returns
    -------
    Verdict
        With its evidence, and the state under every interpretation.

    Raises
    ------
    Invalid
        If ``judged_at`` has no offset or the interpretation is unknown.
    """
    if interpretation not in INTERPRETATIONS:
        raise Invalid.field(
            "/interpretation", f"{interpretation!r} is unknown; use one of {', '.join(INTERPRETATIONS)}"
        )
    judged = to_us(judged_at, "/judged_at")
    case = _case(rule, history, judged, time_zone)
    # Interpretations often fill the silences alike; each way is judged once.
    by_text: dict[TextReading, Outcome] = {}
    for one in INTERPRETATIONS:
        text = rule.reading(one)
        if text not in by_text:
            by_text[text] = decide(case, text)
    outcomes = {one: by_text[rule.reading(one)] for one in INTERPRETATIONS}
    return _verdict(case, outcomes, interpretation)


def _case(rule: Rule, history: History, judged: int, time_zone: ZoneInfo) -> Case:
    record = gather(history, judged)
    holds = []
    for hold in rule.holds:
        tracks = [track(one, record, hold, time_zone) for one in record.evidence]
        if not record.is_empty:
            tracks.append(placing(record, hold))
        holds.append(HoldCase(hold, tuple(tracks), time_zone))
    return Case(rule, history, record, tuple(holds))


def _verdict(
    case: Case, outcomes: Mapping[Interpretation, Outcome], interpretation: Interpretation
) -> Verdict:
    rule, outcome, judged = case.rule, outcomes[interpretation], case.record.judged
    standing, hold = outcome.standing, outcome.hold.hold
    held_us = 0 if standing.course is None else standing.course.shown.total_us
    by_days = standing.course is not None and standing.course.by_days
    criteria = (*process_criteria(case, outcome), *duty_criteria(case, outcome))
    duties_open = tuple(one.name for one in criteria if one.kind == "duty" and one.state != "met")
    parting = differences(case, outcomes)
    ahead = _earliest(case, outcome)
    look = Outlook(outcome.hold, case.record, rule.turns, outcome.text, standing)
    return Verdict(
        rule=_reference(rule),
        interpretation=interpretation,
        judged_at=to_datetime(judged),
        state=outcome.state,
        note=note(case, outcomes, interpretation, parting),
        met_at=_moment(standing.met_at if outcome.state == "met" else None),
        held_h=held_us / HOUR_US,
        held_days=float(standing.course.days) if standing.course and by_days else held_us / DAY_US,
        required_h=hold.duration_h,
        required_days=hold.duration_h / 24,
        hot_h=hot_time(case, outcome).total_us / HOUR_US,
        turns_counted=len(standing.turns.counted) if standing.turns else 0,
        turns_required=rule.turns.minimum if rule.turns else 0,
        turns_not_counted=_turns_not_counted(standing),
        windows=_windows(standing),
        lost=(
            *lost_by_addition(case.history, case.record, outcome.hold),
            *lost_by(outcome.hold, case.record, outcome.text, standing.met_at),
        ),
        criteria=criteria,
        duties_open=duties_open,
        next=next_step(case, outcome, look, duties_open, ahead),
        earliest_possible=_moment(ahead),
        at_risk=at_risk(look),
        cautions=cautions(case.history, judged),
        readings_of_the_text={one: outcomes[one].state for one in INTERPRETATIONS},
        differences=parting,
        readings_digest=readings_digest(case.history, judged),
        excluded_by_flag=excluded_by_flag(case.history, judged),
    )


def _reference(rule: Rule) -> RuleReference:
    return RuleReference(rule.id, rule.title, rule.citation, rule.text_as_of, rule.text_status, rule.version)


def _moment(instant: int | None) -> datetime | None:
    return None if instant is None else to_datetime(instant)


def _windows(standing: Standing) -> tuple[Window, ...]:
    if standing.course is None:
        return ()
    shown = standing.course.shown
    pairs = zip(shown.start.tolist(), shown.end.tolist(), strict=True)
    return tuple(Window(to_datetime(start), to_datetime(end)) for start, end in pairs)


def _turns_not_counted(standing: Standing) -> tuple[TurnNotCounted, ...]:
    rejected = standing.turns.rejected if standing.turns else ()
    return tuple(TurnNotCounted(to_datetime(at), why) for at, why in rejected)


def _earliest(case: Case, outcome: Outcome) -> int | None:
    """Return the earliest instant over all alternatives; None if it is met, cannot be met or only lacks a record."""
    if outcome.standing.met_at is not None or outcome.state == "not_met":
        return None
    found = []
    for hold in case.holds:
        standing = stand(hold, case.record, case.rule.turns, outcome.text, assume_unseen_held=False)
        found.append(earliest(Outlook(hold, case.record, case.rule.turns, outcome.text, standing)))
    return min((at for at in found if at is not None), default=None)
