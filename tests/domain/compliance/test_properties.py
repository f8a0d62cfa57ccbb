"""Laws of a fair judge, each shown to catch a judge that was broken on purpose.

Each law is written once and run twice: as it stands, and against the mutation its test names, where it must fail.
Two laws hold only of readings that qualify: a reading that disproves the heat can be removed, and then the record shows
what a record without it has always shown.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from service.domain.compliance import (
    RULES,
    History,
    Parent,
    Reading,
    Rule,
    Verdict,
    dossier,
    history,
    lineage,
    read_rule_document,
    series_of,
    tracks,
)
from service.domain.compliance.judge import judge
from service.domain.quantities import Unit, temperature_in
from tests.domain.compliance.piles import UTC_ZONE, at, hour_of

RANK = {"not_met": 0, "under_way": 1, "cannot_judge": 2, "met": 3}
# Rules that count hours: where days are counted a record changes its kind with a reading (tested in test_laws), and a
# mean falls with a reading that is merely warm.
BY_HOURS = sorted(
    one
    for one, rule in RULES.items()
    if rule.heats and all(hold.day_count is None and hold.mean is None for hold in rule.holds)
)
HOTTEST = [one for one in BY_HOURS if all(hold.upper_limit is None for hold in RULES[one].holds)]

checked = settings(deadline=None, max_examples=100)
broken = settings(
    deadline=None,
    max_examples=150,
    derandomize=True,
    database=None,
    phases=[Phase.generate],
    report_multiple_bugs=False,
    suppress_health_check=list(HealthCheck),
)
Law = Callable[..., None]


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


def one_hot_reading_less(rule: str, record: Any, data: Any) -> None:
    """Anywhere in the record, a reading that is hot under every text."""
    readings, turns, closed = record
    hot = [n for n, one in enumerate(readings) if one.value >= 72]
    alone = {
        one.position for one in readings if sum(other.position == one.position for other in readings) == 1
    }
    hot = [n for n in hot if readings[n].position not in alone]
    if not hot:
        return
    gone = data.draw(st.sampled_from(hot))
    before = judged(RULES[rule], recorded(readings, turns, closed=closed), last_h(readings))
    without = judged(
        RULES[rule], recorded(readings[:gone] + readings[gone + 1 :], turns, closed=closed), last_h(readings)
    )
    if before.state != "met":
        assert without.state != "met"


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


# --- as it stands, and broken on purpose

a_rule = st.sampled_from(BY_HOURS)
some_turns = st.lists(st.integers(0, 600), max_size=8).map(tuple)
some_stretches = st.lists(st.tuples(st.integers(1, 40), st.sampled_from(EXACT_C)), min_size=1, max_size=6)
LAWS: dict[str, tuple[Law, dict[str, Any]]] = {
    "order": (
        order_of_arrival,
        {"rule": a_rule, "record": records(), "random": st.randoms(use_true_random=False)},
    ),
    "one more": (
        one_more_hot_reading,
        {"rule": st.sampled_from(HOTTEST), "record": records(), "data": st.data()},
    ),
    "one less": (
        one_hot_reading_less,
        {"rule": st.sampled_from(HOTTEST), "record": records(), "data": st.data()},
    ),
    "stricter": (
        a_stricter_limit,
        {
            "record": records(),
            "two": st.tuples(st.sampled_from(LIMITS), st.sampled_from(LIMITS)).filter(
                lambda two: two[0] != two[1]
            ),
            "window": st.sampled_from(("hot_period", "sliding", "any", "before_each")),
            "continuity": st.sampled_from(("consecutive", "cumulative")),
            "hours": st.sampled_from((24, 72, 240)),
        },
    ),
    "unit": (the_unit_recorded, {"rule": a_rule, "stretches": some_stretches, "turns": some_turns}),
    "halves": (both_halves, {"rule": a_rule, "record": records(), "share": st.floats(0.05, 0.95)}),
}


@pytest.mark.parametrize("name", LAWS)
def test_law(name: str) -> None:
    law, given_of = LAWS[name]
    checked(given(**given_of)(law))()


def first_come(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two readings for one instant the first to arrive is kept, not the colder."""
    monkeypatch.setattr(history, "_rank", lambda _reading: 0)


