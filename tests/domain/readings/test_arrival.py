"""What one reading says of itself: range, unit, clock. Figures are common practice or house figures, no source."""

import itertools
from datetime import UTC, datetime, timedelta
from fractions import Fraction

import numpy as np
import pytest

from service.domain.errors import Invalid
from service.domain.quantities import UNITS_OF, Quantity, Unit, temperature_in
from service.domain.readings import quality
from tests.domain.readings.making import BUILT, received

T = quality.Test
RANGE, UNIT_TOO = 4 | T.GROSS_RANGE, 4 | T.GROSS_RANGE | T.UNIT_DOUBTFUL


def on_arrival(value, quantity=Quantity.TEMPERATURE, unit=Unit.CEL, *, ahead_s=0.0, skew=False):
    value = np.atleast_1d(np.array(value, np.float64))
    return quality.flag_on_arrival(
        np.full(value.shape, quantity, np.int16),
        np.full(value.shape, unit, np.int16),
        value,
        np.full(value.shape, BUILT.timestamp() + ahead_s),
        received_at=BUILT,
        skew_suspect=skew,
    ).tolist()


VALUES = [-40, -30.1, -30, 0, 55, 80, 80.1, 95, 95.1, 119.9, 120, 170, 170.1, float("nan")]
OF_IOOS_QC = [4, 4, 1, 1, 1, 1, 3, 3, 4, 4, 4, 4, 4, 9]
"""``gross_range_test(VALUES, fail_span=(-30, 95), suspect_span=(-30, 80))`` of ioos_qc 3.0.0, run once."""


def test_the_gross_range_agrees_with_ioos_qc():
    flags = on_arrival(VALUES)
    assert quality.primary(np.array(flags)).tolist() == OF_IOOS_QC
    for value, flag in zip(VALUES, flags, strict=True):
        assert ("gross_range" in quality.tests_of(flag)) == (flag & 15 in {3, 4})
        assert ("unit_doubtful" in quality.tests_of(flag)) == (120 <= value <= 170)


@pytest.mark.parametrize("unit", UNITS_OF[Quantity.TEMPERATURE])
def test_a_bound_falls_the_same_way_in_every_unit(unit):
    for celsius, primary in zip(VALUES[:-1], OF_IOOS_QC[:-1], strict=True):
        value = float(temperature_in(Fraction(str(celsius)), Unit.CEL, unit))
        assert on_arrival(value, unit=unit)[0] & 15 == primary, (celsius, value)


def test_only_a_number_sent_as_celsius_is_plainly_fahrenheit():
    assert on_arrival([119.9, 120, 131, 170, 170.1]) == [RANGE, UNIT_TOO, UNIT_TOO, UNIT_TOO, RANGE]
    assert on_arrival([131, 150], unit=Unit.DEG_F) == [1, 1]
    assert on_arrival(267.8, unit=Unit.DEG_F) == [RANGE]
    assert on_arrival([131, 330], unit=Unit.KELVIN) == [RANGE, 1]


@pytest.mark.parametrize(
    ("quantity", "unit", "values", "expected"),
    [
        (Quantity.MOISTURE, Unit.PCT, [-0.1, 0, 55, 100, 100.1], [RANGE, 1, 1, 1, RANGE]),
        (Quantity.OXYGEN, Unit.PCT, [-0.1, 20.9, 101], [RANGE, 1, RANGE]),
        (Quantity.CARBON_DIOXIDE, Unit.PCT, [-1, 5], [RANGE, 1]),
        (Quantity.BATTERY, Unit.PCT, [-1, 300], [2, 2]),
        (Quantity.BATTERY, Unit.VOLT, [3.3, float("inf")], [2, 2]),
        (Quantity.AMBIENT_TEMPERATURE, Unit.CEL, [150], [2]),
        (Quantity.PH, Unit.PH, [float("nan")], [9]),
        (Quantity.TEMPERATURE, Unit.CEL, [float("inf"), float("-inf")], [RANGE, RANGE]),
    ],
)
def test_each_quantity_has_its_own_range_or_none(quantity, unit, values, expected):
    assert on_arrival(values, quantity, unit) == expected


