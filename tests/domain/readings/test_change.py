"""Rate of change and spike: house rule figures, checked beside ioos_qc where readings are evenly spaced."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.quantities import QualityFlag
from service.domain.readings import quality
from service.domain.readings.quality.change import rate_of_change, spike
from tests.domain.readings.making import a_series, hourly, objected, us


def compared(days, values):
    series = a_series(days, values)
    return quality.track(series, series.flag)


def places(mask):
    return np.flatnonzero(mask).tolist()


STEPS = [1, 7.0, 7.2, -1, -8.3, -8.5, 2, -20, 0.5, 5, 25, 3, -7.2, -8.39, -8.41, 7.08, 7.09, 4]
UP_OF_IOOS_QC = [3, 5, 6, 8, 11, 13, 14, 15, 17]
DOWN_OF_IOOS_QC = [6, 8, 11, 15]


def test_hourly_rates_agree_with_ioos_qc():
    """``rate_of_change_test`` of ioos_qc 3.0.0 knows one rate for both ways, so it was run once with each of ours.

    Over an hour a pile heats by 6 + 26/24 = 7.083 Cel and cools by 6 + 8 x 0.3 = 8.4 Cel at most.
    """
    values = np.round(50 + np.cumsum([0, *STEPS]), 2)
    rises = np.diff(values, prepend=values[0]) > 0
    expected = [i for i in UP_OF_IOOS_QC if rises[i]] + [i for i in DOWN_OF_IOOS_QC if not rises[i]]
    assert sorted(expected) == [3, 6, 8, 11, 15, 17]
    found = compared(hourly(0, len(STEPS) / 24), values)
    assert places(rate_of_change(found, ())) == sorted(expected)


SPIKES = {4: 7.9, 8: 8.1, 12: -8.1, 16: 14.9, 20: 15.1, 24: -15.1, 28: -15.9}
OF_IOOS_QC = {8: 3, 12: 3, 16: 3, 20: 4, 24: 4, 28: 4}
"""Objections of ``spike_test(…, suspect_threshold=8, fail_threshold=15)`` of ioos_qc 3.0.0, run once."""


def test_hourly_spikes_agree_with_ioos_qc():
    values = np.full(34, 60.0)
    values[list(SPIKES)] += list(SPIKES.values())
    suspect, fails = spike(compared(hourly(0, 33 / 24), values), ())
    assert {**dict.fromkeys(places(suspect), 3), **dict.fromkeys(places(fails), 4)} == OF_IOOS_QC


def test_the_readings_beside_a_spike_are_not_blamed_for_it():
    """ioos_qc 3.0.0 flags three readings here (3, 4, 3); six tenths of the neighbours' gap leaves the one."""
    values = [60.0] * 4 + [80.0] + [60.0] * 4
    found = compared(hourly(0, 8 / 24), values)
    suspect, fails = spike(found, ())
    assert (places(suspect), places(fails)) == ([], [4])
    assert places(rate_of_change(found, ())) == [4]


@pytest.mark.parametrize(
    ("days", "step", "turn", "expected"),
    [
        # Up: 6 + 26 min(days, 1.5).
        (1, 31.9, None, []),
        (1, 32.1, None, [1]),
        (1, 32.1, 0.5, [1]),
        (1.5, 45.1, None, [1]),
        (2.9, 44.9, None, []),
        (2.9, 45.1, None, [1]),
        (3.1, 60.0, None, []),
        # Down without a turn: 6 + 8 max(days, 0.3).
        (0.1, -8.3, None, []),
        (0.1, -8.5, None, [1]),
        (1, -13.9, None, []),
        (1, -14.1, None, [1]),
        (2.9, -29.1, None, []),
        (2.9, -29.3, None, [1]),
        (3.1, -60.0, None, []),
        # Down with one: 30 Cel at once, 6 + 45 days when that is more.
        (0.1, -29.9, 0.05, []),
        (0.1, -30.1, 0.05, [1]),
        (0.6, -32.9, 0.3, []),
        (0.6, -33.1, 0.3, [1]),
        (0.6, -20.0, 3.0, [1]),
        (1, -50.9, 0.5, []),
        (1, -51.1, 0.5, [1]),
    ],
)
def test_how_far_a_pile_moves_between_two_readings(days, step, turn, expected):
    turns = () if turn is None else (us(turn),)
    base = 70.0 if step < 0 else 20.0
    assert places(rate_of_change(compared([0, days], [base, base + step]), turns)) == expected


