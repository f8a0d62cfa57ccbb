"""The next thing to do at the pile, in words a crew understands."""

from collections.abc import Sequence

from service.domain.compliance.demands import Turns
from service.domain.compliance.instants import hours_us, to_us
from service.domain.compliance.outlook import Outlook
from service.domain.compliance.states import Case, Outcome
from service.domain.compliance.timeline import is_silent
from service.domain.compliance.words import clock, count, demanded, hours, listed


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
        return _met(case, looks, duties_open)
    if outcome.state == "not_met":
        return " ".join([*_unrecorded(case, looks), _not_met(case, outcome)])
    steps = [*_records(outcome), *_unrecorded(case, looks)]
    for look in looks:
        steps += [one for one in _hold(case, outcome, look) if one not in steps]
    steps += [f"Still to be shown: {one.needed}." for one in outcome.found.proofs if one.state != "met"]
    if ahead is not None:
        when = clock(ahead, case.dossier.time_zone)
        steps.append(f"If nothing more is lost, the earliest it can be met is {when}.")
    return " ".join(steps) or "Supply what is missing; it is named under criteria and lost."


def _met(case: Case, looks: Sequence[Outlook], duties_open: Sequence[str]) -> str:
    if case.rule.information_only:
        return "For information only: this text is not open to compost. Judge the pile under another rule."
    if not duties_open:
        return "This rule asks for nothing more. A verdict is evidence, not a permit."
    asked = "What decides this rule is shown."
    if looks:
        turned = any(look.turns is not None for look in looks)
        asked = f"{'Time, temperature and turning' if turned else 'Time and temperature'} are met."
    return f"{asked} Still to be shown: {listed(duties_open)}."


def _not_met(case: Case, outcome: Outcome) -> str:
    mix, curing = case.rule.initial_mix, case.rule.curing
    if mix is not None and outcome.criteria.get("initial_carbon_nitrogen_ratio") == "not_met":
        low, high = float(mix.carbon_nitrogen_min), float(mix.carbon_nitrogen_max)
        return (
            f"This pile cannot meet the rule: it began with a C:N of {case.history.initial_carbon_nitrogen_ratio:g}, "
            f"and {low:g} to {high:g} is asked. Build it anew with a mix inside the range, or judge it under "
            "another rule."
        )
    failed = [one for one in outcome.found.proofs if one.state == "not_met"]
    if failed:
        seen = "; ".join(one.detail for one in failed)
        return f"This does not meet the rule: {seen}. Put it right and record it, or use the material as untreated."
    if curing is not None and outcome.found.state == "met":
        return (
            f"It was cured for {case.history.cured_days:g} days and {curing.minimum_days:g} are asked. Let it cure "
            "longer and record it, or use the material as untreated."
        )
    return (
        "The process has ended short of the rule. Build the pile up and heat it again from the start, or use the "
        "material as untreated."
    )


def _records(outcome: Outcome) -> list[str]:
    steps = []
    if outcome.criteria.get("initial_carbon_nitrogen_ratio") == "cannot_judge":
        steps.append("Enter the C:N of the mix at the start, from the recipe or a laboratory.")
    if outcome.criteria.get("curing") == "cannot_judge":
        steps.append("Keep a curing record and enter the days.")
    if outcome.criteria.get("curing") == "under_way":
        steps.append("Let it cure and enter the days.")
    return steps


def _unrecorded(case: Case, looks: Sequence[Outlook]) -> list[str]:
    """Ask about turnings that the curves look like, where turnings are short."""
    short = any(look.turns is not None and look.missing_turns for look in looks)
    found = [clock(to_us(one.at, "/at"), case.dossier.time_zone) for one in case.dossier.suspected]
    if not short or not found:
        return []
    more = f" and {len(found) - 1} more times" if len(found) > 1 else ""
    return [
        f"Was it turned about {found[0]}{more}? The curves look like it, and it is not on record: enter it if so."
    ]


def _hold(case: Case, outcome: Outcome, look: Outlook) -> list[str]:
    """Say what a hold and its turnings still need."""
    if look.standing.met_at is not None:
        return []
    steps = _looking(case, look)
    if case.record.closed:
        return steps
    if look.standing.short_of:
        steps.append(f"It was kept long enough, but with {look.standing.short_of}.")
    if case.record.is_empty or not look.begins_again:
        return [*steps, *_heat(look), *_turning(outcome, look)]
    if look.found.held == "met":
        steps.append("The heat lasted long enough, but that period has ended with too few turnings in it.")
    full = hours(hours_us(look.case.hold.duration_h))
    turned = "" if look.turns is None else f", and in that time {_turn(look.turns, outcome, look)}"
    steps.append(f"The count begins again: keep every probe {demanded(look.case.hold)} for {full}{turned}.")
    return steps


def _looking(case: Case, look: Outlook) -> list[str]:
    """Say what readings are wanted, and where they do not qualify."""
    if case.record.is_empty:
        return ["Nothing is on record yet: take readings."]
    steps = []
    if "cannot_judge" in {look.found.held, look.found.turned}:
        steps.append(
            "If there are readings for the gaps listed under lost, send them: they may be all that lacks."
        )
    if case.record.closed:
        return steps
    if is_silent(look.case.tracks, case.record, look.case.hold):
        steps.append(
            f"Take a reading now: the last is from {clock(case.record.end, case.dossier.time_zone)}."
        )
    if look.is_cold:
        steps.append(f"Not at the temperature asked now: {', '.join(look.cold_positions)}.")
    return steps


def _heat(look: Outlook) -> list[str]:
    hold, course = look.case.hold, look.standing.course
    if look.found.held == "met":
        return []
    if course is None:
        return [f"Keep every probe {demanded(hold)} for {hours(hours_us(hold.duration_h))}."]
    left = course.required_us - course.credit_us
    return [f"Keep every probe {demanded(hold)} for {hours(left)} more."] if left > 0 else []


def _turning(outcome: Outcome, look: Outlook) -> list[str]:
    if look.turns is None:
        return []
    if look.missing_turns:
        said = _turn(look.turns, outcome, look)
        return [f"{said[0].upper()}{said[1:]}."]
    if look.turns.regain_in_text and look.standing.turns is not None and not look.standing.turns.is_enough:
        asked = demanded(look.case.hold)
        return [
            f"Heat must be shown again after the last turning: take a reading once every probe is {asked}."
        ]
    return []


def _turn(turns: Turns, outcome: Outcome, look: Outlook) -> str:
    """Return the turnings still asked for, in the words of an order."""
    missing = look.missing_turns
    before = 0 if look.standing.turns is None or look.begins_again else len(look.standing.turns.counted)
    more = " more" if before else ""
    times = f"turn it once{more}" if missing == 1 else f"turn it {missing}{more} times"
    if turns.window == "before_each":
        each = "" if missing == 1 else "each time "
        return f"{times}, {each}after {hours(hours_us(look.case.hold.duration_h))} of heat"
    if turns.hot_before_h is not None:
        times += " while it is hot"
    apart = hours_us(max(turns.spacing_h, outcome.text.turn_apart_h))
    if apart and missing > 1:
        times += f", with at least {hours(apart)} between turnings"
    elif apart and before:
        times += f", at least {hours(apart)} after the turning before it"
    if turns.window == "sliding" and before:
        all_of_them = count(turns.minimum, "turning", "turnings")
        times += f"; all {all_of_them} must lie within {hours(hours_us(look.case.hold.duration_h))}"
    return times
