"""Laws of a fair judge, each written once: test_properties runs them as it stands and on judges broken on purpose."""

from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import Any

from hypothesis import strategies as st

from service.domain.compliance import (
    RULES,
    History,
    Parent,
    Reading,
    Rule,
    Verdict,
    read_rule_document,
    series_of,
)
from service.domain.compliance.demands import Hold
from service.domain.compliance.judge import judge
from service.domain.quantities import Unit, temperature_in
from tests.domain.compliance.piles import UTC_ZONE, at, hour_of

RANK = {"not_met": 0, "under_way": 1, "cannot_judge": 2, "met": 3}
# Where days are counted a record changes its kind with a reading; that is tested in test_laws.
HEATED = sorted(one for one, rule in RULES.items() if rule.heats)
BY_HOURS = [one for one in HEATED if all(hold.day_count is None for hold in RULES[one].holds)]
# A mean may fall with a reading that is merely warm, and rise without it.
NO_MEAN = [one for one in BY_HOURS if all(hold.mean is None for hold in RULES[one].holds)]


@st.composite
def records(draw: st.DrawFn) -> tuple[list[Reading], tuple[float, ...], bool]:
    """Readings of one or two positions, turnings and whether the process has ended; steps of half hours."""
    readings: list[Reading] = []
    for position in ("core", "edge")[: draw(st.integers(1, 2))]:
        hour = 0.0
        stretches = st.tuples(
            st.integers(1, 40),
            st.sampled_from((1.0, 6.0, 12.0, 24.0, 30.0)),
            st.sampled_from((74, 72, 61, 57, 50)),
        )
        for count, step, value in draw(st.lists(stretches, min_size=1, max_size=5)):
            for _ in range(count if value > 55 else 1 + count % 3):
                readings.append(Reading(position, at(hour), float(value)))
                hour += step
    turns = tuple(n / 2 for n in draw(st.lists(st.integers(0, 1200), max_size=8)))
    return readings, turns, draw(st.booleans())


@st.composite
def one_cold_reading(draw: st.DrawFn) -> tuple[list[Reading], tuple[float, ...], bool]:
    """A few hot days of a reading every six hours, one of them cold."""
    hours = range(0, draw(st.sampled_from((78, 96, 150))) + 1, 6)
    cold = draw(st.sampled_from(hours[2:-2]))
    return [Reading("core", at(hour), 50.0 if hour == cold else 74.0) for hour in hours], (), True


@st.composite
def daily_readings(draw: st.DrawFn) -> tuple[list[Reading], tuple[float, ...], bool]:
    """Three hot days or a little more, read once a day."""
    days = draw(st.integers(3, 6))
    return [Reading("core", at(24 * day), 74.0) for day in range(days + 1)], (), draw(st.booleans())


@st.composite
def four_turnings(draw: st.DrawFn) -> tuple[list[Reading], tuple[float, ...], bool]:
    """Fifteen hot days or a little more, turned four times."""
    until_h = draw(st.integers(360, 480))
    turns = tuple(48.0 + 60 * n + draw(st.integers(0, 40)) for n in range(4))
    return [Reading("core", at(hour), 60.0) for hour in range(0, until_h + 1, 4)], turns, draw(st.booleans())


def recorded(
    readings: list[Reading], turns: tuple[float, ...], *, closed: bool = False, **more: Any
) -> History:
    return History(
        series=series_of(readings),
        turns=tuple(at(hour) for hour in turns),
        initial_carbon_nitrogen_ratio=30.0,
        cured_days=20.0,
        closed=closed,
        method="turned_windrow",
        **more,
    )


def last_h(readings: list[Reading]) -> float:
    return max(hour_of(one.observed_at) for one in readings)


def judged(rule: Rule, found: History, at_h: float) -> Verdict:
    return judge(rule, found, judged_at=at(at_h), time_zone=UTC_ZONE)


def met_no_sooner(after: Verdict, before: Verdict) -> None:
    if after.state == "met":
        assert before.state == "met"
        assert after.met_at is not None
        assert before.met_at is not None
        assert after.met_at >= before.met_at


# --- the laws


def order_of_arrival(rule: str, record: Any, random: Any) -> None:
    readings, turns, closed = record
    doubled = [*readings, *(replace(one, value=one.value - 3) for one in readings[::7])]
    shuffled, turned = list(doubled), list(turns)
    random.shuffle(shuffled)
    random.shuffle(turned)
    first = judged(RULES[rule], recorded(doubled, turns, closed=closed), last_h(readings))
    assert judged(RULES[rule], recorded(shuffled, tuple(turned), closed=closed), last_h(readings)) == first


def one_more_hot_reading(rule: str, record: Any, data: Any) -> None:
    """Inside a stretch between two readings hot under every text, one more as hot as the hotter of them."""
    readings, turns, closed = record
    pairs = [
        (one, after)
        for one, after in pairwise(readings)
        if one.position == after.position and min(one.value, after.value) >= 72
    ]
    if not pairs:
        return
    one, after = data.draw(st.sampled_from(pairs))
    share = data.draw(st.sampled_from((0.1, 0.25, 0.5, 0.75, 0.95)))
    between = one.observed_at + (after.observed_at - one.observed_at) * share
    extra = Reading(one.position, between, max(one.value, after.value))
    before = judged(RULES[rule], recorded(readings, turns, closed=closed), last_h(readings))
    with_it = judged(RULES[rule], recorded([*readings, extra], turns, closed=closed), last_h(readings))
    assert RANK[before.state] <= RANK[with_it.state]
    met_no_sooner(before, with_it)


