"""The chart's constants against an integration of the range's distribution, its drift against known changes."""

import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from uuid import UUID

import numpy as np
import pytest
from scipy import integrate, stats

from service.domain.sizes import (
    D2,
    D4,
    E2,
    LEAST_PILES,
    Built,
    change_point,
    chart,
    drift,
    falling_probability,
)

START = datetime(2026, 1, 5, 9, tzinfo=UTC)


def piles(ratios: list[float]) -> list[Built]:
    return [
        Built(
            UUID(int=number), f"P{number}", START + timedelta(days=7 * number), ratio * 1.5, 1.5, "measured"
        )
        for number, ratio in enumerate(ratios)
    ]


def test_the_constants_by_integrating_the_range_of_two_normal_values() -> None:
    """E|X-Y| and its spread by numerical integration: independent of any table."""
    density = stats.norm(scale=math.sqrt(2)).pdf
    mean = 2 * integrate.quad(lambda x: x * density(x), 0, np.inf)[0]
    square = 2 * integrate.quad(lambda x: x * x * density(x), 0, np.inf)[0]
    spread = math.sqrt(square - mean**2)
    assert round(mean, 3) == D2
    assert round(1 + 3 * spread / mean, 3) == D4
    assert round(3 / mean, 2) == E2


def test_the_constants_as_printed() -> None:
    """Read: a textbook's table of factors for constructing control charts, n = 2: d2 1.128, D4 3.267; 3/d2 = 2.66."""
    assert (D2, D4, E2) == (1.128, 3.267, 2.66)


def test_limits_by_hand() -> None:
    made = chart([1.0, 0.9, 1.0, 0.9, 1.0, 0.9, 1.0, 0.9])
    assert made is not None
    assert made.centre == pytest.approx(0.95)
    assert made.mean_range == pytest.approx(0.1)
    assert (made.lower, made.upper) == (pytest.approx(0.95 - 0.266), pytest.approx(0.95 + 0.266))
    assert made.range_upper == pytest.approx(0.3267)
    assert made.signals == ()


@pytest.mark.parametrize(
    ("scores", "test", "place"),
    [
        ([0.5, -0.5] * 5 + [-6.5], "beyond_limit", 10),
        ([0.6, -0.2] * 8 + [-2.9, 0.4, -2.9], "two_of_three", 18),
        ([1.2, 0.6] * 6 + [-1.4, -1.2, 0.1, -1.3, -1.5], "four_of_five", 16),
        ([0.9, 0.1] * 6 + [-0.5, -0.9] * 4, "eight_in_a_row", 19),
    ],
)
def test_each_test_speaks_where_its_pattern_is_complete(scores: list[float], test: str, place: int) -> None:
    made = chart([1 + 0.1 * score for score in scores])
    assert made is not None
    assert (test, "low", place) in {(one.test, one.side, one.last) for one in made.signals}


def test_piles_all_alike_have_no_spread_and_no_signal() -> None:
    made, found = drift(piles([0.9] * 12))
    assert made is not None
    assert (made.sigma, made.signals, found.state) == (0, (), "steady")


def test_too_few_say_so() -> None:
    made, found = drift(piles([1.0] * (LEAST_PILES - 1)))
    assert made is None
    assert found.state == "too_few"
    assert f"{LEAST_PILES - 1} of the {LEAST_PILES}" in found.text


def test_mann_kendall_against_an_exact_count_and_against_scipy() -> None:
    """A series that only falls has S = -n(n-1)/2; Kendall's tau against time is the same statistic."""
    random = np.random.default_rng(5)
    for _ in range(20):
        values = random.normal(size=24).round(1)
        tau = stats.kendalltau(np.arange(24), values, alternative="less", method="asymptotic")
        assert falling_probability(values.tolist()) == pytest.approx(tau.pvalue, abs=0.02)
    assert falling_probability(list(range(10, 0, -1))) == pytest.approx(
        stats.norm.cdf((-45 + 1) / math.sqrt(10 * 9 * 25 / 18))
    )


def simulated(shape: Callable[[int], np.ndarray], count: int, *, rounds: int, seed: int) -> list[list[float]]:
    random = np.random.default_rng(seed)
    return [(0.95 + 0.08 * random.standard_normal(count) + shape(count)).tolist() for _ in range(rounds)]


def rate(series: list[list[float]], state: str) -> float:
    return sum(drift(piles(one))[1].state == state for one in series) / len(series)


def test_false_alarms_among_steady_piles() -> None:
    """Measured here: 24 piles with a spread of 8 % and no change."""
    steady = simulated(np.zeros, 24, rounds=600, seed=11)
    alarms = rate(steady, "smaller")
    assert 0.01 < alarms < 0.12, alarms


def test_a_drift_is_found_and_since_when() -> None:
    """A step of 15 % after the twelfth of 24 piles with a spread of 8 %."""
    stepped = simulated(lambda n: np.where(np.arange(n) >= 12, -0.15, 0.0), 24, rounds=300, seed=12)
    found = [drift(piles(one))[1] for one in stepped]
    smaller = [one for one in found if one.state == "smaller"]
    assert len(smaller) / len(found) > 0.85
    off = np.array([abs((one.since or 0) - 12) for one in smaller])
    assert np.mean(off <= 2) > 0.8
    lost = np.array([1 - (one.after or 0) / (one.before or 1) for one in smaller])
    assert np.median(lost) == pytest.approx(0.15 / 0.95, abs=0.03)


def test_a_slow_slide_and_a_late_step_are_found_as_often_as_measured() -> None:
    slide = simulated(lambda n: -0.2 * np.arange(n) / n, 24, rounds=200, seed=13)
    late = simulated(lambda n: np.where(np.arange(n) >= n - 5, -0.2, 0.0), 24, rounds=200, seed=14)
    assert rate(slide, "smaller") > 0.7
    assert rate(late, "smaller") > 0.6


def test_larger_piles_are_no_drift_toward_smaller() -> None:
    grown = simulated(lambda n: np.where(np.arange(n) >= 12, 0.15, 0.0), 24, rounds=100, seed=15)
    assert rate(grown, "smaller") < 0.02


def test_one_pile_out_of_line_is_no_drift() -> None:
    ratios = [1.0, 0.95, 1.02, 0.98, 1.01, 0.96, 0.3, 1.0, 0.97, 1.02, 0.99, 1.0]
    _, found = drift(piles(ratios))
    assert found.state == "one_off"
    assert "P6" in found.text


def test_the_words_say_since_when_and_how_much() -> None:
    _, found = drift(piles([1.0, 0.98, 1.02, 0.99, 1.01, 1.0] * 2 + [0.8, 0.78, 0.82, 0.79, 0.81, 0.8] * 2))
    assert found.state == "smaller"
    assert found.since == 12
    assert "(pile P12, 12 piles)" in found.text
    assert "80% of the design, against 100% before: 20% smaller" in found.text
    _, small = drift(piles([0.7, 0.72, 0.69, 0.71, 0.7, 0.73, 0.68, 0.7]))
    assert small.state == "steady"
    assert "all along they are built to 70% of the design" in small.text


def test_the_split_explains_most() -> None:
    """Against trying every split: the least sum of squares about two means."""
    for values in simulated(lambda n: np.where(np.arange(n) >= 7, -0.1, 0.0), 20, rounds=30, seed=16):
        series = np.array(values)
        squares = {k: series[:k].var() * k + series[k:].var() * (20 - k) for k in range(2, 19)}
        assert change_point(values) == min(squares, key=lambda k: squares[k])
