"""Silence by promise and by rhythm: medians against scipy; the allowances are common practice, no source."""

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import quantile

from service.domain.readings.silence import (
    SHORTEST_S,
    Cadence,
    Expectation,
    cadence,
    expected_within_s,
    silence_of,
)

MONDAY = datetime(2026, 5, 4, tzinfo=UTC)
H = 3600.0


def after(hours):
    return MONDAY + timedelta(hours=float(hours))


def every(step_h, until_h, since_h=0.0):
    return [after(hour) for hour in np.arange(since_h, until_h, step_h)]


def visits(weekdays, weeks, *, at_h=8.0, stray_h=0.0, left_out=(), twice=False):
    """Readings of a crew on some weekdays, each up to so many hours late; deterministic."""
    chance = np.random.default_rng(7)
    hours = [
        24 * (7 * week + weekday) + at_h + stray_h * chance.random()
        for week in range(weeks)
        for weekday in weekdays
        if (week, weekday) not in left_out
    ]
    return [after(hour + more) for hour in hours for more in ([0, 1 / 6] if twice else [0])]


MON_WED_FRI = (0, 2, 4)
WEEKDAYS = (0, 1, 2, 3, 4)


def limit_h(arrivals, promised_s=None):
    seconds = expected_within_s(arrivals, promised_s).seconds
    return None if seconds is None else seconds / H