def test_a_change_of_just_the_limit_is_within_it_for_every_tenth():
    """8.4 Cel an hour and a spike of 8 Cel, told in tenths: the binary difference may fall on either side."""
    for tenth in range(500, 800):
        falls = [tenth / 10, (tenth - 84) / 10]
        assert not rate_of_change(compared([0, 1 / 24], falls), ()).any(), falls
        dips = [tenth / 10, (tenth - 80) / 10, tenth / 10]
        assert not np.any(spike(compared(hourly(0, 2 / 24), dips), ())), dips


@pytest.mark.parametrize(("turn_h", "expected"), [(-3.1, [1]), (-2.9, []), (3.9, []), (4.1, [1])])
def test_a_turn_is_work_of_some_hours_around_the_time_it_was_recorded(turn_h, expected):
    found = compared([0, 1 / 24], [62.0, 45.0])
    assert places(rate_of_change(found, (us(turn_h / 24),))) == expected


@pytest.mark.parametrize(
    ("gap_h", "values", "turns", "suspect", "fails"),
    [
        # Daily: the pile may have been turned and not recorded, so the cold reading stays.
        (24, [62, 40, 55], (), [1], []),
        (24, [62, 40, 55], (0.5,), [], []),
        (24, [62, 40, 55], (1.5,), [], []),
        (24, [50, 90, 50], (), [], [1]),
        # Hourly nothing comes back from there.
        (1, [62, 40, 55], (), [], [1]),
        (1, [60, 50, 60], (), [1], []),
        # 8 + 0.6 gap: a pile on its way up or down is no spike.
        (6, [30, 45, 60], (), [], []),
        (6, [60, 55, 40], (), [], []),
        (6, [60, 44, 64], (), [], [1]),
        (6, [60, 41.9, 40], (), [], []),
        # A hole of 40 h: nothing is known of what lies between.
        (36, [62, 40, 60], (), [1], []),
        (40, [62, 40, 60], (), [], []),
        (40, [20, 140, 20], (), [], []),
    ],
)
def test_a_spike_is_what_a_pile_cannot_undo(gap_h, values, turns, suspect, fails):
    found = compared(hourly(0, 2 * gap_h / 24, gap_h), values)
    assert tuple(map(places, spike(found, tuple(us(t) for t in turns)))) == (suspect, fails)


def test_a_spike_needs_the_reading_after_it():
    series = a_series(hourly(0, 3 / 24), [60, 60, 60, 40])
    assert objected(series, "spike") == []
    assert objected(series, "rate_of_change") == [3]
    longer = a_series(hourly(0, 4 / 24), [60, 60, 60, 40, 60])
    assert objected(longer, "spike") == [3]
    assert objected(longer, "rate_of_change") == [3]


def test_what_has_failed_already_is_compared_with_nothing():
    broken = a_series(hourly(0, 4 / 24), [60, 60, 300, 60, 60], flags=[1, 1, 1, 1, 1])
    assert quality.assess(broken).objections == {"gross_range": 1}
    missing = a_series(hourly(0, 4 / 24), [60, 60, float("nan"), 20, 60], flags=[1, 1, 9, 9, 1])
    assert quality.assess(missing).objections == {}


def test_a_real_event_of_two_readings_is_believed():
    flag = quality.assess(a_series(hourly(0, 5 / 24), [60, 60, 42, 43, 60, 60])).flag
    assert [quality.tests_of(one) for one in flag] == [[], [], ["rate_of_change"], [], ["rate_of_change"], []]
    assert QualityFlag.FAIL not in quality.primary(flag).tolist()


@given(
    st.lists(st.integers(-200, 950), min_size=3, max_size=30),
    st.sampled_from([0.25, 1.0, 6.0, 24.0]),
)
@settings(deadline=None)
def test_two_in_a_row_on_the_same_side_are_never_spikes(tenths, step_h):
    """Fails when ``SPIKE_OF_GAP`` is less than a half (0.2: found [0, 112, 225], a plain ramp is then a spike)."""
    found = compared(hourly(0, (len(tenths) - 1) * step_h / 24, step_h), [t / 10 for t in tenths])
    suspect, fails = spike(found, ())
    off = suspect | fails
    told = found.temperature_c
    side = np.zeros(told.size)
    side[1:-1] = np.sign(told[1:-1] - (told[:-2] + told[2:]) / 2)
    assert not (off[:-1] & off[1:] & (side[:-1] == side[1:])).any()
