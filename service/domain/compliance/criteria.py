"""The criteria of a verdict, each with its state, what was seen, and what would meet it."""

from service.domain.compliance.duties import judge_duty
from service.domain.compliance.facts import Facts
from service.domain.compliance.findings import Lost, Window
from service.domain.compliance.instants import hours_us, to_datetimes
from service.domain.compliance.losses import lost_by
from service.domain.compliance.spans import Spans
from service.domain.compliance.standing import hot_spans
from service.domain.compliance.states import Case, HeatFound, Outcome
from service.domain.compliance.verdict import Criterion
from service.domain.compliance.words import count, demanded, hours, standing_to, temperature


def process_criteria(case: Case, outcome: Outcome) -> tuple[Criterion, ...]:
    """Return time, temperature, turning, initial mix and curing, as far as the rule asks for them."""
    found = [
        criterion
        for place, heat in enumerate(outcome.found.heats)
        for criterion in _of_heat(case, outcome, heat, shown=place == 0)
    ]
    words = {"initial_carbon_nitrogen_ratio": _mix_words, "curing": _curing_words}
    for name, state in outcome.criteria.items():
        asked, seen = words[name](case)
        needed = "" if state == "met" else asked
        found.append(Criterion(name, "process", state, f"{asked}: {seen}", needed=needed))
    return (*found, *outcome.found.proofs)


def _of_heat(case: Case, outcome: Outcome, heat: HeatFound, *, shown: bool) -> list[Criterion]:
    """Return a hold and its turnings; a hold other than the one shown carries its own windows and losses."""
    suffix = "" if shown else f": {heat.heat.hold.name}"
    windows: tuple[Window, ...] = ()
    lost: tuple[Lost, ...] = ()
    if not shown:
        windows = windows_of(heat)
        lost = lost_by(heat.case, case.record, outcome.text, heat.standing.met_at)
    hold = Criterion(
        f"temperature_hold{suffix}",
        "process",
        heat.held,
        _hold_words(case, heat),
        needed="" if heat.held == "met" else _hold_needed(heat),
        progress=heat.standing.progress,
        windows=windows,
        lost=lost,
    )
    turns = heat.heat.turns
    if turns is None:
        return [hold]
    counted = len(heat.standing.turns.counted) if heat.standing.turns else 0
    left = max(turns.minimum - counted, 0)
    needed = f"{count(left, 'more turning', 'more turnings')} that count"
    if left == 0:
        needed = "heat shown again after the last turning"
    turned = Criterion(
        f"turnings{suffix}",
        "process",
        heat.turned,
        _turn_words(heat),
        needed="" if heat.turned == "met" else needed,
        progress=min(1.0, counted / turns.minimum),
    )
    return [hold, turned]


def windows_of(heat: HeatFound) -> tuple[Window, ...]:
    """Return the stretches in which heat counted."""
    if heat.standing.course is None:
        return ()
    shown = heat.standing.course.shown
    pairs = zip(to_datetimes(shown.start), to_datetimes(shown.end), strict=True)
    return tuple(Window(start, end) for start, end in pairs)


def duty_criteria(case: Case, outcome: Outcome) -> tuple[Criterion, ...]:
    """Return the rule's other duties."""
    start, end = case.record.start, case.record.end
    if outcome.heat is not None:
        hot_from = [int(one.at[one.hot.argmax()]) for one in outcome.heat.case.tracks if one.hot.any()]
        met_at = outcome.heat.standing.met_at
        start = min(hot_from, default=start)
        end = end if met_at is None else min(met_at, end)
    facts = Facts(case.history, case.record, (start, end), case.dossier.time_zone)
    return tuple(judge_duty(duty, facts) for duty in case.rule.duties)


def hot_time(case: Case, heat: HeatFound) -> Spans:
    """Return all stretches in which the whole pile was proven hot, counted or not."""
    return hot_spans(heat.case, case.record, assume_unseen_held=False)


def _asked(heat: HeatFound) -> str:
    hold = heat.heat.hold
    asked = f"kept {demanded(hold)} for {hours(hours_us(hold.duration_h))}"
    if heat.heat.turns is not None and heat.heat.turns.window == "before_each":
        asked += " before each turning"
    if hold.mean is not None:
        limit = temperature(hold.mean.threshold, hold.unit)
        asked += f", with a mean over that time {standing_to(hold.mean.operator, limit)}"
    for one in hold.within:
        asked += f", of which {hours(hours_us(one.duration_h))} {demanded(one)}"
    return asked


def _hold_needed(heat: HeatFound) -> str:
    course = heat.standing.course
    if heat.standing.short_of:
        return f"kept long enough, but with {heat.standing.short_of}"
    full = hours_us(heat.heat.hold.duration_h)
    left = full if course is None or not course.is_alive else max(course.required_us - course.credit_us, 0)
    more = "" if left == full else " more"
    return f"{hours(left)}{more} {demanded(heat.heat.hold)} at every position"


def _hold_words(case: Case, heat: HeatFound) -> str:
    course, asked = heat.standing.course, _asked(heat)
    if case.record.is_empty:
        return f"{asked}: no reading that counts"
    if case.history.averaged_by is not None:
        asked += f" (the mean of all positions governs, as {case.history.averaged_by} permits)"
    if course is None:
        return f"{asked}: not yet reached at every position"
    ended = not course.is_alive and not course.is_reached
    period = "in the longest period so far, which has ended" if ended else "in the period that counts"
    held = f"{hours(course.shown.total_us)} {period}"
    if course.by_days:
        held += f", {count(course.days, 'day', 'days')} by the calendar"
    if heat.standing.short_of:
        held += f", with {heat.standing.short_of}"
    return f"{asked}: {held}; {hours(hot_time(case, heat).total_us)} hot in all"


def _turn_words(heat: HeatFound) -> str:
    turns, counted = heat.heat.turns, heat.standing.turns
    if turns is None or counted is None:
        return ""
    length = hours(hours_us(heat.heat.hold.duration_h))
    asked = f"at least {turns.minimum}"
    if turns.window == "hot_period":
        asked += " while the heat is held"
    if turns.window == "sliding":
        asked += f" within {length}"
    if turns.window == "before_each":
        asked += f", each after {length} of heat"
    if turns.spacing_h:
        asked += f", at least {hours(hours_us(turns.spacing_h))} apart"
    left_out = f"; {len(counted.rejected)} not counted" if counted.rejected else ""
    return f"{asked}: {count(len(counted.counted), 'turning counts', 'turnings count')}{left_out}"


def _mix_words(case: Case) -> tuple[str, str]:
    mix, ratio = case.rule.initial_mix, case.history.initial_carbon_nitrogen_ratio
    if mix is None:
        return "", ""
    asked = f"initial C:N from {float(mix.carbon_nitrogen_min):g} to {float(mix.carbon_nitrogen_max):g}"
    return asked, "not on record" if ratio is None else f"{ratio:g} on record"


def _curing_words(case: Case) -> tuple[str, str]:
    curing, cured = case.rule.curing, case.history.cured_days
    if curing is None:
        return "", ""
    asked = (
        f"cured for at least {curing.minimum_days:g} days"
        if curing.minimum_days
        else "cured; the text names no time"
    )
    return asked, "no curing record" if cured is None else f"{cured:g} days on record"
