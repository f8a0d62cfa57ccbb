"""Laws of a fair judge, each shown to catch a judge that was broken on purpose.

Each law runs twice: as it stands, and against the mutation named beside it, where it must fail.
"""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from service.domain.compliance import History, dossier, lineage, series, tracks
from service.domain.quantities import Unit
from tests.domain.compliance.laws import (
    BY_HOURS,
    EXACT_C,
    LIMITS,
    NO_MEAN,
    a_stricter_limit,
    both_halves,
    daily_readings,
    four_turnings,
    one_cold_reading,
    one_more_hot_reading,
    one_reading_less,
    order_of_arrival,
    records,
    the_unit_recorded,
)
from tests.domain.compliance.piles import at

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
        {"rule": a_rule, "record": records(), "data": st.data()},
    ),
    "one less": (
        one_reading_less,
        {"rule": st.sampled_from(NO_MEAN), "record": records(), "data": st.data()},
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
    monkeypatch.setattr(series, "_rank", lambda _reading: 0)


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