def thinned(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading less than 13 h after the last one kept is dropped, to save work."""

    def kept(hours: list[float]) -> list[int]:
        found: list[int] = []
        for n, hour in enumerate(hours):
            if not found or hour - hours[found[-1]] >= 13:
                found.append(n)
        return found

    _dropping(monkeypatch, kept)


def mistrusted(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading more than 11 h after the one before it is dropped: who knows what the probe did meanwhile."""

    def kept(hours: list[float]) -> list[int]:
        return [n for n, hour in enumerate(hours) if n == 0 or hour - hours[n - 1] <= 11]

    _dropping(monkeypatch, kept)


def _dropping(monkeypatch: pytest.MonkeyPatch, kept: Callable[[list[float]], list[int]]) -> None:
    gather = dossier.gather

    def fewer(found: History, judged_us: int) -> Any:
        record = gather(found, judged_us)
        evidence = []
        for one in record.evidence:
            n = kept((one.at / 3.6e9).tolist())
            evidence.append(replace(one, at=one.at[n], value=one.value[n], unit=one.unit[n]))
        return replace(record, evidence=tuple(evidence))

    monkeypatch.setattr(dossier, "gather", fewer)


def misread(monkeypatch: pytest.MonkeyPatch) -> None:
    """A limit above 60 is taken for degrees Fahrenheit."""
    exact = tracks.lowest_qualifying

    def fahrenheit(operator: Any, limit: Fraction, unit: Unit, as_recorded: Unit) -> float:
        return exact(operator, limit, Unit.DEG_F if limit > 60 else unit, as_recorded)

    monkeypatch.setattr(tracks, "lowest_qualifying", fahrenheit)


def rounded(monkeypatch: pytest.MonkeyPatch) -> None:
    """A reading is rounded to a whole number, in its own unit, before it is compared."""
    exact = tracks.lowest_qualifying
    monkeypatch.setattr(tracks, "lowest_qualifying", lambda *a: exact(*a) - 0.5)


def split_is_a_turning(monkeypatch: pytest.MonkeyPatch) -> None:
    """Parting a pile counts as turning it."""
    spliced = lineage._spliced

    def and_the_joining(before: Any, after: Any, until: int) -> Any:
        moment = at(0) + timedelta(microseconds=until - 1 - int(at(0).timestamp() * 1e6))
        turned = (moment,) if before or after else ()  # of turnings, not of additions: the record has none
        return (*spliced(before, after, until), *turned)

    monkeypatch.setattr(lineage, "_spliced", and_the_joining)


# The cases a law draws are many; where the fault shows in few, those are drawn more often.
BROKEN: list[tuple[str, Any, dict[str, Any]]] = [
    ("order", first_come, {}),
    ("one more", thinned, {"rule": st.just("us-503-pfrp-asp"), "record": daily_readings()}),
    ("one less", mistrusted, {"rule": st.just("us-503-pfrp-asp"), "record": one_cold_reading()}),
    ("stricter", misread, {}),
    ("unit", rounded, {}),
    ("halves", split_is_a_turning, {"rule": st.just("us-503-pfrp-windrow"), "record": four_turnings()}),
]


@pytest.mark.parametrize(("name", "mutation", "often"), BROKEN, ids=[one[0] for one in BROKEN])
def test_the_law_catches_a_broken_judge(
    name: str, mutation: Any, often: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    law, given_of = LAWS[name]
    broken(given(**(given_of | often))(law))()  # sound: the fault below is what the law catches
    mutation(monkeypatch)
    with pytest.raises(AssertionError):
        broken(given(**(given_of | often))(law))()
