from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.piles.series import from_us, to_us
from service.domain.quantities import Unit, temperature_in
from service.domain.readings.quality import celsius, mistaken_unit_c
from tests.domain.piles.making import day


@pytest.mark.parametrize(("unit", "target_digits"), [(Unit.DEG_F, 2), (Unit.KELVIN, 2), (Unit.CEL, 1)])
def test_every_tenth_of_a_degree_comes_back_to_the_digit_from_any_unit(unit, target_digits):
    tenths = range(-300, 1500)
    told = [
        float(round(temperature_in(Fraction(tenth, 10), Unit.CEL, unit), target_digits)) for tenth in tenths
    ]
    found = celsius(np.array(told), np.full(len(told), int(unit)))
    assert found.tolist() == [tenth / 10 for tenth in tenths]


def test_units_may_change_within_a_series():
    found = celsius(np.array([55.0, 131.0, 328.15]), np.array([Unit.CEL, Unit.DEG_F, Unit.KELVIN]))
    assert found.tolist() == [55.0, 55.0, 55.0]


@given(st.integers(0, 4_000_000_000_000_000))
def test_instants_come_back_to_the_microsecond(moment_us):
    assert to_us(from_us(moment_us)) == moment_us


def test_an_instant_is_counted_from_1970():
    assert to_us(day(0)) == 1_777_885_200_000_000  # date -u -d 2026-05-04T09:00Z +%s


@given(st.floats(20, 88), st.floats(-30, 30))
def test_up_to_thirty_degrees_between_two_readings_are_taken_at_their_word(before, step):
    value = before + step * 0.999
    assert mistaken_unit_c(value, Unit.CEL, told_c=value, before_c=before, days=0.5) is None


@given(st.floats(35, 77))
def test_a_fahrenheit_number_sent_as_celsius_is_found_beside_a_sound_reading(true_c):
    sent = true_c * 9 / 5 + 32
    found = mistaken_unit_c(sent, Unit.CEL, told_c=sent, before_c=true_c - 1, days=0.5)
    assert found == pytest.approx(true_c)
