"""Recorded temperatures told in Cel: each the double nearest to its exact value, and means of them too.

t/°C = (t/°F - 32) * 5/9 and t/°C = T/K - 273.15, exact (NIST SP 811, appendix B.8).
"""

from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.quantities import Unit, temperature_in
from service.domain.temperatures import celsius, mean_celsius

UNITS = (Unit.CEL, Unit.DEG_F, Unit.KELVIN)
readings = st.tuples(st.decimals(-60, 700, places=9).map(lambda one: round(one, 9)), st.sampled_from(UNITS))
some_places = st.sampled_from((0, 1, 2, 6, 9))


@given(readings, some_places)
def test_it_is_the_nearest_double(reading: tuple[Decimal, Unit], places: int) -> None:
    value, unit = round(reading[0], places), reading[1]
    exact = temperature_in(Fraction(value), unit, Unit.CEL)
    told = celsius(np.array([float(value)]), np.array([unit], np.uint8))
    assert told.tolist() == [float(exact)]


@given(st.lists(readings, min_size=1, max_size=6), some_places)
def test_a_mean_is_the_nearest_double_to_the_exact_mean(row: list[tuple[Decimal, Unit]], places: int) -> None:
    row = [(round(value, places), unit) for value, unit in row]
    exact = sum(temperature_in(Fraction(value), unit, Unit.CEL) for value, unit in row) / len(row)
    told = mean_celsius(
        [np.array([float(value)]) for value, _ in row], [np.array([unit], np.uint8) for _, unit in row]
    )
    assert told.tolist() == [float(exact)]


@pytest.mark.parametrize(
    "row",
    [
        [(131.1, Unit.DEG_F), (130.9, Unit.DEG_F)],
        [(54.9, Unit.CEL), (131.18, Unit.DEG_F)],
        [(328.1, Unit.KELVIN), (55.05, Unit.CEL)],
        [(54.8, Unit.CEL), (54.9, Unit.CEL), (55.3, Unit.CEL)],
    ],
)
def test_means_that_are_55_exactly(row: list[tuple[float, Unit]]) -> None:
    """The sums of their nearest doubles are not all 55 times their number."""
    told = mean_celsius(
        [np.array([value]) for value, _ in row], [np.array([unit], np.uint8) for _, unit in row]
    )
    assert told.tolist() == [55.0]


def test_what_is_no_number_stays_none() -> None:
    odd = np.array([np.nan, np.inf, -np.inf])
    assert np.array_equal(celsius(odd, np.full(3, int(Unit.DEG_F))), odd, equal_nan=True)
