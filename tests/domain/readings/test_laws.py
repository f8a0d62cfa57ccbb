"""Laws of the flags. Each docstring names the deliberate fault under which the law was seen to fail."""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.quantities import Unit, temperature_in
from service.domain.readings import quality
from service.domain.readings.quality.flags import NEEDS_CONTEXT
from tests.domain.readings.making import BUILT_US, HOUR_US, a_series, objected

T = quality.Test

gaps_h = st.sampled_from([1.0, 1.0, 1.0, 0.25, 6.0, 24.0, 40.0, 80.0])
# 51.6, 52.0 and 45.0 lie on the limits of an hour's cooling, a spike and one that fails, seen from 60.0.
tenths = st.one_of(
    st.sampled_from([600, 600, 600, 300, 516, 520, 450, 200, 680, 413]), st.integers(-250, 940)
)
rows = st.lists(st.tuples(gaps_h, tenths, st.sampled_from([1, 1, 1, 1, 3, 4, 9])), min_size=1, max_size=40)
beside_a_reading = st.tuples(st.integers(0, 39), st.integers(-5, 5))
turnings = st.lists(beside_a_reading, max_size=3)


def built(found, *, unit=Unit.CEL, order=None, depth_cm=60.0, is_hand_read=None):
    at = BUILT_US + np.cumsum([round(gap * HOUR_US) for gap, _, _ in found]).astype(np.int64)
    value = np.array(
        [float(temperature_in(Fraction(tenth, 10), Unit.CEL, unit)) for _, tenth, _ in found], np.float64
    )
    flag = np.array([flag for *_, flag in found], np.int16)
    order = np.arange(len(found)) if order is None else np.array(order)
    return quality.ReadSeries(
        at[order],
        value[order],
        np.full(len(found), unit, np.int16),
        flag[order],
        is_hand_read=is_hand_read,
        depth_cm=depth_cm,
    )


def instants(turns, found):
    """Turns so many hours from the reading of that place."""
    at = built(found).observed_us
    return [int(at[place % at.size]) + hours * HOUR_US for place, hours in turns]


@given(rows, turnings, rows, st.randoms(use_true_random=False), st.booleans())
@settings(deadline=None)
def test_the_order_of_arrival_decides_nothing(found, turns, beside, random, is_hand_read):
    """Fails when ``track`` takes readings as they come (its ``ascending`` branch always)."""
    order = random.sample(range(len(found)), len(found))
    other_order = random.sample(range(len(beside)), len(beside))
    shuffled_turns = random.sample(turns, len(turns))
    sorted_flag = quality.assess(
        built(found, is_hand_read=is_hand_read),
        turns=instants(turns, found),
        neighbours=[built(beside)],
        air=built(beside),
    ).flag
    shuffled_flag = quality.assess(
        built(found, order=order, is_hand_read=is_hand_read),
        turns=instants(shuffled_turns, found),
        neighbours=[built(beside, order=other_order)],
        air=built(beside, order=other_order),
    ).flag
    assert shuffled_flag.tolist() == sorted_flag[order].tolist()


@given(rows, turnings, beside_a_reading, rows)
@settings(max_examples=200, deadline=None)
def test_a_turn_more_on_record_never_adds_an_objection(found, turns, added, beside):
    """Least of all a rate of change in its interval.

    Fails when ``rate_of_change`` tells with the turns what stands out: of 60, 30, 60 with a turn added the last is
    then blamed for its rise from the second.
    """
    series, beside = built(found), built(beside)
    fewer = quality.assess(series, turns=instants(turns, found), neighbours=[beside]).flag
    more = quality.assess(series, turns=instants([*turns, added], found), neighbours=[beside]).flag
    assert not (more & ~fewer & ~15).any()


@given(gaps_h, st.integers(-600, 600), st.floats(0, 1))
@settings(deadline=None)
def test_a_turn_in_an_interval_never_adds_a_rate_of_change_to_it(gap_h, rise, share):
    """Fails when ``rate_of_change`` takes ``turned`` the wrong way round, and when a turn allows less than none."""
    series = a_series([0, gap_h / 24], [60, 60 + rise / 10])
    without = objected(series, "rate_of_change")
    within = objected(series, "rate_of_change", turns=[int(BUILT_US + share * gap_h * HOUR_US)])
    assert set(within) <= set(without)


