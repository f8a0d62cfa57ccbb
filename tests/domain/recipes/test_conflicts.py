"""Why there is no mix: hand-worked conflicts, irreducible, with the nearest mix beside them."""

from dataclasses import asdict, replace

import numpy as np
import pytest

from service.domain.recipes import Amount, Available, Conflict, Ingredient, Range, Solution, Targets, solve
from service.domain.recipes.conflicts import find_clashes
from service.domain.recipes.nearest import miss_least
from service.domain.recipes.programme import Limit, build
from tests.domain.recipes.materials import ASH, GRASS, HORSE_MANURE, LEAVES, STRAW

WATER_ONLY = Ingredient("rain", moisture_pct=100, bulk_density_kg_m3=1000)
SLUDGE = replace(HORSE_MANURE, name="sludge", bulk_density_kg_m3=900)


def infeasible(
    available: list[Available], targets: Targets, amount: Amount, *, water: bool = False
) -> Solution:
    solution = solve(available, targets, amount, allow_water=water)
    assert solution.state == "infeasible"
    assert (solution.recipe, solution.water_l, solution.cost) == (None, None, None)
    return solution


def table(conflicts: tuple[Conflict, ...]) -> dict[str, tuple[float, float | None]]:
    return {conflict.pointer: (conflict.needed, conflict.reached) for conflict in conflicts}


def test_two_targets_of_which_either_can_be_kept() -> None:
    """The two Cornell examples (second-hand; from memory): 36.73 at 60 %, and 66.17 % at 30. Derived."""
    targets = Targets(Range(max=30), Range(max=60))
    solution = infeasible(
        [Available(GRASS), Available(LEAVES)], targets, Amount(of="grass", mass_kg=10), water=True
    )
    found = table(solution.conflicts)
    assert found["/targets/carbon_nitrogen_ratio/max"] == (30, pytest.approx(36.73, rel=5e-4))
    assert found["/targets/moisture_pct/max"] == (60, pytest.approx(66.17, rel=5e-4))
    assert len(found) == 2
    assert solution.nearest is not None
    missed = [violation.relative for violation in solution.nearest.violations]
    assert missed == pytest.approx([0.07024, 0.07024], rel=1e-3)  # equal, or one could give way to the other
    assert solution.nearest.recipe.ingredients[0].mass_kg == pytest.approx(10)


def test_stock_is_named_when_stock_is_short() -> None:
    """100 kg at 60 %: x kg of straw with 72 (100 - x) + 12 x = 6000 is 20; 5 kg serve 25 kg, or bring 69 %."""
    available = [Available(HORSE_MANURE), Available(STRAW, max_kg=5)]
    solution = infeasible(available, Targets(Range(25, 60), Range(50, 60)), Amount(mass_kg=100), water=True)
    assert table(solution.conflicts) == {
        "/targets/moisture_pct/max": (60, pytest.approx(69)),
        "/ingredients/1/max_kg": (5, pytest.approx(20)),
        "/amount/mass_kg": (100, pytest.approx(25)),
    }
    assert {c.ingredient for c in solution.conflicts} == {None, "straw"}
    assert "at most 5 kg of straw" in solution.conflicts[0].because
    assert solution.nearest is not None
    assert solution.nearest.water_l == 0
    assert [v.relative for v in solution.nearest.violations] == pytest.approx([0.15])


STOCK = [
    pytest.param(
        [Available(GRASS, max_kg=30), Available(LEAVES, max_kg=20)],
        Amount(mass_kg=100),
        {
            "/amount/mass_kg": (100, pytest.approx(50)),
            "/ingredients/0/max_kg": (30, pytest.approx(80)),
            "/ingredients/1/max_kg": (20, pytest.approx(70)),
        },
        50,
        id="too little",
    ),
    pytest.param(
        [Available(GRASS, min_kg=60), Available(LEAVES, min_kg=70), Available(STRAW, min_kg=5)],
        Amount(mass_kg=100),
        {
            "/amount/mass_kg": (100, pytest.approx(130)),
            "/ingredients/0/min_kg": (60, pytest.approx(30)),
            "/ingredients/1/min_kg": (70, pytest.approx(40)),
        },
        135,
        id="too much; the straw is not to blame",
    ),
    pytest.param(
        [Available(GRASS, max_kg=120), Available(LEAVES, max_kg=60)],
        Amount(volume_m3=1.5),
        {
            "/amount/volume_m3": (1.5, pytest.approx(1.0)),
            "/ingredients/0/max_kg": (120, pytest.approx(240)),
            "/ingredients/1/max_kg": (60, pytest.approx(120)),
        },
        180,
        id="too little by volume",
    ),
    pytest.param(
        [Available(GRASS, max_kg=5), Available(LEAVES)],
        Amount(of="grass", mass_kg=10),
        {"/amount/mass_kg": (10, pytest.approx(5)), "/ingredients/0/max_kg": (5, pytest.approx(10))},
        None,
        id="not so much of the one that is named",
    ),
]


