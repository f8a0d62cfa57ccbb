"""40 CFR 503.32(a)(3), Alternative 1: D = 131 700 000 / 10^(0.14 t), and the temperatures at which its floors bite.

The figures are the equation as the section prints it (from memory; the same table was read in 15A NCAC 02T .1106),
worked out by hand calculator.
"""

import pytest

from service.domain.compliance import RULES
from service.domain.compliance.equations import (
    LIQUID_NUMERATOR,
    SLOPE_PER_C,
    SOLID_NUMERATOR,
    days_asked,
    temperature_asked_c,
)
from tests.domain.compliance.piles import hour_of, log, pile, verdict

TABLE = [
    (50, 13.170, 5.007),
    (55, 2.6278, 0.9990),
    (60, 0.5243, 0.1993),
    (65, 0.1046, 57.3 / 1440),
    (70, 30.06 / 1440, 11.43 / 1440),
]


@pytest.mark.parametrize(("temperature_c", "solid_days", "liquid_days"), TABLE)
def test_days_asked(temperature_c: float, solid_days: float, liquid_days: float) -> None:
    assert days_asked(SOLID_NUMERATOR, SLOPE_PER_C, temperature_c) == pytest.approx(solid_days, rel=6e-4)
    assert days_asked(LIQUID_NUMERATOR, SLOPE_PER_C, temperature_c) == pytest.approx(liquid_days, rel=6e-4)


@pytest.mark.parametrize(
    ("numerator", "days", "temperature_c"),
    [
        (SOLID_NUMERATOR, 20 / 1440, 71.26),
        (SOLID_NUMERATOR, 30 / 1440, 70.01),
        (LIQUID_NUMERATOR, 30 / 1440, 67.01),
        (SOLID_NUMERATOR, 15 / 86400, 84.86),
    ],
)
def test_where_the_floors_are_met(numerator: float, days: float, temperature_c: float) -> None:
    assert temperature_asked_c(numerator, SLOPE_PER_C, days) == pytest.approx(temperature_c, abs=0.005)


def test_the_rule_asks_no_less_than_the_equation() -> None:
    """Whole minutes, upward; hotter steps first."""
    holds = {float(one.threshold): one.duration_h for one in RULES["us-503-alt1"].holds}
    assert list(holds) == [70, 65, 60, 55, 50]
    for temperature_c, solid_days, _ in TABLE:
        asked_h = 24 * days_asked(SOLID_NUMERATOR, SLOPE_PER_C, temperature_c)
        assert asked_h <= holds[temperature_c] < asked_h + 1 / 60
        assert holds[temperature_c] == pytest.approx(24 * solid_days, abs=0.02)


def test_it_is_information_and_never_a_pass() -> None:
    """327 IAC 6.1-4-13 heads the table 'except for composting'."""
    found = verdict("us-503-alt1", pile(log(60.5, 20), turn_days=()))
    assert (found.state, hour_of(found.met_at)) == ("met", pytest.approx(12.6))
    assert (found.note or "").startswith("For information only")
    assert found.next.startswith("For information only")
    assert verdict("us-503-alt1", pile(log(60.5, 12), turn_days=())).state == "under_way"
