"""The criteria of a verdict, each with its state and what was seen."""

from service.domain.compliance.duties import judge_duty
from service.domain.compliance.instants import hours_us
from service.domain.compliance.spans import Spans
from service.domain.compliance.states import Case, Outcome
from service.domain.compliance.timeline import governing
from service.domain.compliance.verdict import Criterion
from service.domain.compliance.words import count, demanded, hours


def process_criteria(case: Case, outcome: Outcome) -> tuple[Criterion, ...]:
    """Return time, temperature, turning, initial mix and curing, as far as the rule asks for them."""
    words = {
        "temperature_hold": _hold_words,
        "turnings": _turn_words,
        "initial_carbon_nitrogen_ratio": _mix_words,
        "curing": _curing_words,
    }
    return tuple(
        Criterion(name, "process", state, words[name](case, outcome))
        for name, state in outcome.criteria.items()
    )


def duty_criteria(case: Case, outcome: Outcome) -> tuple[Criterion, ...]:
    """Return the rule's other duties."""
    met_at = outcome.standing.met_at
    hot_from = [int(one.at[one.hot.argmax()]) for one in outcome.hold.tracks if one.hot.any()]
    period = (
        min(hot_from, default=case.record.start),
        case.record.end if met_at is None else min(met_at, case.record.end),
    )
    return tuple(
        judge_duty(duty, case.history, case.record, outcome.hold.tracks, period, outcome.hold.time_zone)
        for duty in case.rule.duties
    )


def hot_time(case: Case, outcome: Outcome) -> Spans:
    """Return all stretches in which the whole pile was proven hot, counted or not."""
    return governing(outcome.hold.tracks, case.record, assume_unseen_held=False)


def _hold_words(case: Case, outcome: Outcome) -> str:
    hold, course = outcome.hold.hold, outcome.standing.course
    asked = f"{demanded(hold)} for {hours(hours_us(hold.duration_h))}"
    if case.record.is_empty:
        return f"{asked}: no reading that counts"
    if course is None:
        return f"{asked}: not yet reached at every position"
    ended = not course.is_alive and not course.is_reached
    period = "in the longest period so far, which has ended" if ended else "in the period that counts"
    held = f"{hours(course.shown.total_us)} held {period}"
    if course.by_days:
        held += f", {count(course.days, 'day', 'days')} by the calendar"
    return f"{asked}: {held}; {hours(hot_time(case, outcome).total_us)} hot in all"


def _turn_words(case: Case, outcome: Outcome) -> str:
    turns, counted = case.rule.turns, outcome.standing.turns
    if turns is None or counted is None:
        return ""
    asked = f"at least {turns.minimum}"
    if turns.window == "hot_period":
        asked += " while the heat is held"
    if turns.window == "sliding":
        asked += f" within one stretch of {hours(hours_us(outcome.hold.hold.duration_h))} of heat"
    if turns.spacing_h:
        asked += f", at least {turns.spacing_h:g} h apart"
    left_out = f"; {len(counted.rejected)} not counted" if counted.rejected else ""
    return f"{asked}: {count(len(counted.counted), 'turning counts', 'turnings count')}{left_out}"


def _mix_words(case: Case, _outcome: Outcome) -> str:
    mix, ratio = case.rule.initial_mix, case.history.initial_carbon_nitrogen_ratio
    if mix is None:
        return ""
    asked = f"initial C:N from {float(mix.carbon_nitrogen_min):g} to {float(mix.carbon_nitrogen_max):g}"
    return f"{asked}: {'not on record' if ratio is None else f'{ratio:g} on record'}"


def _curing_words(case: Case, _outcome: Outcome) -> str:
    curing, cured = case.rule.curing, case.history.cured_days
    if curing is None:
        return ""
    asked = (
        f"cured for at least {curing.minimum_days:g} days"
        if curing.minimum_days
        else "cured; the text names no time"
    )
    return f"{asked}: {'no curing record' if cured is None else f'{cured:g} days on record'}"
