"""A probe that tells the air; house rule figures."""

import numpy as np
import pytest

from service.domain.readings.quality import near_air
from tests.domain.readings.making import a_series, hourly, objected


def weather(d):
    return 15 + 6 * np.sin(2 * np.pi * d)


def mild(d):
    return 15 + 1.5 * np.sin(2 * np.pi * d)


def life(d):
    return 60 + 0.6 * np.sin(5 * d)


AIR = a_series(hourly(0, 6), weather)


@pytest.mark.parametrize(
    ("below_c", "expected"),
    [(11.9, []), (12.0, []), (12.1, [1])],
)
def test_a_pile_is_not_much_colder_than_the_air(below_c, expected):
    series = a_series([1, 2, 3], [60, 15 - below_c, 60], is_hand_read=True)
    assert objected(series, "near_ambient", air=a_series(hourly(0, 6), lambda _: 15.0)) == expected


@pytest.mark.parametrize(
    ("reading", "expected"),
    [
        (weather, True),
        (lambda d: weather(d) + 1.0, True),
        (lambda d: weather(d) + 4.0, True),
        (lambda d: weather(d) + 4.1, False),
        (lambda d: weather(d - 0.25), False),
        (life, False),
    ],
)
def test_a_logger_that_follows_the_air_for_a_day_was_pulled_out(reading, expected):
    assert bool(objected(a_series(hourly(2, 6), reading), "near_ambient", air=AIR)) == expected


def test_being_as_warm_as_the_air_is_not_following_it():
    air = a_series(hourly(0, 6), mild)
    assert objected(a_series(hourly(2, 6), lambda d: mild(d - 0.25)), "near_ambient", air=air) == []
    assert objected(a_series(hourly(2, 6), lambda _: 15.0), "near_ambient", air=air) == []
    follows = objected(a_series(hourly(2, 6), lambda d: mild(d - 0.02)), "near_ambient", air=air)
    assert follows == list(range(97))


def test_all_of_the_time_outside_is_flagged_and_nothing_of_the_time_in_the_pile():
    days = hourly(0, 6)
    series = a_series(days, lambda d: weather(d) + 0.5 if 2 <= d < 4 else life(d))
    assert objected(series, "near_ambient", air=AIR) == [i for i, d in enumerate(days) if 2 <= d < 4]


@pytest.mark.parametrize(
    ("series", "air"),
    [
        (a_series(hourly(2, 2.7), weather), AIR),
        (a_series(hourly(2, 6), weather), a_series(hourly(5.5, 6), weather)),
        (a_series(hourly(2, 6), weather), a_series([0, 6], [15, 15])),
        (a_series(hourly(2, 6), weather), a_series([3], [15])),
        (a_series(hourly(2, 6), weather), a_series([], [])),
        (a_series(hourly(2, 6, 12), weather), AIR),
        (a_series(hourly(2, 6), weather, is_hand_read=True), AIR),
    ],
)
def test_following_needs_a_day_of_both_to_compare(series, air):
    assert objected(series, "near_ambient", air=air) == []


def test_without_the_air_nothing_is_said_of_it():
    assert objected(a_series(hourly(2, 6), weather), "near_ambient") == []


def test_air_that_failed_its_own_checks_is_not_compared_with():
    days = hourly(0, 6)
    broken = a_series(days, lambda d: weather(d) + 80, flags=[4] * len(days))
    assert objected(a_series(hourly(2, 6), life), "near_ambient", air=broken) == []


def test_running_sums_give_the_correlation_of_numpy():
    """``numpy.corrcoef`` window by window, for a year of hourly readings with noise."""
    rng = np.random.default_rng(7)
    air_c = 12 - 8 * np.cos(np.arange(8760) / 1394) + rng.normal(0, 2, 8760)
    told_c = air_c + rng.normal(0, 1.5, 8760)
    first = np.arange(0, 8700, 37)
    last = first + rng.integers(12, 25, first.size)
    expected = [
        np.corrcoef(told_c[a : b + 1], air_c[a : b + 1])[0, 1] for a, b in zip(first, last, strict=True)
    ]
    assert near_air._correlation(told_c, air_c, first, last) == pytest.approx(expected, abs=1e-9)
