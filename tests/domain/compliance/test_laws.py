"""Laws every verdict obeys, whatever the readings."""

from dataclasses import replace
from datetime import timedelta
from fractions import Fraction
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.compliance import INTERPRETATIONS, RULES, History, Reading, Verdict, series_of
from service.domain.quantities import Unit, temperature_in
from tests.domain.compliance.piles import START, at, hour_of, log, verdict

# A state is as good as what is proven, then as what could be.
RANK = {"not_met": 0, "under_way": 1, "cannot_judge": 2, "met": 3}
HEATED = [one for one in sorted(RULES) if RULES[one].heats]
BY_HOURS = [one for one in HEATED if all(hold.day_count is None for hold in RULES[one].holds)]
BY_DAYS = [one for one in HEATED if one not in BY_HOURS]
# Temperatures that are the same decimal number in Cel, [degF] and K, at, below and above the limits of the texts.
EXACT_C = ("50", "54.95", "55", "57.5", "60", "62.5", "65", "70", "72.5", "76.65", "80")

# A shared machine pauses at will; a law is about values, not about time.
law = settings(deadline=None, max_examples=150)

a_rule = st.sampled_from(sorted(RULES))
an_interpretation = st.sampled_from(INTERPRETATIONS)


@st.composite
def a_stretch(draw: st.DrawFn) -> tuple[int, float, float]:
    """Number of readings, hours between them, temperature."""
    hot = draw(st.integers(0, 9)) > 1
    value = draw(st.sampled_from((57.0, 61.0, 66.0, 72.0, 78.0) if hot else (54.95, 48.0, 30.0)))
    if hot:
        return draw(st.integers(1, 60)), draw(st.sampled_from((4.0, 6.0, 12.0, 24.0, 30.0))), value
    return draw(st.integers(1, 3)), draw(st.sampled_from((0.5, 3.0, 12.0))), value


@st.composite
def some_readings(draw: st.DrawFn, position: str = "core", stretches: int = 5) -> list[Reading]:
    """An irregular record: mostly hot, with falls and silences."""
    hour, readings = 0.0, []
    for count, step, value in draw(st.lists(a_stretch(), min_size=1, max_size=stretches)):
        for _ in range(count):
            readings.append(Reading(position, at(hour), value))
            hour += step
    return readings


some_turns = st.lists(st.floats(0, 600).map(lambda hour: round(hour * 2) / 2), max_size=9).map(tuple)


def a_history(readings: list[Reading], turns: tuple[float, ...], **more: bool) -> History:
    return History(
        series=series_of(readings),
        turns=tuple(at(hour) for hour in turns),
        initial_carbon_nitrogen_ratio=30.0,
        cured_days=20.0,
        **more,
    )


def judged(
    rule: str, readings: list[Reading], turns: tuple[float, ...], reading: str, **more: bool
) -> Verdict:
    until_h = max(hour_of(one.observed_at) for one in readings)
    return verdict(rule, a_history(readings, turns, **more), at_h=until_h, reading=reading)


@law
@given(a_rule, some_readings(), some_readings("edge"), some_turns, an_interpretation, st.randoms())
def test_order_of_arrival_makes_no_difference(rule, core, edge, turns, reading, random) -> None:
    readings = core + edge
    shuffled = [*readings, random.choice(readings)]
    random.shuffle(shuffled)
    turned = list(turns)
    random.shuffle(turned)
    first = judged(rule, readings, turns, reading)
    assert judged(rule, shuffled, tuple(turned), reading) == first
    assert first.readings_digest.startswith("sha256:")


def _inside_a_hold(readings: list[Reading]) -> list[int]:
    """Readings that are hot at every limit of every text, as are both neighbours."""
    hot = [Fraction(65) <= Fraction(one.value) <= Fraction(76) for one in readings]
    return [i for i in range(1, len(readings) - 1) if hot[i - 1] and hot[i] and hot[i + 1]]


@law
@given(st.sampled_from(BY_HOURS), some_readings(), some_turns, an_interpretation, st.booleans(), st.data())
def test_removing_a_reading_inside_a_hold_never_improves_the_state(
    rule, readings, turns, reading, closed, data
) -> None:
    inside = _inside_a_hold(readings)
    if not inside:
        return
    gone = data.draw(st.sampled_from(inside))
    before = judged(rule, readings, turns, reading, closed=closed)
    after = judged(rule, readings[:gone] + readings[gone + 1 :], turns, reading, closed=closed)
    assert RANK[after.state] <= RANK[before.state]


