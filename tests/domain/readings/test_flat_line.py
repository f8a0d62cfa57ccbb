"""A stuck sensor or a copied number: house rule figures, checked beside ioos_qc where readings are evenly spaced."""

import numpy as np
import pytest

from service.domain.quantities import Unit
from service.domain.readings import quality
from service.domain.readings.quality.stillness import flat_after_days
from tests.domain.readings.making import a_series, hourly, objected

FINE = [55.3, 57.1, 58.4, 59.2]
DAYS = [-4.0, -3.0, -2.0, -1.0]
"""Four readings before, told to the tenth: a thermometer that could have told another tenth."""


def a_life_with_pauses():
    """Hourly: moving, still for 48, 49 and twice 60 readings (by 0.14 and by 0.16 Cel), moving between."""
    told: list[float] = []

    def moving(count):
        told.extend(60 + (i % 7) * 0.5 for i in range(count))

    def still(count, by=0.0):
        told.extend(61.03 + (by if i % 2 else 0) for i in range(count))

    moving(30), still(48), moving(20), still(49), moving(20)
    still(60, 0.14), moving(20), still(60, 0.16), moving(10)
    return told


ENDS_OF_IOOS_QC = [146, *range(215, 227)]
"""Suspects of ``flat_line_test(…, suspect_threshold=172800, tolerance=0.15)`` of ioos_qc 3.0.0, run once."""


def test_hourly_stillness_agrees_with_ioos_qc():
    """The library flags the last reading of each still window of two days; we flag the window: 48 h before it too."""
    expected = sorted({i for end in ENDS_OF_IOOS_QC for i in range(end - 48, end + 1)})
    told = a_life_with_pauses()
    assert objected(a_series(hourly(0, (len(told) - 1) / 24), told), "flat_line") == expected


@pytest.mark.parametrize(
    ("days", "values", "expected"),
    [
        (hourly(2, 4), lambda _: 61.0, True),
        (hourly(2, 4), lambda d: 61.0 + 0.15 * (d - 2) / 2, True),
        (hourly(2, 4), lambda d: 61.0 + 0.17 * (d - 2) / 2, False),
        (hourly(2.1, 4), lambda _: 61.0, False),
        (hourly(0, 4), lambda d: 61.0 if d > 1.9 else 20 + 20 * d, True),
        (hourly(0, 4), lambda d: 61.0 if d > 2.1 else 20 + 20 * d, False),
    ],
)
def test_a_stuck_logger(days, values, expected):
    assert bool(objected(a_series(days, values), "flat_line")) == expected


@pytest.mark.parametrize(("still_days", "expected"), [(3.9, False), (4.1, True)])
def test_a_logger_that_tells_whole_degrees_must_stand_still_for_four_days(still_days, expected):
    days = hourly(0, 6)
    whole = a_series(days, lambda d: 61.0 if d > 6 - still_days else round(20 + 20 * min(d, 1.9)))
    assert bool(objected(whole, "flat_line")) == expected


def test_a_hole_in_the_record_is_not_stillness():
    days = [*hourly(0, 0.4), *hourly(2.1, 2.4)]
    assert objected(a_series(days, lambda _: 61.03, is_hand_read=False), "flat_line") == []


@pytest.mark.parametrize(
    ("days", "values", "expected"),
    [
        # Whole degrees: four or five equal ones are ordinary, six over four days are not.
        ([0, 1, 2, 3], [61] * 4, []),
        ([0, 1, 2, 3, 4], [61] * 5, []),
        ([0, 1, 2, 3, 4, 5], [61] * 6, [0, 1, 2, 3, 4, 5]),
        ([0, 0.6, 1.2, 1.8, 2.4, 3.0], [61] * 6, []),
        ([0, 0.8, 1.6, 2.4, 3.2, 4.0], [61] * 6, [0, 1, 2, 3, 4, 5]),
        ([0, 1, 2, 3, 4, 5, 6], [61] * 5 + [62, 61], []),
        # Monday, Wednesday, Friday: two weeks of one number.
        ([0, 2, 4, 7, 9], [58] * 5, []),
        ([0, 2, 4, 7, 9, 11], [58] * 6, [0, 1, 2, 3, 4, 5]),
        # Nobody read for five days.
        ([0, 1, 2, 7, 8, 9], [61] * 6, []),
        # A thermometer that tells tenths: four equal ones over a day and a half.
        ([*DAYS, 0, 0.5, 1, 1.5], [*FINE, 61.0, 61.0, 61.0, 61.0], [4, 5, 6, 7]),
        ([*DAYS, 0, 0.5, 1, 1.4], [*FINE, 61.0, 61.0, 61.0, 61.0], []),
        ([*DAYS, 0, 1, 2], [*FINE, 61.0, 61.0, 61.0], []),
        ([*DAYS, 0, 1, 2, 3], [*FINE, 61.0, 61.0, 61.0, 61.1], []),
    ],
)
def test_numbers_copied_from_the_line_above(days, values, expected):
    assert objected(a_series(days, values), "flat_line") == expected


@pytest.mark.parametrize(
    ("values", "unit", "resolution_c"),
    [
        ([60, 61, 63], Unit.CEL, 1.0),
        ([140, 142, 147], Unit.DEG_F, 5 / 9),
        ([60.5, 61, 63], Unit.CEL, 0.5),
        ([60.1, 61, 63], Unit.CEL, 0.0),
        # The scale is the instrument's, whatever unit its numbers were sent in.
        ([140.0, 141.8, 145.4], Unit.DEG_F, 1.0),
        ([60.0, 61.111111, 63.888889], Unit.CEL, 5 / 9),
        ([333.15, 334.15, 336.15], Unit.KELVIN, 1.0),
    ],
)
def test_the_step_of_a_scale_is_learned_from_its_numbers(values, unit, resolution_c):
    series = a_series([0, 1, 2], values, unit=unit)
    found = quality.track(series, series.flag)
    assert found.resolution_c == resolution_c
    assert flat_after_days(found) == pytest.approx(max(1.5, 4 * resolution_c))


def test_a_step_that_was_told_beats_the_one_learned():
    days, values = [0, 1, 2, 3, 4, 5], [60] * 6
    assert objected(a_series(days, values, resolution_c=2.0), "flat_line") == []
    assert objected(a_series(days[:4], values[:4], resolution_c=0.1), "flat_line") == [0, 1, 2, 3]


def test_a_logger_stuck_from_its_first_day_teaches_no_scale():
    stuck = a_series(hourly(0, 2.1), lambda _: 85.0, flags=None)
    assert np.array_equal(objected(stuck, "flat_line"), range(51))
