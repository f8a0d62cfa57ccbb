"""The slope against scipy.stats.theilslopes and numpy.polyfit, which we did not make."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from service.domain.piles import trend_c_per_day

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
NOW_US = 20_000 * DAY_US


def slope(hours_ago, temperature, turns_ago=()):
    at = np.array([NOW_US - round(h * HOUR_US) for h in hours_ago], dtype=np.int64)
    return trend_c_per_day(
        at,
        np.array(temperature, dtype=np.float64),
        now_us=NOW_US,
        turns_us=[NOW_US - round(h * HOUR_US) for h in turns_ago],
    )


irregular = st.lists(st.integers(0, 24 * 60), min_size=3, max_size=60, unique=True).filter(
    lambda minutes: max(minutes) - min(minutes) >= 120
)


@given(st.data(), irregular)
def test_it_is_the_slope_scipy_finds(data, minutes):
    hours = sorted((m / 60 for m in minutes), reverse=True)
    values = data.draw(st.lists(st.floats(-10, 90), min_size=len(hours), max_size=len(hours)))
    expected = theilslopes(values, -np.array(hours) / 24)[0]
    assert slope(hours, values) == pytest.approx(expected, rel=1e-9, abs=1e-6)


@given(irregular, st.floats(-200, 200), st.floats(-10, 80))
def test_on_a_line_it_is_the_slope_least_squares_finds(minutes, per_day, at_zero):
    hours = np.array(sorted((m / 60 for m in minutes), reverse=True))
    line = at_zero - per_day * hours / 24
    expected = np.polyfit(-hours / 24, line, 1)[0]
    assert slope(hours, line) == pytest.approx(expected, rel=1e-6, abs=1e-6)


def test_one_wild_reading_does_not_bend_it_where_least_squares_bends():
    hours = np.arange(24, -1, -1.0)
    values = 60 - 4 * hours / 24
    values[-2] = 20.0
    assert abs(np.polyfit(-hours / 24, values, 1)[0] - 4) > 2
    assert slope(hours, values) == pytest.approx(4, abs=0.5)


@pytest.mark.parametrize(
    ("hours", "values", "expected"),
    [
        ([], [], None),
        ([2], [60], None),
        ([4, 0], [60, 61], None),
        ([1.9, 1, 0], [60, 61, 62], None),
        ([2, 1, 0], [60, 61, 62], 24.0),
        ([30, 29, 28, 2, 0], [20, 20, 20, 60, 61], None),
        ([24, 12, 0], [60, 61, 62], 2.0),
        ([24.01, 12, 0], [0, 61, 62], None),
        ([3, 3, 0], [60, 60, 63], 24.0),
    ],
)
def test_it_needs_three_readings_of_the_last_day_over_two_hours(hours, values, expected):
    assert slope(hours, values) == (None if expected is None else pytest.approx(expected))


def test_a_turn_cuts_the_window():
    hours = np.arange(24, -1, -1.0)
    values = np.where(hours > 6, 65.0, 40.0 + 2.0 * (6 - hours))
    assert slope(hours, values) == pytest.approx(0)
    assert slope(hours, values, turns_ago=[6]) == pytest.approx(48)
    assert slope(hours, values, turns_ago=[6, 30]) == pytest.approx(48)
    assert slope(hours, values, turns_ago=[1.5]) is None


def test_a_turn_before_the_window_or_to_come_cuts_nothing():
    hours = np.arange(24, -1, -1.0)
    assert slope(hours, 60 - hours / 24, turns_ago=[25, -1]) == pytest.approx(1)


def test_a_series_denser_than_the_cap_is_thinned_without_changing_the_answer():
    hours = np.arange(24 * 60, -1, -1) / 60
    values = 60 - 3 * hours / 24 + 0.3 * np.sin(hours * 9)
    assert slope(hours, values) == pytest.approx(theilslopes(values, -hours / 24)[0], abs=0.2)


def test_readings_after_now_are_not_seen():
    assert slope([2, 1, 0, -1], [60, 61, 62, 90]) == pytest.approx(24)
