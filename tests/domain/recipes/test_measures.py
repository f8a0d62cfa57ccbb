"""Bucket, scale and oven: published conversions, and refusals in words."""

from collections.abc import Callable

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.recipes.measures import (
    CUBIC_YARD_M3,
    POUND_KG,
    POUND_PER_CUBIC_YARD_KG_M3,
    SHORT_TON_KG,
    US_GALLON_L,
    biodegradable_fraction,
    bucket_bulk_density_kg_m3,
    dry_basis_pct,
    free_air_space_by_components_pct,
    free_air_space_pct,
    moisture_from_drying_pct,
    of_dry_matter_pct,
    water_to_reach_kg,
    wet_basis_pct,
)

PUBLISHED = [
    # Cornell Waste Management Institute, "Moisture content": container 4 g, 10 g of sample, 6.3 g when dry
    (moisture_from_drying_pct, (14, 6.3, 4), 77),
    # Eawag/Sandec composting supplement after Cooperband 2002: 9 kg in 20 L is 0.45 kg/L
    (bucket_bulk_density_kg_m3, (20, 1, 10), 450),
    # Sikora et al. 1981, J. WPCF 53:1702, abstract: 10.4 t in 21 m3
    (bucket_bulk_density_kg_m3, (21_000, 0, 10_400), 495),
    # METER Group, compost water content: 50 % of dry mass is 33 % of wet mass
    (wet_basis_pct, (50,), 33.3),
    # Vesilind, Worrell and Reinhart, Solid Waste Engineering, from memory: 10 tons at 7 % to 50 %
    (water_to_reach_kg, (10, 7, 50), 8.6),
    # Agnew and Leonard 2003, from memory: 640 kg/m3 gives 42, 778 gives 30
    (free_air_space_pct, (640,), 42.4),
    (free_air_space_pct, (778,), 30),
    # Chandler et al. 1980, newsprint lignin 20.9 % of volatile solids, from memory
    (biodegradable_fraction, (20.9,), 0.2448),
    (biodegradable_fraction, (0,), 0.83),
    (biodegradable_fraction, (29.7,), 0),
]


@pytest.mark.parametrize(("measure", "values", "printed"), PUBLISHED)
def test_published(measure: Callable[..., float], values: tuple[float, ...], printed: float) -> None:
    assert measure(*values) == pytest.approx(printed, rel=5e-3, abs=1e-12)


@pytest.mark.parametrize(
    ("ours", "unit", "metric"),
    [
        (POUND_KG, "pound", "kilogram"),
        (SHORT_TON_KG, "short_ton", "kilogram"),
        (CUBIC_YARD_M3, "yard**3", "meter**3"),
        (US_GALLON_L, "US_liquid_gallon", "liter"),
        (POUND_PER_CUBIC_YARD_KG_M3, "pound/yard**3", "kilogram/meter**3"),
    ],
)
def test_units_are_those_of_pint(ours: float, unit: str, metric: str) -> None:
    """The reference library pint, which has them by definition."""
    assert ours == pytest.approx(pint.UnitRegistry().Quantity(1, unit).to(metric).magnitude, rel=1e-12)


def test_biodegradable_ratio_of_newsprint() -> None:
    """Chandler et al. 1980: a 490:1 paper has a biodegradable C:N of 120. From memory."""
    assert 490 * biodegradable_fraction(20.9) == pytest.approx(120, rel=5e-3)


def test_two_estimates_of_free_air_space_agree() -> None:
    """Empirical line 46 % against component densities 50.2 % at 600 kg/m3; formulas from memory, answers derived."""
    line, components = free_air_space_pct(600), free_air_space_by_components_pct(600, 60, 80)
    assert line == pytest.approx(46)
    assert components == pytest.approx(50.19, rel=5e-4)


@pytest.mark.parametrize(
    ("moisture", "to_50", "to_55", "to_60"),
    [(10, 80, 100, 125), (20, 60, 78, 100), (30, 40, 56, 75), (40, 20, 33, 50), (50, 0, 11, 25)],
)
def test_litres_for_a_hundred_kilograms(moisture: float, to_50: float, to_55: float, to_60: float) -> None:
    """By the Cornell moisture formula with water as a material of 100 %; derived."""
    litres = [round(water_to_reach_kg(100, moisture, goal)) for goal in (50, 55, 60)]
    assert litres == [to_50, to_55, to_60]


def test_a_wet_mix_needs_no_water() -> None:
    assert water_to_reach_kg(100, 70, 60) == 0


def test_dense_material_has_no_air_rather_than_less_than_none() -> None:
    assert free_air_space_pct(1250) == 0


def test_handout_percentages_become_percentages_of_dry_matter() -> None:
    """Garden handout, kitchen scraps 10 % C as they lie; at 75 % moisture that is 40 % of dry matter."""
    assert of_dry_matter_pct(10, 75) == pytest.approx(40)
    assert of_dry_matter_pct(0, 100) == 0


REFUSED = [
    (moisture_from_drying_pct, (4, 5, 4), "/wet_kg"),
    (moisture_from_drying_pct, (10, 12, 4), "/dry_kg"),
    (moisture_from_drying_pct, (float("nan"), 5, 4), "/wet_kg"),
    (bucket_bulk_density_kg_m3, (0, 1, 10), "/bucket_l"),
    (bucket_bulk_density_kg_m3, (20, 10, 10), "/full_kg"),
    (bucket_bulk_density_kg_m3, (1, 0, 90), "/full_kg"),
    (bucket_bulk_density_kg_m3, (20, 1, float("inf")), "/full_kg"),
    (water_to_reach_kg, (10, 7, 100), "/goal_pct"),
    (water_to_reach_kg, (10, 107, 50), "/moisture_pct"),
    (dry_basis_pct, (100,), "/moisture_pct"),
    (wet_basis_pct, (-1,), "/dry_basis_pct"),
    (of_dry_matter_pct, (30, 75), "/as_is_pct"),
    (biodegradable_fraction, (101,), "/lignin_of_volatile_solids_pct"),
    (free_air_space_by_components_pct, (600, 60, 180), "/organic_matter_pct"),
]


@pytest.mark.parametrize(("measure", "values", "pointer"), REFUSED)
def test_refused_in_words(measure: Callable[..., float], values: tuple[float, ...], pointer: str) -> None:
    with pytest.raises(Invalid) as refusal:
        measure(*values)
    (error,) = refusal.value.errors
    assert error.pointer == pointer
    assert len(error.detail) > 20


@given(st.floats(0, 99.9))
def test_bases_round_trip(moisture: float) -> None:
    assert wet_basis_pct(dry_basis_pct(moisture)) == pytest.approx(moisture, abs=1e-9)


@given(st.floats(1, 1e5), st.floats(0, 90), st.floats(0, 99))
def test_water_reaches_its_goal(mass: float, moisture: float, goal: float) -> None:
    water = water_to_reach_kg(mass, moisture, goal)
    reached = (mass * moisture + 100 * water) / (mass + water)
    assert reached == pytest.approx(max(goal, moisture), rel=1e-9, abs=1e-9)