def one_reading_less(rule: str, record: Any, data: Any) -> None:
    """Anywhere in the record, any reading that qualifies under every hold of the rule.

    One that does not qualify disproves the heat. Once it is gone the record shows what a record that never had it has
    always shown, so no judge who lets readings lie hours apart could tell the two.
    """
    readings, turns, closed = record
    holds = RULES[rule].holds
    told = [n for n, one in enumerate(readings) if all(qualifies(hold, one.value) for hold in holds)]
    several = [n for n in told if sum(one.position == readings[n].position for one in readings) > 1]
    if not several:
        return
    gone = data.draw(st.sampled_from(several))
    before = judged(RULES[rule], recorded(readings, turns, closed=closed), last_h(readings))
    without = judged(
        RULES[rule], recorded(readings[:gone] + readings[gone + 1 :], turns, closed=closed), last_h(readings)
    )
    if before.state != "met":
        assert without.state != "met"


def qualifies(hold: Hold, value_c: float) -> bool:
    """By the definition: in the unit of the text, exactly."""
    value = temperature_in(Fraction(value_c), Unit.CEL, hold.unit)
    above = value > hold.threshold if hold.operator == ">" else value >= hold.threshold
    return above and (hold.upper_limit is None or value <= hold.upper_limit)


LIMITS = ("50", "54", "57", "57.5", "60", "61.5", "72", "73")


def a_limit(value: str, window: str, continuity: str, hours: int) -> Rule:
    """A made-up rule with one limit."""
    switches = [
        {
            "key": "turn_transient_h",
            "amb": "AMB-05",
            "question": "?",
            "literal": 24,
            "inspector": 24,
            "cumulative": 24,
        }
    ]
    hot = {"hot_before_h": 24} if window == "hot_period" else {}
    return read_rule_document(
        {
            "id": "made-up",
            "title": "Made up",
            "jurisdiction": "XX",
            "methods": ["any"],
            "phrase": "made up",
            "citation": "made up",
            "text_source": "made up",
            "text_as_of": "2026-11",
            "text_status": "read",
            "holds": [
                {
                    "name": f"{value} °C",
                    "operator": ">=",
                    "threshold": float(value),
                    "unit": "Cel",
                    "duration_h": hours,
                    "continuity": continuity,
                    "max_gap_h": 24,
                }
            ],
            "turns": {"minimum": 2, "window": window, **hot},
            "switches": switches,
        }
    )


def a_stricter_limit(record: Any, two: tuple[str, str], window: str, continuity: str, hours: int) -> None:
    readings, turns, closed = record
    lax, strict = sorted(two, key=Fraction)
    found = recorded(readings, turns, closed=closed)
    easy = judged(a_limit(lax, window, continuity, hours), found, last_h(readings))
    hard = judged(a_limit(strict, window, continuity, hours), found, last_h(readings))
    met_no_sooner(hard, easy)


# The same decimal numbers in both units, at, just below and above the limits of the texts.
EXACT_C = ("49.5", "54.6", "54.95", "55", "57.5", "59.6", "59.95", "60", "65", "69.95", "70", "72.5")


def the_unit_recorded(rule: str, stretches: Any, turns: tuple[float, ...]) -> None:
    celsius, fahrenheit, hour = [], [], 0
    for count, value in stretches:
        exact = temperature_in(Fraction(value), Unit.CEL, Unit.DEG_F)
        for _ in range(count):
            celsius.append(Reading("core", at(hour), float(value)))
            fahrenheit.append(Reading("core", at(hour), float(exact), Unit.DEG_F))
            hour += 12
    first = judged(RULES[rule], recorded(celsius, turns), last_h(celsius))
    second = judged(RULES[rule], recorded(fahrenheit, turns), last_h(celsius))
    assert (second.state, second.met_at, second.windows) == (first.state, first.met_at, first.windows)


def both_halves(rule: str, record: Any, share: float) -> None:
    """Split at some instant; each half goes on exactly as the whole does, and so do the halves put together again."""
    readings, turns, closed = record
    end = last_h(readings)
    when = at(round(share * end * 2) / 2 + 0.25)
    joined = when + timedelta(hours=6)
    # A probe that falls silent is a probe of the half too.
    same: Any = {"required_positions": frozenset(one.position for one in readings)}

    def part(since: datetime, until: datetime, **more: Any) -> History:
        return recorded(
            [one for one in readings if since <= one.observed_at < until],
            tuple(hour for hour in turns if since <= at(hour) < until),
            **same,
            **more,
        )

    never = at(10**6)
    whole = judged(RULES[rule], part(at(0), never, closed=closed), end)
    parents = (Parent("whole", part(at(0), when), when),)
    half = part(when, never, closed=closed, parents=parents, stood_alone=False)
    met_no_sooner(judged(RULES[rule], half, end), whole)
    piece = part(when, joined, parents=parents, stood_alone=False)
    again = part(
        joined,
        never,
        closed=closed,
        parents=(Parent("left", piece, joined), Parent("right", piece, joined)),
        stood_alone=False,
    )
    if at(end) > joined:
        met_no_sooner(judged(RULES[rule], again, end), whole)