@pytest.mark.parametrize(("available", "amount", "expected", "nearest_kg"), STOCK)
def test_stock_and_amount_contradict(
    available: list[Available], amount: Amount, expected: dict[str, object], nearest_kg: float | None
) -> None:
    solution = infeasible(available, Targets(moisture_pct=Range(20, 90)), amount)
    assert table(solution.conflicts) == expected
    assert solution.nearest is not None
    assert [v.target for v in solution.nearest.violations] == ["amount"]
    if nearest_kg is not None:
        assert solution.nearest.recipe.mass_kg == pytest.approx(nearest_kg)


def test_nothing_in_stock_has_no_nearest() -> None:
    solution = infeasible(
        [Available(GRASS, max_kg=0)], Targets(moisture_pct=Range(20, 90)), Amount(mass_kg=10)
    )
    assert solution.nearest is None
    assert table(solution.conflicts)["/amount/mass_kg"] == (10, 0)


SINGLE = [
    # 100 - 0.09 x 818.1 = 26.4 (Agnew and Leonard 2003, from memory): the lighter of two dense materials
    pytest.param(
        [HORSE_MANURE, SLUDGE],
        Targets(free_air_space_pct=Range(min=30)),
        "free_air_space_pct",
        26.371,
        "chips",
        id="air",
    ),
    pytest.param(
        [STRAW, LEAVES], Targets(moisture_pct=Range(min=50)), "moisture_pct", 35, "allow water", id="dry"
    ),
    pytest.param(
        [GRASS, HORSE_MANURE], Targets(moisture_pct=Range(max=60)), "moisture_pct", 72, "drier", id="wet"
    ),
    pytest.param(
        [LEAVES, STRAW], Targets(Range(max=40)), "carbon_nitrogen_ratio", 66.667, "greener", id="brown"
    ),
    pytest.param(
        [STRAW, GRASS],
        Targets(bulk_density_kg_m3=Range(min=300)),
        "bulk_density_kg_m3",
        240,
        "denser",
        id="light",
    ),
    pytest.param(
        [WATER_ONLY], Targets(moisture_pct=Range(max=60)), "moisture_pct", 100, "drier", id="only water"
    ),
]


@pytest.mark.parametrize(("materials", "targets", "target", "reached", "remedy"), SINGLE)
@pytest.mark.parametrize("amount", [Amount(mass_kg=100), Amount(volume_m3=2)])
def test_no_mixture_goes_beyond_its_most_extreme_material(
    materials: list[Ingredient], targets: Targets, target: str, reached: float, remedy: str, amount: Amount
) -> None:
    solution = infeasible([Available(one) for one in materials], targets, amount)
    (conflict,) = solution.conflicts
    assert conflict.target == target
    assert conflict.reached == pytest.approx(reached, rel=1e-4)
    assert "most extreme material" in conflict.because
    assert remedy in conflict.because
    assert solution.nearest is not None
    (violation,) = solution.nearest.violations
    assert violation.reached == pytest.approx(reached, rel=1e-4)


@pytest.mark.parametrize("water", [True, False])
def test_without_nitrogen_the_ratio_has_no_value(water: bool) -> None:  # noqa: FBT001 - a table
    solution = infeasible([Available(ASH)], Targets(Range(25, 30)), Amount(mass_kg=10), water=water)
    assert {c.reached for c in solution.conflicts} == {None}
    assert "nitrogen" in solution.conflicts[0].because
    assert solution.nearest is not None
    assert {v.relative for v in solution.nearest.violations} == {None}
    assert solution.nearest.recipe.mass_kg == pytest.approx(10)