def test_a_mixed_bag_is_flagged_as_its_readings_alone():
    rows = [
        (quantity, unit, value)
        for quantity in Quantity
        for unit, value in itertools.product(sorted(UNITS_OF[quantity]), (-50.0, 40.0, 90.0, 131.0, 400.0))
    ]
    quantity, unit, value = (np.array(column) for column in zip(*rows, strict=True))
    flags = quality.flag_by_value(quantity.astype(np.int16), unit.astype(np.int16), value)
    assert flags.tolist() == [on_arrival(v, q, u)[0] for q, u, v in rows]
    assert len(set(flags.tolist())) >= 4


def test_no_reading_no_flag():
    nothing = np.zeros(0)
    codes = nothing.astype(np.int16)
    assert quality.flag_on_arrival(codes, codes, nothing, nothing, received_at=BUILT).size == 0


@pytest.mark.parametrize(
    ("ahead_s", "names"),
    [
        (0, []),
        (-86400, []),
        (300, []),
        (300.001, ["clock_future"]),
        (590, ["clock_future"]),
        (datetime(2020, 1, 1, tzinfo=UTC).timestamp() - BUILT.timestamp(), []),
        (datetime(2020, 1, 1, tzinfo=UTC).timestamp() - BUILT.timestamp() - 0.001, ["clock_unset"]),
        (-BUILT.timestamp(), ["clock_unset"]),
    ],
)
def test_a_clock_that_is_not_set_or_runs_fast_makes_a_reading_suspect(ahead_s, names):
    (flag,) = on_arrival(60, ahead_s=ahead_s)
    assert quality.tests_of(flag) == names
    assert flag & 15 == (3 if names else 1)


def test_a_skewed_clock_is_the_senders_to_know():
    assert on_arrival([60, 61], skew=True) == [3 | T.CLOCK_SKEW] * 2
    assert on_arrival([60, 61], skew=np.array([False, True])) == [1, 3 | T.CLOCK_SKEW]
    assert on_arrival([60, 131], skew=True) == [3 | T.CLOCK_SKEW, UNIT_TOO | T.CLOCK_SKEW]
    assert on_arrival(3.3, Quantity.BATTERY, Unit.VOLT, skew=True) == [3 | T.CLOCK_SKEW]


def test_one_bad_clock_in_a_bag_leaves_the_others_alone():
    seconds = BUILT.timestamp() + np.array([-60.0, 301.0, -2e9 / 2, -120.0])
    one = np.ones(4, np.int16)
    flags = quality.flag_on_arrival(one, one, np.full(4, 60.0), seconds, received_at=received())
    assert [quality.tests_of(flag) for flag in flags] == [[], ["clock_future"], ["clock_unset"], []]


def test_a_receipt_without_an_offset_is_refused():
    one = np.ones(1, np.int16)
    with pytest.raises(Invalid, match="/received_at: 2026-05-04T09:00:00 has no offset"):
        quality.flag_on_arrival(
            one, one, np.ones(1), np.ones(1), received_at=BUILT.replace(tzinfo=None) + timedelta(0)
        )


@pytest.mark.parametrize(
    ("flag", "value", "recorded", "right", "expected"),
    [
        (UNIT_TOO, 131, Unit.CEL, Unit.DEG_F, 1),
        (4, 131, Unit.CEL, Unit.DEG_F, 1),
        (UNIT_TOO | T.CLOCK_SKEW, 131, Unit.CEL, Unit.DEG_F, 3 | T.CLOCK_SKEW),
        (3 | T.GROSS_RANGE, 90, Unit.CEL, Unit.DEG_F, 1),
        (1, 90, Unit.DEG_F, Unit.CEL, 3 | T.GROSS_RANGE),
        (1, 131, Unit.DEG_F, Unit.CEL, UNIT_TOO),
        # Worse than range and clock explain: a sender's own flag, or one from a test no longer made.
        (3, 60, Unit.CEL, Unit.DEG_F, 3),
        (4, 60, Unit.CEL, Unit.DEG_F, 4),
        (9, 60, Unit.CEL, Unit.DEG_F, 9),
    ],
)
def test_a_unit_put_right_takes_back_what_the_wrong_one_said(flag, value, recorded, right, expected):
    def column(one):
        return np.array([one], np.int16)

    anew = quality.flag_anew(
        column(flag),
        column(Quantity.TEMPERATURE),
        np.array([float(value)]),
        recorded_unit=column(recorded),
        unit=column(right),
    )
    assert (anew.tolist(), anew.dtype) == ([expected], np.int16)
