"""A number under the wrong unit; figures are common practice, no source, conversions exact."""

import numpy as np
import pytest

from service.domain.quantities import Unit
from service.domain.readings import quality
from tests.domain.readings.making import a_series, hourly, objected, us

C, F = Unit.CEL, Unit.DEG_F


@pytest.mark.parametrize(
    ("days", "values", "unit", "turns", "expected"),
    [
        # 20 Cel is 68 degF: the number of a hot pile, but no pile gets there in an hour.
        (hourly(0, 4 / 24), [20, 20.5, 68.9, 69, 21], C, (), [2, 3]),
        (hourly(0, 4 / 24), [20, 20.5, 68.9, 69, 70], C, (), [2, 3, 4]),
        # A probe that goes back into a turned pile jumps as far.
        (hourly(0, 4 / 24), [20, 20.5, 68.9, 69, 70], C, (2 / 24,), []),
        # The jump must be one that the unit explains: 40 Cel is 104 degF.
        (hourly(0, 2 / 24), [40, 104 - 20, 40], C, (), []),
        (hourly(0, 2 / 24), [40, 94, 40], C, (), [1]),
        # A fresh pile read daily, or on Monday and Wednesday, heats by 35 or 44 Cel on its own.
        ([0, 1], [19, 54], C, (), []),
        ([0, 1], [19, 66.2], C, (), [1]),
        ([0, 2], [22, 66], C, (), []),
        ([0, 2], [22, 71.6], C, (), [1]),
        ([0, 3.1], [22, 71.6], C, (), []),
        # The other way: 61 read in Cel and sent as degF is told as 16 Cel.
        (hourly(0, 3 / 24), [142, 141.5, 61, 142], F, (), [2]),
        (hourly(0, 3 / 24), [142, 141.5, 40, 142], F, (), []),
        (hourly(0, 3 / 24), [75, 75, 61, 75], F, (), []),
        (hourly(0, 3 / 24), [142, 141.5, 131, 142], F, (), []),
        (hourly(0, 3 / 24), [334.15, 334, 300, 334], Unit.KELVIN, (), []),
    ],
)
def test_a_jump_that_the_other_unit_explains(days, values, unit, turns, expected):
    found = objected(a_series(days, values, unit=unit), "unit_doubtful", turns=[us(t) for t in turns])
    assert found == expected


@pytest.mark.parametrize(
    ("value", "unit", "told_c"),
    [
        (158.0, F, 70.0),
        (131.0, F, 55.0),
        (343.15, Unit.KELVIN, 70.0),
        (328.15, Unit.KELVIN, 55.0),
        (61.3, C, 61.3),
    ],
)
def test_a_temperature_is_told_in_celsius_without_binary_dust(value, unit, told_c):
    assert quality.celsius(np.array([value]), np.array([unit], np.int16)).tolist() == [told_c]


def test_the_doubt_ends_after_three_days_or_when_the_other_unit_no_longer_fits():
    days = hourly(0, 5)
    series = a_series(days, lambda d: 20 + 0.1 * d if d < 1 else 69 + 0.2 * d)
    assert objected(series, "unit_doubtful") == [i for i, d in enumerate(days) if 1 <= d <= 4]
    heats = a_series(days, lambda d: 5 + 0.1 * d if d < 1 else 41 + 15 * (d - 1))
    (first, *_, last) = objected(heats, "unit_doubtful")
    assert (days[first], days[last]) == (1.0, pytest.approx(2.75, abs=0.05))


def test_a_jump_is_a_question_and_only_a_plain_number_fails():
    jump = quality.assess(a_series(hourly(0, 3 / 24), [20, 20, 68, 68])).flag
    assert (jump & 15).tolist() == [1, 1, 3, 3]
    assert quality.counts_as_evidence(jump).all()
    plain = quality.assess(a_series(hourly(0, 3 / 24), [55, 55, 131, 55])).flag
    assert (plain & 15).tolist() == [1, 1, 4, 1]
    assert quality.tests_of(plain[2]) == ["gross_range", "unit_doubtful"]


def test_rows_from_before_the_bits_gain_their_names():
    old = quality.assess(a_series([0, 1], [131, 85], flags=[4, 3])).flag
    assert [quality.tests_of(one) for one in old] == [["gross_range", "unit_doubtful"], ["gross_range"]]


@pytest.mark.parametrize(
    ("value", "unit", "told_c", "before_c", "days", "expected"),
    [
        (131.0, C, 131.0, None, 0.0, 55.0),
        (119.0, C, 119.0, None, 0.0, None),
        (61.0, F, 16.11, None, 0.0, None),
        (140.0, C, 140.0, 60.0, 0.04, 60.0),
        # A real rise towards a fire is not argued away.
        (130.0, C, 130.0, 110.0, 0.04, None),
        (110.0, C, 110.0, 92.0, 0.04, None),
        # An old reading is no comparison; then the number must be plain.
        (140.0, C, 140.0, 60.0, 4.0, 60.0),
        (100.0, C, 100.0, 40.0, 4.0, None),
        (61.0, F, 16.11, 61.0, 0.04, 61.0),
        (40.0, F, 4.44, 61.0, 0.04, None),
    ],
)
def test_the_latest_reading_in_its_other_unit(value, unit, told_c, before_c, days, expected):
    other = quality.mistaken_unit_c(value, unit, told_c=told_c, before_c=before_c, days=days)
    assert other == (None if expected is None else pytest.approx(expected, abs=0.01))