def test_air_below_nothing_is_nothing() -> None:
    """1250 kg/m3 gives -12.5 by the line, and the figure of the conflict must not say so."""
    soil = Ingredient("soil", moisture_pct=18, bulk_density_kg_m3=1250)
    solution = infeasible([Available(soil)], Targets(free_air_space_pct=Range(min=10)), Amount(mass_kg=10))
    assert solution.conflicts[0].reached == 0
    assert (
        solve([Available(soil)], Targets(free_air_space_pct=Range(0, 10)), Amount(mass_kg=10)).state
        == "solved"
    )


def test_a_target_that_can_be_kept_is_not_sacrificed() -> None:
    """C:N 200 is out of reach whatever one does; the moisture is not, and is kept."""
    targets = Targets(Range(min=200), Range(50, 60))
    available = [Available(GRASS), Available(LEAVES), Available(STRAW)]
    solution = infeasible(available, targets, Amount(mass_kg=100), water=True)
    assert [c.pointer for c in solution.conflicts] == ["/targets/carbon_nitrogen_ratio/min"]
    assert solution.nearest is not None
    assert [v.target for v in solution.nearest.violations] == ["carbon_nitrogen_ratio"]
    assert solution.nearest.recipe.carbon_nitrogen_ratio == pytest.approx(80)
    assert solution.nearest.recipe.moisture_pct == pytest.approx(50)  # the least water that is wet enough


def test_a_named_material_is_not_drowned() -> None:
    """C:N 20 to 30 with leaves at 25 is centred only by endless leaves; twice the least mass is enough."""
    leaves = replace(LEAVES, nitrogen_pct=2.0)
    grass = replace(GRASS, carbon_pct=38.4)  # C:N 16
    solution = solve(
        [Available(grass), Available(leaves)], Targets(Range(20, 30)), Amount(of="grass", mass_kg=10)
    )
    assert solution.recipe is not None
    # least leaves: 2.3 x 2.4 (20 - 16) = 0.65 x 2 (25 - 20) per kg, so 3.397 kg
    assert solution.recipe.mass_kg == pytest.approx(2 * 13.397, rel=1e-4)
    unmet = infeasible(
        [Available(grass), Available(leaves)], Targets(Range(30, 35)), Amount(of="grass", mass_kg=10)
    )
    assert unmet.nearest is not None
    assert unmet.nearest.recipe.mass_kg == pytest.approx(1000)


def test_a_target_that_is_only_approached() -> None:
    """Any grass at all keeps the heap off the leaves' own 35 %, however many leaves there are."""
    available = [Available(GRASS), Available(LEAVES)]
    solution = infeasible(available, Targets(moisture_pct=Range(max=35)), Amount(of="grass", mass_kg=10))
    assert table(solution.conflicts) == {
        "/targets/moisture_pct/max": (35, pytest.approx(35)),
        "/amount/mass_kg": (10, pytest.approx(0, abs=1e-9)),
    }
    assert "only approaches 35 %" in solution.conflicts[0].because
    assert solution.nearest is not None
    assert solution.nearest.recipe.mass_kg == pytest.approx(1000)


def test_where_the_proof_is_blurred_the_missed_limits_are_named() -> None:
    """Asked of a request that can be met, with a point that misses it: no irreducible set exists."""
    available = [Available(GRASS), Available(LEAVES)]
    programme = build(available, Targets(moisture_pct=Range(50, 60)), Amount(mass_kg=10), allow_water=False)
    nearest = miss_least(programme)
    assert nearest is not None
    all_grass = replace(nearest, kg=np.array([1.0, 0.0]))
    (clash,) = find_clashes(programme, all_grass)
    assert isinstance(clash.demand, Limit)
    assert (clash.demand.side, clash.reached) == ("max", pytest.approx(77))


def leaves_of(value: object) -> list[object]:
    if isinstance(value, dict):
        return [leaf for one in value.values() for leaf in leaves_of(one)]
    if isinstance(value, list | tuple):
        return [leaf for one in value for leaf in leaves_of(one)]
    return [value]


@pytest.mark.parametrize("ceiling", [60, 10])
def test_answers_hold_plain_numbers(ceiling: float) -> None:
    """Numpy's own numbers would not become JSON."""
    available = [
        Available(HORSE_MANURE, min_kg=1, cost_per_kg=0),
        Available(STRAW, max_kg=90, cost_per_kg=0.1),
    ]
    solution = solve(
        available, Targets(Range(25, 90), Range(5, ceiling)), Amount(mass_kg=100), allow_water=True
    )
    kinds = {type(leaf) for leaf in leaves_of(asdict(solution))}
    assert kinds <= {float, int, str, bool, type(None)}
    assert float in kinds