@given(rows, turnings, rows)
@settings(deadline=None)
def test_no_reading_is_removed_and_none_becomes_better(found, turns, beside):
    """Fails when ``combine`` lets the better primary flag win, and when failed readings are left out of the answer."""
    series = built(found)
    columns = [one.copy() for one in (series.observed_us, series.value, series.unit, series.flag)]
    flag = quality.assess(series, turns=instants(turns, found), neighbours=[built(beside)]).flag
    after = (series.observed_us, series.value, series.unit, series.flag)
    assert all(np.array_equal(one, two) for one, two in zip(columns, after, strict=True))
    assert flag.shape == series.flag.shape
    worse = {2: 0, 1: 1, 3: 2, 4: 3, 9: 4}
    assert all(worse[int(now) & 15] >= worse[int(then)] for now, then in zip(flag, series.flag, strict=True))
    assert all(quality.tests_of(now) or now & 15 == then for now, then in zip(flag, series.flag, strict=True))


@given(rows, turnings, st.sampled_from([Unit.DEG_F, Unit.KELVIN]), st.booleans())
@settings(max_examples=200, deadline=None)
def test_the_same_temperatures_in_another_unit_get_the_same_flags(found, turns, unit, is_hand_read):
    """All but the doubt of the unit itself, which is about the number that was sent.

    Fails when the tests compare ``value`` in place of ``celsius(value, unit)``.
    """

    def flags(as_unit):
        series = built(found, unit=as_unit, is_hand_read=is_hand_read)
        return quality.assess(series, turns=instants(turns, found), air=built(found)).flag

    in_cel, other = flags(Unit.CEL), flags(unit)
    doubt = int(T.UNIT_DOUBTFUL)
    assert (in_cel & ~15 & ~doubt).tolist() == (other & ~15 & ~doubt).tolist()
    same = ((in_cel | other) & doubt) == 0
    assert in_cel[same].tolist() == other[same].tolist()


@given(rows, turnings)
@settings(deadline=None)
def test_context_says_nothing_of_a_reading_that_has_failed_or_is_missing(found, turns):
    """Fails when ``track`` keeps failed readings: they are then spikes, and so are their neighbours."""
    series = built(found)
    flag = quality.assess(series, turns=instants(turns, found)).flag
    gone = (series.flag == 4) | (series.flag == 9)
    assert not (flag[gone] & int(NEEDS_CONTEXT)).any()
    kept = [row for row, out in zip(found, gone, strict=True) if not out]
    if kept:
        at = series.observed_us[~gone]
        alone = quality.ReadSeries(at, series.value[~gone], series.unit[~gone], series.flag[~gone])
        assert quality.assess(alone, turns=instants(turns, found)).flag.tolist() == flag[~gone].tolist()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"value": np.ones(3)}, "/observed_us: columns differ in length .*value 3"),
        ({"unit": np.array([1, 4], np.int16)}, "/unit: 4 is not a temperature unit; use one of 1, 2, 3"),
        ({"unit": np.array([1, -1], np.int16)}, "/unit: -1 is not a temperature unit"),
        (
            {"flag": np.array([1, 5], np.int16)},
            "/flag: 5 is not a QARTOD primary flag; use one of 1, 2, 3, 4, 9",
        ),
        ({"flag": np.array([1, 3 | 2048], np.int16)}, "/flag: already carries spike; give flags as stored"),
        ({"depth_cm": -1.0}, "/depth_cm: -1.0 is not"),
        ({"resolution_c": float("nan")}, "/resolution_c: nan is not"),
    ],
)
def test_a_series_that_cannot_be_is_refused(change, said):
    columns = {
        "observed_us": np.array([BUILT_US, BUILT_US + 1]),
        "value": np.array([60.0, 61.0]),
        "unit": np.array([1, 1], np.int16),
        "flag": np.array([1, 1], np.int16),
    }
    with pytest.raises(Invalid, match=said):
        quality.ReadSeries(**{**columns, **change})


def test_nothing_and_one_reading_are_series_too():
    assert quality.assess(a_series([], [])).flag.size == 0
    alone = a_series([0], [60], depth_cm=60)
    assert quality.assess(alone, neighbours=[a_series([], [])], air=a_series([], [])).flag.tolist() == [1]
    assert objected(alone, "neighbours", neighbours=[a_series([0], [20], depth_cm=60)]) == [0]
