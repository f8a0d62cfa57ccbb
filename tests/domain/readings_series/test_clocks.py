"""Clocks of gateways: medians against scipy, and the ways a lag comes about; the figures are the house's."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import median_abs_deviation, quantile

from service.domain.readings.clocks import (
    FEWEST_PACKS,
    LATEST_PACKS,
    TOLERANCE_S,
    clock_of,
    is_skew_suspect,
)

ALIKE = [3600.0 + delay for delay in (2, 1, 4, 1, 9, 2, 3, 1)]
GOOD = [1.0, 2, 1, 3, 1, 8, 1, 2]
AHEAD = [-900.0 + delay for delay in (2, 1, 4, 1, 9)]


def draining(hours, every_s, packs):
    """Lags of packs that waited for a network and came at once, oldest first."""
    return [hours * 3600 - every_s * number for number in range(packs)]


lags = st.floats(-1e6, 1e6)


@given(st.lists(lags, min_size=1, max_size=40))
def test_offset_and_spread_are_what_scipy_finds(some):
    clock = clock_of(some)
    assert clock.packs == min(len(some), LATEST_PACKS)
    assert clock.offset_s == pytest.approx(float(quantile(some[-LATEST_PACKS:], 0.5)))
    assert clock.spread_s == pytest.approx(float(median_abs_deviation(some[-LATEST_PACKS:])))


@pytest.mark.parametrize(
    ("some", "state"),
    [
        ([], "unknown"),
        (GOOD, "good"),
        (GOOD[:4], "unknown"),
        ([TOLERANCE_S] * 5, "good"),
        ([-TOLERANCE_S] * 5, "good"),
        (ALIKE, "suspect"),
        (ALIKE[:4], "unknown"),
        (AHEAD, "suspect"),
        (AHEAD[:1], "suspect"),
        (draining(40, 900, 12), "unknown"),
        (draining(40, 60, 15), "unknown"),
        ([*ALIKE, *GOOD, *GOOD], "good"),
        ([*GOOD, *GOOD, *ALIKE], "suspect"),
    ],
)
def test_what_the_latest_packs_say_of_a_clock(some, state):
    assert clock_of(some).state == state


@pytest.mark.parametrize(
    ("lag_s", "recent", "suspect"),
    [
        (None, ALIKE, False),
        (TOLERANCE_S, ALIKE, False),
        (-TOLERANCE_S, ALIKE, False),
        (-TOLERANCE_S - 0.001, GOOD, True),
        (-7200, [], True),
        (TOLERANCE_S + 0.001, [], True),
        (3600, [3601, 3602], True),
        (3600, [3601, 2], False),
        (144_000, GOOD, False),
        (144_000, [*GOOD, *draining(40, 60, 15)], False),
        (144_000, draining(41, 900, 15), False),
        (3600, ALIKE, True),
        (9000, ALIKE, True),
        (3600, [*GOOD, *GOOD, *ALIKE], True),
        (3600, [*GOOD, *GOOD, *ALIKE[:7]], False),
        (500, AHEAD, True),
    ],
)
def test_a_pack_that_comes_late_is_not_a_clock_that_is_wrong(lag_s, recent, suspect):
    assert is_skew_suspect(lag_s, recent) is suspect


def never_before_it_was_sent(judge, recent, lag_s):
    assert judge(lag_s, recent) is True


def in_time_is_never_doubted(judge, recent, lag_s):
    assert judge(lag_s, recent) is False


def one_late_pack_after_good_ones_is_transport(judge, recent, lag_s):
    assert judge(lag_s, recent) is False


@given(st.lists(lags, max_size=20), st.floats(-1e9, -TOLERANCE_S, exclude_max=True))
def test_nothing_arrives_before_it_was_sent(recent, lag_s):
    never_before_it_was_sent(is_skew_suspect, recent, lag_s)


@given(st.lists(lags, max_size=20), st.floats(-TOLERANCE_S, TOLERANCE_S))
def test_a_pack_in_time_is_never_doubted(recent, lag_s):
    in_time_is_never_doubted(is_skew_suspect, recent, lag_s)


@given(st.lists(st.floats(0, TOLERANCE_S), min_size=FEWEST_PACKS), st.floats(TOLERANCE_S, 1e9))
def test_after_packs_in_time_a_late_one_was_held_up(recent, lag_s):
    one_late_pack_after_good_ones_is_transport(is_skew_suspect, recent, lag_s)


def by_size(lag_s, _recent):
    """Broken: every large lag is the clock's, so a backlog after an outage is doubted whole."""
    return abs(lag_s) > TOLERANCE_S


def by_median(_lag_s, recent):
    """Broken: looks at the packs before it alone, so a clock set forward just now is missed."""
    return clock_of(recent).state == "suspect"


@pytest.mark.parametrize(
    ("law", "broken", "recent", "lag_s"),
    [
        (never_before_it_was_sent, by_median, GOOD, -7200),
        (in_time_is_never_doubted, by_median, ALIKE, 3),
        (one_late_pack_after_good_ones_is_transport, by_size, GOOD, 144_000),
    ],
)
def test_each_law_catches_a_broken_one(law, broken, recent, lag_s):
    law(is_skew_suspect, recent, lag_s)
    with pytest.raises(AssertionError):
        law(broken, recent, lag_s)
