"""Which mix is offered when many meet the request; worked by hand."""

from dataclasses import replace

import pytest

from service.domain.recipes import Amount, Available, Ingredient, Range, Solution, Targets, solve
from tests.domain.recipes.materials import GRASS, HAY, LEAVES, STRAW

HUNDRED = Amount(mass_kg=100)
ANY = Targets(moisture_pct=Range(max=90))


def masses(solution: Solution) -> list[float]:
    assert solution.recipe is not None
    return [portion.mass_kg for portion in solution.recipe.ingredients]


def test_no_more_water_than_must_be() -> None:
    """12 (100 - w) + 100 w = 5000: the wetter of two dry materials takes the least water, 43.2 L."""
    wet = Targets(moisture_pct=Range(min=50))
    solution = solve([Available(HAY), Available(STRAW)], wet, HUNDRED, allow_water=True)
    assert solution.water_l == pytest.approx(3800 / 88)
    assert masses(solution) == pytest.approx([0, 5000 / 88, 3800 / 88], abs=1e-6)


def test_two_as_dry_share_the_least_water_evenly() -> None:
    other = replace(STRAW, name="old straw")
    wet = Targets(moisture_pct=Range(min=50))
    solution = solve([Available(other), Available(STRAW)], wet, HUNDRED, allow_water=True)
    assert masses(solution) == pytest.approx([2500 / 88, 2500 / 88, 3800 / 88])


def test_no_water_where_none_is_needed() -> None:
    solution = solve([Available(GRASS), Available(LEAVES)], ANY, HUNDRED, allow_water=True)
    assert solution.water_l == 0
    assert len(masses(solution)) == 2


def test_no_material_is_leaned_on_more_than_it_must_be() -> None:
    alike = [Available(replace(LEAVES, name=name)) for name in ("a", "b", "c", "d")]
    alike[0] = replace(alike[0], max_kg=10)
    alike[3] = replace(alike[3], min_kg=50)
    assert masses(solve(alike, ANY, HUNDRED)) == pytest.approx([10, 20, 20, 50])


def test_the_middle_of_a_range_comes_before_evenness() -> None:
    """77 g + 35 (100 - g) = 5500 at the middle of 50 to 60."""
    solution = solve([Available(GRASS), Available(LEAVES)], Targets(moisture_pct=Range(50, 60)), HUNDRED)
    assert masses(solution) == pytest.approx([2000 / 42, 2200 / 42])


def test_two_middles_out_of_reach_are_missed_alike() -> None:
    """At moisture m, C:N falls as grass rises: the two distances, in half-widths, meet."""
    targets = Targets(Range(20, 40), Range(50, 70))
    solution = solve([Available(GRASS), Available(LEAVES)], targets, HUNDRED)
    assert solution.recipe is not None
    assert solution.recipe.carbon_nitrogen_ratio is not None
    assert solution.recipe.moisture_pct is not None
    above = (solution.recipe.carbon_nitrogen_ratio - 30) / 10
    assert above == pytest.approx(abs(solution.recipe.moisture_pct - 60) / 10, rel=1e-6)
    assert above > 0.1


def test_cost_comes_before_everything() -> None:
    """Leaves at 35 % reach 50 to 60 % with 35.7 to 59.5 % of grass; leaves are the cheaper."""
    priced = [Available(GRASS, cost_per_kg=0.3), Available(LEAVES, cost_per_kg=0.1)]
    solution = solve(priced, Targets(moisture_pct=Range(50, 60)), HUNDRED)
    grass = 1500 / 42
    assert masses(solution) == pytest.approx([grass, 100 - grass])
    assert solution.cost == pytest.approx(0.3 * grass + 0.1 * (100 - grass))
    assert solution.objective.startswith("least cost, then")


def test_equal_prices_leave_the_choice_to_the_rest() -> None:
    priced = [Available(GRASS, cost_per_kg=0.2), Available(LEAVES, cost_per_kg=0.2)]
    solution = solve(priced, Targets(moisture_pct=Range(50, 60)), HUNDRED)
    assert masses(solution) == pytest.approx([2000 / 42, 2200 / 42], rel=1e-6)
    assert solution.cost == pytest.approx(20)


def test_the_choice_of_the_rest_stays_at_least_cost() -> None:
    """Hay would be the third of an even mix; at ten times the price it stays out."""
    priced = [Available(one, cost_per_kg=price) for one, price in ((GRASS, 0.1), (LEAVES, 0.1), (HAY, 1.0))]
    assert masses(solve(priced, ANY, HUNDRED)) == pytest.approx([50, 50, 0], abs=1e-6)


def test_being_paid_is_taken_up_to_the_limit() -> None:
    priced = [Available(GRASS, cost_per_kg=-0.2), Available(LEAVES, cost_per_kg=0)]
    solution = solve(priced, Targets(moisture_pct=Range(50, 60)), HUNDRED)
    assert masses(solution)[0] == pytest.approx(2500 / 42)
    assert solution.cost == pytest.approx(-0.2 * 2500 / 42)


def test_water_costs_nothing() -> None:
    dry = Ingredient("chips", moisture_pct=10)
    solution = solve(
        [Available(dry, cost_per_kg=2)], Targets(moisture_pct=Range(50, 60)), HUNDRED, allow_water=True
    )
    assert solution.water_l == pytest.approx(5000 / 90)  # as wet as may be: water is the cheaper
    assert solution.cost == pytest.approx(2 * (100 - 5000 / 90))


@pytest.mark.parametrize(
    ("targets", "water", "stages"),
    [
        (ANY, False, ["largest portion"]),
        (Targets(moisture_pct=Range(50, 60)), True, ["middles", "least added water", "largest portion"]),
        (Targets(moisture_pct=Range(60, 60)), True, ["least added water", "largest portion"]),
    ],
)
def test_the_objective_is_told(targets: Targets, water: bool, stages: list[str]) -> None:  # noqa: FBT001 - a table
    told = solve([Available(GRASS), Available(LEAVES)], targets, HUNDRED, allow_water=water).objective.split(
        ", then "
    )
    assert len(told) == len(stages)
    assert all(stage in words for stage, words in zip(stages, told, strict=True))
