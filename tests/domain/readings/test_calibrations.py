"""What a calibration may say, held against the boiling point of water and exact decimals."""

import math
from datetime import UTC, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.readings.calibrations import CalibrationMethod, cautions_of, offset_c, refuse_calibration

NOW = datetime(2026, 5, 4, 14, tzinfo=UTC)


def refused(
    reference_c: float, method: CalibrationMethod = "boiling_water", at: datetime = NOW
) -> frozenset[str]:
    """Return the pointers of what is refused; none if it is taken."""
    try:
        refuse_calibration(method, reference_c, at, now=NOW)
    except Invalid as error:
        return frozenset(one.pointer for one in error.errors)
    return frozenset()


def boiling_point_c(altitude_m: float) -> float:
    """Return where water boils, from the pressure of the U.S. Standard Atmosphere 1976 and the Antoine equation.

    Constants of water from 1 to 100 Cel, 8.07131, 1730.63, 233.426 with mmHg (both from memory).
    """
    pressure_mmhg = 760 * (1 - 0.0065 * altitude_m / 288.15) ** 5.25588
    return 1730.63 / (8.07131 - math.log10(pressure_mmhg)) - 233.426


def test_the_boiling_point_is_what_tables_say() -> None:
    """Steam tables (IAPWS, from memory): 100.0 Cel at 101.4 kPa, 85 Cel at 57.87 kPa, which is near 4,500 m."""
    assert boiling_point_c(0) == pytest.approx(100.0, abs=0.1)
    assert boiling_point_c(4470) == pytest.approx(85.0, abs=0.3)


@pytest.mark.parametrize("altitude_m", [0, 300, 1500, 2640, 3650, 4400])
def test_boiling_water_is_taken_wherever_compost_is_made(altitude_m: float) -> None:
    assert not refused(round(boiling_point_c(altitude_m), 1))


@pytest.mark.parametrize("reference_c", [84.9, 101.1, 212, 0])
def test_water_does_not_boil_there(reference_c: float) -> None:
    assert refused(reference_c) == {"/reference_c"}


@pytest.mark.parametrize(
    ("reference_c", "is_fine"), [(0, True), (-1, True), (1, True), (1.1, False), (32, False)]
)
def test_ice_in_water_stands_at_nought(reference_c: float, is_fine: bool) -> None:  # noqa: FBT001 - a case
    assert bool(refused(reference_c, "ice_bath")) != is_fine


@pytest.mark.parametrize("method", ["reference_thermometer", "laboratory"])
def test_other_references_are_as_warm_as_they_are(method: CalibrationMethod) -> None:
    assert not refused(55, method)
    assert refused(151, method) == {"/reference_c"}


def test_it_has_been_done() -> None:
    assert not refused(100, at=NOW + timedelta(minutes=10))
    late = NOW + timedelta(minutes=10, seconds=1)
    assert refused(100, at=late) == {"/calibrated_at"}
    assert refused(32, at=late) == {"/calibrated_at", "/reference_c"}


def test_the_offset_is_what_pencil_and_paper_give() -> None:
    assert offset_c(100, 99.7) == 0.3
    assert offset_c(0, 0.4) == -0.4
    assert offset_c(55.1, 54.8) == 0.3


@given(st.integers(-10_000, 30_000), st.integers(-10_000, 30_000))
def test_in_hundredths_the_offset_is_exact(reference: int, shown: int) -> None:
    assert Fraction(str(offset_c(reference / 100, shown / 100))) == Fraction(reference - shown, 100)


def test_boiling_water_scalds() -> None:
    assert "scald" in cautions_of("boiling_water")[0]
    assert cautions_of("laboratory") == ()
