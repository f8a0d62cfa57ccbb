"""Comparing with a limit in the recorded unit, exactly.

131 °F = 55 °C exactly and 170 °F = 76.666… °C: the exact conversion t/°C = (t/°F - 32) * 5/9 (NIST SP 811, B.8).
"""

import math
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.compliance import Reading
from service.domain.compliance.thresholds import highest_allowed, lowest_qualifying, per_unit
from service.domain.quantities import Unit, temperature_in
from service.domain.temperatures import celsius
from tests.domain.compliance.piles import at, log, pile, verdict

LOW_F, HIGH_F = Fraction(131), Fraction(170)


@pytest.mark.parametrize(
    ("value", "unit", "qualifies"),
    [
        (55.0, Unit.CEL, True),
        (54.95, Unit.CEL, False),  # shown as 55.0 by a display with one decimal
        (54.99999999999999, Unit.CEL, False),
        (131.0, Unit.DEG_F, True),
        (130.9, Unit.DEG_F, False),  # 54.944 °C
        (328.15, Unit.KELVIN, True),  # stored as 328.14999999999998: the decimal written decides
        (328.1499999999999, Unit.KELVIN, False),
        (328.16, Unit.KELVIN, True),
    ],
)
def test_131_degf_in_every_unit(value: float, unit: Unit, *, qualifies: bool) -> None:
    """7 CFR 205.203(c)(2) and 21 CFR 112.54(b): 'a minimum of 131 °F (55 °C)'."""
    assert (value >= lowest_qualifying(">=", LOW_F, Unit.DEG_F, unit)) == qualifies


@pytest.mark.parametrize(
    ("value", "unit", "allowed"),
    [
        (170.0, Unit.DEG_F, True),
        (170.1, Unit.DEG_F, False),
        (76.66, Unit.CEL, True),
        (76.66666666666666, Unit.CEL, True),
        (76.66666666666667, Unit.CEL, False),
        (76.7, Unit.CEL, False),
        (349.81, Unit.KELVIN, True),  # 76.66 °C
        (349.82, Unit.KELVIN, False),
    ],
)
def test_170_degf_in_every_unit(value: float, unit: Unit, *, allowed: bool) -> None:
    """7 CFR 205.203(c)(2): 'between 131 °F and 170 °F'."""
    assert (value <= highest_allowed(HIGH_F, Unit.DEG_F, unit)) == allowed


def test_exceeds_is_strict() -> None:
    """40 CFR 503 App. B, PSRP: 'the temperature … exceeds 55 degrees Celsius' (from memory)."""
    limit = lowest_qualifying(">", Fraction(55), Unit.CEL, Unit.CEL)
    assert limit > 55.0
    assert limit == math.nextafter(55.0, math.inf)


@given(
    st.decimals(-50, 200, places=3),
    st.decimals(1, 150, places=2),
    st.sampled_from((Unit.CEL, Unit.DEG_F, Unit.KELVIN)),
    st.sampled_from((Unit.CEL, Unit.DEG_F, Unit.KELVIN)),
)
def test_a_written_decimal_is_compared_as_written(
    value: Decimal, limit: Decimal, unit: Unit, recorded: Unit
) -> None:
    exact = temperature_in(Fraction(limit), unit, recorded)
    number = float(value)
    assert (number >= lowest_qualifying(">=", Fraction(limit), unit, recorded)) == (Fraction(value) >= exact)
    assert (number >= lowest_qualifying(">", Fraction(limit), unit, recorded)) == (Fraction(value) > exact)
    assert (number <= highest_allowed(Fraction(limit), unit, recorded)) == (Fraction(value) <= exact)


@pytest.mark.parametrize(
    ("value", "unit", "state"),
    [
        (131.0, Unit.DEG_F, "met"),
        (130.9, Unit.DEG_F, "under_way"),
        (55.0, Unit.CEL, "met"),
        (54.95, Unit.CEL, "under_way"),
        (328.15, Unit.KELVIN, "met"),
        (170.0, Unit.DEG_F, "met"),
        (170.1, Unit.DEG_F, "under_way"),
    ],
)
def test_t13_one_reading_at_the_limit_decides(value: float, unit: Unit, state: str) -> None:
    """7 CFR 205.203(c)(2)(ii): 'between 131 °F and 170 °F for 3 days'; readings in mixed units."""
    readings = [one for one in log(60, 72, every_h=12) if one.observed_at != at(36)]
    found = verdict(
        "us-nop-static-vessel", pile([*readings, Reading("core", at(36), value, unit)], turn_days=())
    )
    assert found.state == state


def test_limits_spread_over_mixed_units() -> None:
    units = np.array([Unit.CEL, Unit.DEG_F, Unit.KELVIN], dtype=np.uint8)
    spread = per_unit(lambda unit: lowest_qualifying(">=", LOW_F, Unit.DEG_F, unit), units)
    assert np.asarray(spread).tolist() == [55.0, 131.0, 328.15]
    assert celsius(np.array([55.0, 131.0, 328.15]), units) == pytest.approx([55.0, 55.0, 55.0])
