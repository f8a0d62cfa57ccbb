"""Requests to the solver that cannot be meant, each pointing at what to mend."""

import math
from dataclasses import replace

import pytest

from service.domain.errors import Invalid
from service.domain.recipes import Amount, Available, Choice, Ingredient, Measure, Range, Targets, solve
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


BARROW = Measure("barrow", volume_l=80)
FURTHER = [
    (second(min_share_of_mass_pct=60, max_share_of_mass_pct=50), "/ingredients/1/min_share_of_mass_pct", "above"),
    (second(max_share_of_volume_pct=101), "/ingredients/1/max_share_of_volume_pct", "101"),
    (second(spoils_in_days=-1), "/ingredients/1/spoils_in_days", "0 for today"),
    (second(whole=True), "/ingredients/1/measure", "give measure, such as a barrow"),
    (second(measure=Measure("barrow")), "/ingredients/1/measure", "exactly one"),
    (second(measure=Measure("barrow", 80, 20)), "/ingredients/1/measure", "exactly one"),
    (second(measure=Measure(" ", 80)), "/ingredients/1/measure/name", "empty"),
    (second(measure=Measure("barrow", 0)), "/ingredients/1/measure/volume_l", "80 for a barrow"),
    (second(measure=Measure("bag", mass_kg=-2)), "/ingredients/1/measure/mass_kg", "weighs"),
    (second(measure=BARROW, whole=True, min_kg=10, max_kg=19), "/ingredients/1/min_kg", "no whole number of barrows"),
    (
        [TWO[0], replace(bare(bulk_density_kg_m3=None)[1], measure=BARROW)],
        "/ingredients/1/bulk_density_kg_m3",
        "a measure of barrows by volume",
    ),
    (
        [TWO[0], replace(bare(bulk_density_kg_m3=None)[1], max_share_of_volume_pct=5)],
        "/ingredients/1/bulk_density_kg_m3",
        "a share of volume of leaves",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("available", "pointer", "words"), FURTHER)
def test_shares_and_measures_refused_in_words(available: list[Available], pointer: str, words: str) -> None:
    with pytest.raises(Invalid) as refusal:
        solve(available, WET, TEN)
    assert pointer in {error.pointer for error in refusal.value.errors}
    assert words in str(refusal.value)


CHOICES = [
    (Choice(prefer="cost"), TEN, "/prefer", "give cost_per_kg"),
    (Choice(prefer="spoilage"), TEN, "/prefer", "give spoils_in_days"),
    (Choice(prefer="taste"), TEN, "/prefer", "cost, spoilage, middle"),
    (Choice(alternatives=6), TEN, "/alternatives", "between 0 and 5"),
    (Choice(within_pct=-1), TEN, "/within_pct", "worse"),
    (Choice(mixing_shrink_pct=70), TEN, "/mixing_shrink_pct", "lost on mixing"),
    (Choice(may_buy=tuple(TWO) * 16), TEN, "/may_buy", "at most 30"),
    (Choice(may_buy=(Available(replace(GRASS, moisture_pct=130)),)), TEN, "/may_buy/0/moisture_pct", "130"),
    (Choice(), Amount(measures=3), "/amount/of", "name the ingredient"),
    (Choice(), Amount(of="grass", measures=3), "/amount/measures", "no measure to count in"),
    (Choice(), Amount(mass_kg=3, surplus_pct=-1), "/amount/surplus_pct", "more than asked"),
]


@pytest.mark.parametrize(("choice", "amount", "pointer", "words"), CHOICES)
def test_choices_refused_in_words(choice: Choice, amount: Amount, pointer: str, words: str) -> None:
    with pytest.raises(Invalid) as refusal:
        solve(TWO, WET, amount, choice=choice)
    (error,) = refusal.value.errors
    assert error.pointer == pointer
    assert words in error.detail


def test_using_up_without_end_is_refused() -> None:
    spoiling = [TWO[0], replace(TWO[1], spoils_in_days=3)]
    with pytest.raises(Invalid, match="what there is of it") as refusal:
        solve(spoiling, WET, Amount(of="grass", mass_kg=1))
    assert refusal.value.errors[0].pointer == "/ingredients/1/max_kg"


def test_too_many_whole_are_refused() -> None:
    many = [Available(replace(GRASS, name=f"g{i}"), measure=BARROW, whole=True) for i in range(26)]
    with pytest.raises(Invalid, match="at most 25") as refusal:
        solve(many, WET, TEN)
    assert refusal.value.errors[0].pointer == "/ingredients/25/whole"