def alarms(arrivals, *, learned_from, judge=expected_within_s, fallback_h=36.0):
    """Hours at which a silence was called, asked every hour from some arrival on to the last."""
    called = []
    for last, following in pairwise(arrivals[learned_from:]):
        seconds = judge([one for one in arrivals if one <= last], None).seconds
        held = Expectation(fallback_h * H if seconds is None else seconds, "cadence")
        hours = int((following - last).total_seconds() // H)
        called += [
            last + timedelta(hours=hour)
            for hour in range(1, hours + 1)
            if silence_of(last, held, last + timedelta(hours=hour), online=None).state == "silent"
        ]
    return called


@pytest.mark.parametrize(
    ("promised_s", "expected"),
    [(3600, 7200), (900, 1800), (60, SHORTEST_S), (86_400, 172_800)],
)
def test_a_promise_may_be_missed_once_and_counts_before_what_was_learned(promised_s, expected):
    """Update time ``ut`` of RFC 8428, section 4.2 (from memory): the longest time to the next reading."""
    assert expected_within_s(every(0.25, 48), promised_s) == Expectation(expected, "promise")


@pytest.mark.parametrize("promised_s", [None, 0, -5, float("nan")])
def test_no_promise_leaves_what_was_learned_or_nothing(promised_s):
    assert expected_within_s(every(1, 48), promised_s) == Expectation(3 * H, "cadence")
    assert expected_within_s([], promised_s) == Expectation(None, "unknown")


@pytest.mark.parametrize(
    ("arrivals", "expected_h"),
    [
        (every(0.05, 24), 0.25),
        (every(0.25, 24), 0.75),
        (every(4, 72), 12),
        (every(6, 72), 18),
        (every(7, 72), 19),
        (every(24, 120), 36),
        (every(48, 240), 84),
        (every(168, 168 * 5), 324),
        (visits(MON_WED_FRI, 1), 84),
        (visits(MON_WED_FRI, 4, stray_h=1e-9), 84),
        (visits(MON_WED_FRI, 4, twice=True), 84),
        (visits(WEEKDAYS, 1), 36),
        (visits(WEEKDAYS, 2), 84),
        (visits(MON_WED_FRI, 1)[:2], None),
        (every(1 / 60, 0.9), None),
        ([MONDAY] * 9, None),
    ],
)
def test_the_rhythm_decides(arrivals, expected_h):
    assert limit_h(arrivals) == (None if expected_h is None else pytest.approx(expected_h, rel=0.01))


@pytest.mark.parametrize("stray_h", [0.0, 4.0])
@pytest.mark.parametrize("weekdays", [MON_WED_FRI, (1, 3, 5), (0, 3)])
def test_a_crew_that_reads_on_some_weekdays_is_not_missed_at_weekends(weekdays, stray_h):
    """From the third visit on, so the first weekend is already quiet; today's 36 h calls every one."""
    eight_weeks = visits(weekdays, 8, stray_h=stray_h)
    assert alarms(eight_weeks, learned_from=2) == []
    called = alarms(eight_weeks, learned_from=2, judge=lambda *_: Expectation(36 * H, "cadence"))
    assert len({moment.isocalendar().week for moment in called}) >= 7


def test_a_crew_without_weekends_is_called_on_the_first_and_no_other():
    called = alarms(visits(WEEKDAYS, 8, stray_h=2), learned_from=2)
    assert after(24 * 5) < min(called)
    assert max(called) < after(24 * 7 + 11)


def test_a_visit_left_out_is_called():
    missed_monday = visits(MON_WED_FRI, 4, left_out={(3, 0)})
    called = alarms(missed_monday, learned_from=8)
    assert called[0] == after(24 * 21 + 8 + 13)
    missed_friday = visits(MON_WED_FRI, 4, left_out={(2, 4)})
    assert alarms(missed_friday, learned_from=7)[0] == after(24 * (14 + 2) + 8 + 85)


def test_a_backlog_sent_at_once_teaches_no_rhythm_of_seconds():
    ordinary = every(0.25, 30)
    backlog = [after(70) + timedelta(seconds=number) for number in range(160)]
    resumed = every(0.25, 71, since_h=70.25)
    assert limit_h([*ordinary, *backlog, *resumed]) == pytest.approx(0.75)


def test_an_outage_and_a_holiday_teach_nothing():
    outages = [*every(0.25, 100), *every(0.25, 300, since_h=140), *every(0.25, 700, since_h=340)]
    assert limit_h(outages) == pytest.approx(0.75)
    just_back = [*every(0.25, 100), *every(0.25, 320, since_h=313)]
    assert limit_h(just_back) == pytest.approx(0.75)
    holiday = visits(MON_WED_FRI, 4, left_out={(3, 0), (3, 2)})
    assert limit_h(holiday) == 84


def test_a_machine_switched_off_by_night_is_expected_in_the_morning_after_three_weeks():
    days = [after(24 * day + hour) for day in range(22) for hour in np.arange(8, 18, 0.25)]
    assert limit_h(days[: 40 * 20]) == pytest.approx(0.75)
    assert limit_h(days) == pytest.approx(14.25 + 14.25 / 2)
    without_nights_of_late = [*days, *every(0.25, 22 * 24 + 24 * 8, since_h=22 * 24)]
    assert limit_h(without_nights_of_late) == pytest.approx(0.75)


def test_a_new_rhythm_is_learned():
    slowed = [*every(0.05, 24), *every(5, 600, since_h=30)]
    assert cadence(slowed).typical_s == 5 * H
    for days, expected_h in [(4, 3), (7, 36)]:
        by_hand = [*every(1, 400), *every(24, 400 + 24 * days, since_h=400)]
        assert limit_h(by_hand) == expected_h


@pytest.mark.parametrize(
    ("hours", "online", "state", "overdue_s"),
    [
        (3, None, "heard", 0),
        (3.5, None, "silent", 1800),
        (3.5, True, "silent", 1800),
        (1, False, "offline", 0),
        (5, False, "offline", 7200),
        (-1, None, "heard", 0),
    ],
)
def test_what_is_said_of_something_heard(hours, online, state, overdue_s):
    found = silence_of(MONDAY, Expectation(3 * H, "cadence"), after(hours), online=online)
    assert (found.state, found.since, found.overdue_s) == (state, MONDAY, overdue_s)


def test_what_was_never_heard_and_what_nothing_is_known_of():
    limit = Expectation(3 * H, "promise")
    assert silence_of(None, limit, MONDAY, online=None).state == "never_heard"
    assert silence_of(None, limit, MONDAY, online=False).state == "offline"
    unknown = silence_of(MONDAY, Expectation(None, "unknown"), after(9000), online=None)
    assert (unknown.state, unknown.overdue_s) == ("heard", 0)


instants = st.lists(st.integers(0, 20 * 86_400), min_size=3, max_size=60, unique=True).filter(
    lambda seconds: max(seconds) - min(seconds) >= H
)


@given(instants)
def test_the_usual_time_is_the_weighted_median_scipy_finds(seconds):
    at = np.sort(seconds)
    recent = at[at >= at[-1] - 7 * 86_400]
    gaps = np.diff(recent if recent.size > 2 else at[-3:])
    expected = quantile(gaps, 0.5, method="inverted_cdf", weights=np.minimum(gaps, 21_600))
    assert cadence(np.array(seconds, np.int64) * 1_000_000).typical_s == float(expected)


def order_of_arrival_is_irrelevant(learn, seconds, rearranged):
    first, second = (learn([MONDAY + timedelta(seconds=s) for s in some]) for some in (seconds, rearranged))
    assert first == second


@given(instants, st.randoms())
def test_order_of_arrival_changes_nothing(seconds, chance):
    order_of_arrival_is_irrelevant(cadence, seconds, chance.sample(seconds, len(seconds)))


@given(instants)
def test_instants_and_microseconds_say_the_same(seconds):
    at_us = np.array([(MONDAY.timestamp() + s) * 1_000_000 for s in seconds], np.int64)
    assert cadence(at_us) == cadence([MONDAY + timedelta(seconds=s) for s in seconds])


def as_they_came(arrivals):
    """Broken: takes the times between arrivals in the order of the list."""
    gaps = [(b - a).total_seconds() for a, b in pairwise(arrivals)]
    return Cadence(float(np.median(gaps)), None)


def plain_median(arrivals):
    """Broken: every time between arrivals has one voice, so a backlog of seconds outvotes a week."""
    return as_they_came(sorted(arrivals)).typical_s


def test_each_law_catches_a_broken_one():
    seconds = [0, 900, 1800, 9000]
    order_of_arrival_is_irrelevant(cadence, seconds, [9000, 0, 1800, 900])
    with pytest.raises(AssertionError):
        order_of_arrival_is_irrelevant(as_they_came, seconds, [9000, 0, 1800, 900])
    backlog = [*every(0.25, 30), *(after(70) + timedelta(seconds=number) for number in range(160))]
    assert plain_median(backlog) == 1
    assert cadence(backlog).typical_s > 800
