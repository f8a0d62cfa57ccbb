"""Requests to the solver that cannot be meant, each pointing at what to mend."""

import math
from dataclasses import replace

import pytest

from service.domain.errors import Invalid
from service.domain.recipes import Amount, Available, Ingredient, Range, Targets, solve
from tests.domain.recipes.materials import GRASS, LEAVES

TWO = [Available(GRASS), Available(LEAVES)]
WET = Targets(moisture_pct=Range(50, 60))
TEN = Amount(mass_kg=10)


def second(**changes: object) -> list[Available]:
    return [TWO[0], replace(TWO[1], **changes)]


def bare(**changes: object) -> list[Available]:
    return [TWO[0], Available(replace(LEAVES, **changes))]


REFUSED = [
    ([], WET, TEN, "/ingredients", "at least one"),
    ([Available(replace(GRASS, name=f"g{i}")) for i in range(101)], WET, TEN, "/ingredients", "at most 100"),
    (TWO, Targets(), TEN, "/targets", "no target"),
    (TWO, Targets(moisture_pct=Range()), TEN, "/targets/moisture_pct", "neither"),
    (TWO, Targets(moisture_pct=Range(60, 50)), TEN, "/targets/moisture_pct/min", "above max 50"),
    (TWO, Targets(moisture_pct=Range(max=101)), TEN, "/targets/moisture_pct/max", "101"),
    (TWO, Targets(moisture_pct=Range(min=math.nan)), TEN, "/targets/moisture_pct/min", "nan"),
    (TWO, Targets(Range(0, 30)), TEN, "/targets/carbon_nitrogen_ratio/min", "above 0"),
    (TWO, Targets(Range(max=-3)), TEN, "/targets/carbon_nitrogen_ratio/max", "-3"),
    (TWO, Targets(Range(max=math.inf)), TEN, "/targets/carbon_nitrogen_ratio/max", "inf"),
    (TWO, Targets(free_air_space_pct=Range(min=-1)), TEN, "/targets/free_air_space_pct/min", "volume"),
    (TWO, Targets(bulk_density_kg_m3=Range(max=0)), TEN, "/targets/bulk_density_kg_m3/max", "above 0"),
    (TWO, WET, Amount(), "/amount", "exactly one"),
    (TWO, WET, Amount(volume_m3=1, mass_kg=1), "/amount", "exactly one"),
    (TWO, WET, Amount(mass_kg=0), "/amount/mass_kg", "above 0"),
    (TWO, WET, Amount(volume_m3=-1), "/amount/volume_m3", "above 0"),
    (TWO, WET, Amount(of="hay", mass_kg=1), "/amount/of", "grass, leaves"),
    (TWO, WET, Amount(of="grass"), "/amount", "of with mass_kg"),
    (TWO, WET, Amount(of="grass", volume_m3=1), "/amount/volume_m3", "mass"),
    (bare(name="Grass "), WET, TEN, "/ingredients/1/name", "also ingredient 0"),
    (bare(moisture_pct=120), WET, TEN, "/ingredients/1/moisture_pct", "120"),
    (bare(mass_kg=3), WET, TEN, "/ingredients/1/mass_kg", "leave it out"),
    (bare(volume_m3=3), WET, TEN, "/ingredients/1/volume_m3", "leave it out"),
    (second(min_kg=-1), WET, TEN, "/ingredients/1/min_kg", "-1"),
    (second(min_kg=5, max_kg=4), WET, TEN, "/ingredients/1/min_kg", "above max_kg 4"),
    (second(max_kg=math.nan), WET, TEN, "/ingredients/1/max_kg", "nan"),
    (second(cost_per_kg=math.inf), WET, TEN, "/ingredients/1/cost_per_kg", "inf"),
    (second(cost_per_kg=0.2), WET, TEN, "/ingredients/0/cost_per_kg", "0 if it is free"),
    (bare(moisture_pct=None), WET, TEN, "/ingredients/1/moisture_pct", "moisture_pct cannot"),
    (bare(nitrogen_pct=None), Targets(Range(25)), TEN, "/ingredients/1/nitrogen_pct", "leaves lacks it"),
    (bare(carbon_pct=None), Targets(Range(25)), TEN, "/ingredients/1/carbon_pct", "volatile_solids_pct"),
    (
        bare(bulk_density_kg_m3=None),
        Targets(free_air_space_pct=Range(30)),
        TEN,
        "/ingredients/1/bulk_density_kg_m3",
        "free_air_space_pct",
    ),
    (
        bare(bulk_density_kg_m3=None),
        WET,
        Amount(volume_m3=1),
        "/ingredients/1/bulk_density_kg_m3",
        "by volume",
    ),
]


@pytest.mark.parametrize(("available", "targets", "amount", "pointer", "words"), REFUSED)
def test_refused_in_words(
    available: list[Available], targets: Targets, amount: Amount, pointer: str, words: str
) -> None:
    with pytest.raises(Invalid) as refusal:
        solve(available, targets, amount)
    (error,) = refusal.value.errors
    assert error.pointer == pointer
    assert words in error.detail


def test_water_is_not_given_twice() -> None:
    water = Available(Ingredient("Water", moisture_pct=100))
    with pytest.raises(Invalid, match="leave the ingredient out") as refusal:
        solve([*TWO, water], WET, TEN, allow_water=True)
    assert refusal.value.errors[0].pointer == "/ingredients/2/name"
    assert solve([*TWO, water], WET, TEN).state == "solved"


def test_being_paid_without_end_is_refused() -> None:
    paid = [Available(GRASS, cost_per_kg=0), Available(LEAVES, cost_per_kg=-1)]
    wet = Targets(moisture_pct=Range(max=60))
    with pytest.raises(Invalid, match="without end") as refusal:
        solve(paid, wet, Amount(of="grass", mass_kg=1))
    assert refusal.value.errors[0].pointer == "/ingredients/1/max_kg"
    capped = [paid[0], replace(paid[1], max_kg=50)]
    assert solve(capped, wet, Amount(of="grass", mass_kg=1)).cost == pytest.approx(-50)


def test_every_fault_is_told_at_once() -> None:
    bad = [Available(replace(GRASS, moisture_pct=-1)), Available(LEAVES, min_kg=-1)]
    with pytest.raises(Invalid) as refusal:
        solve(bad, Targets(Range(30, 20)), Amount(mass_kg=-1))
    assert {error.pointer for error in refusal.value.errors} == {
        "/targets/carbon_nitrogen_ratio/min",
        "/amount/mass_kg",
        "/ingredients/0/moisture_pct",
        "/ingredients/1/min_kg",
    }


def test_a_figure_no_target_needs_may_be_missing() -> None:
    solution = solve([Available(replace(GRASS, nitrogen_pct=None)), TWO[1]], WET, TEN)
    assert solution.recipe is not None
    assert solution.recipe.carbon_nitrogen_ratio is None
    assert [gap.figure for gap in solution.recipe.missing] == ["nitrogen_pct"]