@law
@given(
    st.sampled_from(BY_DAYS),
    st.sampled_from((1, 2, 4, 6, 24)),
    st.integers(300, 420),
    some_turns,
    st.data(),
)
def test_removing_a_reading_of_a_regular_log_never_improves_a_count_of_days(
    rule, every_h, until_h, turns, data
) -> None:
    readings = log(66, until_h // every_h * every_h, every_h=every_h)
    gone = data.draw(st.integers(1, len(readings) - 2))
    before = judged(rule, readings, turns, "inspector")
    after = judged(rule, readings[:gone] + readings[gone + 1 :], turns, "inspector")
    assert RANK[after.state] <= RANK[before.state]


@law
@given(
    a_rule,
    some_readings(),
    some_turns,
    an_interpretation,
    st.floats(0, 1),
    st.sampled_from(("core", "elsewhere")),
)
def test_a_cold_reading_never_turns_anything_into_met(
    rule, readings, turns, reading, share, position
) -> None:
    before = judged(rule, readings, turns, reading)
    until_h = max(hour_of(one.observed_at) for one in readings)
    moment = at(round(share * until_h * 4) / 4 + 0.125)
    cold = Reading(position, min(moment, at(until_h) - timedelta(minutes=1)), 20.0)
    after = judged(rule, [*readings, cold], turns, reading)
    if before.state != "met":
        assert after.state != "met"
    elif after.state == "met":
        assert after.met_at is not None
        assert before.met_at is not None
        assert after.met_at >= before.met_at


@law
@given(
    a_rule,
    st.lists(st.tuples(st.integers(1, 50), st.sampled_from(EXACT_C)), min_size=1, max_size=8),
    some_turns,
    st.sampled_from((Unit.DEG_F, Unit.KELVIN)),
)
def test_the_unit_a_reading_was_recorded_in_makes_no_difference(rule, stretches, turns, unit) -> None:
    celsius, other = [], []
    hour = 0
    for count, value in stretches:
        exact = temperature_in(Fraction(value), Unit.CEL, unit)
        for _ in range(count):
            celsius.append(Reading("core", at(hour), float(value)))
            other.append(Reading("core", at(hour), float(exact), unit))
            hour += 12
    first = judged(rule, celsius, turns, "inspector")
    second = judged(rule, other, turns, "inspector")
    assert (second.state, second.met_at, second.windows) == (first.state, first.met_at, first.windows)
    assert [(one.from_, one.to, one.cause) for one in second.lost] == [
        (one.from_, one.to, one.cause) for one in first.lost
    ]


@law
@given(st.sampled_from(HEATED), some_readings(), some_turns, an_interpretation)
def test_never_met_before_the_time_the_text_asks_for(rule, readings, turns, reading) -> None:
    found = judged(rule, readings, turns, reading)
    shortest_h = min(hold.duration_h for hold in RULES[rule].holds)
    if found.met_at is None:
        assert found.state != "met"
        return
    assert found.met_at <= found.judged_at
    if rule in BY_HOURS:
        assert hour_of(found.met_at) >= shortest_h
        assert found.held_h >= shortest_h
    else:
        # Fifteen dated entries lie on fifteen different days.
        assert (found.met_at.date() - START.date()).days >= shortest_h / 24 - 1


@law
@given(a_rule, some_readings(), some_turns, an_interpretation)
def test_windows_add_up_and_stay_within_the_record(rule, readings, turns, reading) -> None:
    found = judged(rule, readings, turns, reading)
    assert sum((one.to - one.from_) / timedelta(hours=1) for one in found.windows) == pytest.approx(
        found.held_h or 0.0
    )
    assert (found.held_h is None) == (found.required_h is None) == (not RULES[rule].heats)
    if RULES[rule].heats:
        assert found.held_h <= found.hot_h + 1e-9
    assert all(one.from_ <= one.to for one in found.lost)
    counted = found.turns_counted + len(found.turns_not_counted)
    if found.turns_required:
        assert counted == len({hour for hour in turns if at(hour) <= found.judged_at})
    assert found.next


@law
@given(st.sampled_from(BY_HOURS), some_readings(), some_turns, an_interpretation, st.floats(0.2, 1))
def test_once_met_always_met(rule, readings, turns, reading, share) -> None:
    early = readings[: max(1, round(share * len(readings)))]
    until_h = hour_of(early[-1].observed_at)
    first = verdict(rule, a_history(readings, turns), at_h=until_h, reading=reading)
    if first.state == "met":
        later = judged(rule, readings, turns, reading)
        assert (later.state, later.met_at) == ("met", first.met_at)


@law
@given(a_rule, some_readings(), some_turns)
def test_the_best_case_is_the_best_case(rule, readings, turns) -> None:
    states = judged(rule, readings, turns, "inspector").readings_of_the_text
    assert RANK[states["cumulative"]] >= RANK[states["inspector"]]


@law
@given(a_rule, some_readings(), some_turns, an_interpretation)
def test_a_failed_reading_is_no_reading(rule, readings, turns, reading) -> None:
    until_h = max(hour_of(one.observed_at) for one in readings)
    failed = [Reading("core", at(until_h * n / 7 + 0.01), 20.0, Unit.CEL, 4) for n in range(7)]
    without = judged(rule, readings, turns, reading)
    found = verdict(rule, a_history([*readings, *failed], turns), at_h=until_h, reading=reading)
    assert (found.state, found.met_at, found.windows) == (without.state, without.met_at, without.windows)


@law
@given(a_rule, some_readings(), some_turns, an_interpretation)
def test_a_hotter_second_position_changes_nothing(rule, readings, turns, reading) -> None:
    # Not above 76 °C, or the ceiling of one text would make the hotter one the worse one.
    hotter = [
        replace(one, position="second", value=max(one.value, min(one.value + 1, 76.0))) for one in readings
    ]
    alone = judged(rule, readings, turns, reading)
    both = judged(rule, readings + hotter, turns, reading)
    assert (both.state, both.met_at) == (alone.state, alone.met_at)


@law
@given(a_rule, some_readings(), some_turns, an_interpretation)
def test_earliest_possible_lies_ahead_and_is_long_enough(rule, readings, turns, reading) -> None:
    found = judged(rule, readings, turns, reading)
    if found.earliest_possible is not None:
        assert found.met_at is None
        assert found.earliest_possible >= found.judged_at


def _plain_count(positions: list[list[Reading]], limit: float) -> tuple[float, float]:
    """Hot hours and longest run, counted half hour by half hour straight from the definition.

    Heat counts as held between two successive readings that both qualify, no more than 24 h apart, at every
    position; a run is a row of such half hours.
    """
    held = []
    for readings in positions:
        halves: set[int] = set()
        for one, after in pairwise(readings):
            near = after.observed_at - one.observed_at <= timedelta(hours=24)
            if near and min(one.value, after.value) >= limit:
                halves.update(
                    range(round(2 * hour_of(one.observed_at)), round(2 * hour_of(after.observed_at)))
                )
        held.append(halves)
    everywhere = sorted(set.intersection(*held))
    total, run, longest = 0.0, 0.0, 0.0
    for n, half in enumerate(everywhere):
        run = run + 0.5 if n and half == everywhere[n - 1] + 1 else 0.5
        total += 0.5
        longest = max(longest, run)
    return total, longest


@law
@given(
    st.sampled_from(("us-503-pfrp-asp", "us-fda-static")),
    some_readings(stretches=4),
    some_readings("edge", stretches=4),
    st.booleans(),
)
def test_the_count_agrees_with_a_plain_one(rule, core, edge, both) -> None:
    """40 CFR 503 App. B: 'maintained at 55 degrees Celsius or higher for three days'."""
    positions = [core, edge] if both else [core]
    hot, longest = _plain_count(positions, 55.0)
    found = judged(rule, [one for readings in positions for one in readings], (), "inspector")
    assert found.hot_h == hot
    assert (found.state == "met") == (longest >= 72)
    if rule == "us-503-pfrp-asp":
        assert (found.readings_of_the_text["cumulative"] == "met") == (hot >= 72)
