"""Whole measures, against counting every possible load and against another solver."""

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray
from ortools.linear_solver import pywraplp

from service.domain.recipes import (
    Amount,
    Available,
    Choice,
    Ingredient,
    Measure,
    Range,
    Solution,
    Targets,
    solve,
)
from service.domain.recipes.preference import WHOLE_NEAR
from service.domain.recipes.programme import build
from tests.domain.recipes.materials import GRASS, HAY, LEAVES, STRAW, exactly

BARROW = Measure("barrow", volume_l=80)
MOST = 14


def barrows(*ingredients: Ingredient, **overrides: object) -> list[Available]:
    return [Available(one, measure=BARROW, whole=True, **overrides) for one in ingredients]


@dataclass(frozen=True)
class Case:
    available: list[Available]
    targets: Targets
    amount: Amount
    cost: NDArray[np.float64]
    distance: NDArray[np.float64]
    """Of every load of at most ``MOST`` of each; infinite where the amount or a target is missed."""


def invent(seed: int, count: int) -> Case:
    """Invent materials, and count every load by plain sums, never by the solver."""
    random = np.random.default_rng(seed)
    moisture, nitrogen = random.uniform(5, 85, count), random.uniform(0.3, 4, count)
    carbon, density = random.uniform(35, 55, count), random.uniform(80, 700, count)
    price = random.uniform(0.01, 1, count)
    loads = np.array(list(product(range(MOST + 1), repeat=count)), dtype=float)
    kg = loads * density * 0.08
    dry = 1 - moisture / 100
    mass = kg.sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        ratio = kg @ (dry * carbon) / (kg @ (dry * nitrogen))
        wet = kg @ moisture / mass
    middle = random.uniform(np.nanquantile(ratio, 0.2), np.nanquantile(ratio, 0.9))
    wet_middle = random.uniform(np.nanquantile(wet, 0.1), np.nanquantile(wet, 0.9))
    width, wet_width = random.choice([0.5, 3.0]), random.choice([0.3, 4.0])
    far = np.maximum(np.abs(ratio - middle) / width, np.abs(wet - wet_middle) / wet_width)
    wanted = 0.08 * float(random.integers(5, 11))
    made = loads.sum(axis=1) * 0.08
    fits = (made >= wanted - 1e-9) & (made <= wanted * 1.05 + 1e-9)
    available = [
        Available(
            Ingredient(
                f"m{i}",
                moisture_pct=float(moisture[i]),
                nitrogen_pct=float(nitrogen[i]),
                carbon_pct=float(carbon[i]),
                bulk_density_kg_m3=float(density[i]),
            ),
            max_kg=float(MOST * density[i] * 0.08),
            cost_per_kg=float(price[i]),
            measure=BARROW,
            whole=True,
        )
        for i in range(count)
    ]
    targets = Targets(
        Range(middle - width, middle + width), Range(wet_middle - wet_width, wet_middle + wet_width)
    )
    return Case(
        available, targets, Amount(volume_m3=wanted), kg @ price, np.where(fits & (far <= 1), far, np.inf)
    )


CASES = [(seed, count) for count in (2, 3, 4) for seed in range(10)]


def distance_of(solution: Solution, targets: Targets) -> float:
    assert solution.recipe is not None
    far = 0.0
    for name, wanted in targets.given():
        middle, half = (wanted.min + wanted.max) / 2, (wanted.max - wanted.min) / 2
        far = max(far, abs(getattr(solution.recipe, name) - middle) / half)
    return far


@pytest.mark.parametrize(("seed", "count"), CASES)
def test_against_every_load(seed: int, count: int) -> None:
    case = invent(seed, count)
    possible = np.isfinite(case.distance)
    cheapest = solve(case.available, case.targets, case.amount)
    central = solve([replace(one, cost_per_kg=None) for one in case.available], case.targets, case.amount)
    assert (cheapest.state == "solved") == (central.state == "solved") == bool(possible.any())
    if not possible.any():
        assert cheapest.conflicts
        return
    assert cheapest.cost == pytest.approx(case.cost[possible].min(), rel=1e-6)
    assert distance_of(central, case.targets) <= max(WHOLE_NEAR, case.distance.min()) + 1e-5
    for load in central.loads:
        assert load.count == int(load.count)
        assert load.count * load.measure_kg == pytest.approx(
            next(p.mass_kg for p in central.recipe.ingredients if p.name == load.ingredient)
        )


def test_the_cases_are_of_both_kinds() -> None:
    solvable = sum(bool(np.isfinite(invent(seed, count).distance).any()) for seed, count in CASES)
    assert 5 <= solvable <= len(CASES) - 5


@pytest.mark.parametrize("seed", range(8))
def test_against_another_solver(seed: int) -> None:
    """SCIP, by way of OR-Tools, on the rows of the same request; five materials of which two go in by any mass."""
    case = invent(seed, 3)
    rest = [Available(one, cost_per_kg=0.2, max_kg=60) for one in (HAY, GRASS)]
    available, targets = [*case.available, *rest], Targets(Range(22, 34), Range(45, 62))
    ours = solve(available, targets, case.amount, allow_water=True)
    programme = build(available, targets, case.amount, allow_water=True)
    scip = pywraplp.Solver.CreateSolver("SCIP")
    infinity = scip.infinity()
    counts = [
        scip.IntVar(0, MOST, "") if unit else scip.NumVar(0, min(float(most), infinity), "")
        for unit, most in zip(programme.units, programme.upper, strict=True)
    ]
    step = np.where(programme.units > 0, programme.units, 1.0)
    for row in programme.rows:
        scip.Add(sum(float(c) * x for c, x in zip(row.coefficients * step, counts, strict=True)) <= row.bound)
    made = sum(float(c) * x for c, x in zip(programme.amount * step, counts, strict=True))
    scip.Add(made >= programme.least)
    scip.Add(made <= programme.most)
    scip.Minimize(sum(float(c) * x for c, x in zip(programme.costs * step, counts, strict=True)))
    status = scip.Solve()
    assert (status == pywraplp.Solver.OPTIMAL) == (ours.state == "solved")
    if ours.cost is not None:
        assert ours.cost == pytest.approx(scip.Objective().Value() * programme.scale_kg, rel=1e-5)


def test_what_rounding_costs_is_told() -> None:
    """Leaves at 35 %, grass at 77 %: 50 % wants 15 parts of grass to 27 of leaves, 24 kg to 43.2 kg; in barrows of
    19.2 and 9.6 kg one barrow of grass bears at most 3.6 of leaves, so 4 need 2. Derived."""
    available = [
        replace(one, cost_per_kg=price) for one, price in zip(barrows(GRASS, LEAVES), (1.0, 0.1), strict=True)
    ]
    solution = solve(available, Targets(moisture_pct=Range(50, 60)), Amount(volume_m3=0.40))
    counts = {load.ingredient: load.count for load in solution.loads}
    assert counts == {"grass": 2, "leaves": 3}
    assert solution.rounding is not None
    # in parts: g + l = 5 barrows, 27 x 19.2 g = 15 x 9.6 l, so g = 1.0870
    grass = 5 * 15 * 9.6 / (27 * 19.2 + 15 * 9.6)
    assert solution.rounding.cost_more == pytest.approx(
        (2 - grass) * 19.2 - 0.1 * (2 - grass) * 9.6, rel=1e-6
    )
    assert "more in money" in solution.rounding.words


def test_a_mix_in_parts_alone_is_told_as_such() -> None:
    """C:N of exactly 30 wants 0.347 kg of leaves to a kg of grass (Cornell, from memory); no two whole numbers of
    barrows of 9.6 and 19.2 kg that small do it, but 3 of leaves beside 4.32 of grass do, and 4 of grass beside 2.78."""
    solution = solve(barrows(GRASS, LEAVES), Targets(exactly(30)), Amount(volume_m3=0.48, surplus_pct=30))
    assert solution.state == "infeasible"
    (conflict,) = solution.conflicts
    assert (conflict.target, conflict.pointer) == ("whole", "/ingredients/0/whole")
    assert "In parts of a measure there is a mix" in conflict.because
    assert solution.rounding is not None
    assert solution.rounding.unrounded.carbon_nitrogen_ratio == pytest.approx(30)
    assert solution.nearest is not None
    assert all(load.count == int(load.count) for load in solution.nearest.loads)
    kinds = {cure.kind for cure in solution.cures}
    assert {"part_measures", "relax"} <= kinds
    assert [cure.what for cure in solution.cures if cure.kind == "part_measures"] == ["grass", "leaves"]


def test_never_less_than_asked_and_no_more_than_allowed() -> None:
    targets = Targets(moisture_pct=Range(50, 60))
    ample = solve(barrows(GRASS, LEAVES), targets, Amount(volume_m3=1.0))
    assert ample.recipe is not None
    assert ample.recipe.volume_m3 == pytest.approx(1.04)  # 12.5 barrows are asked: 13 are 4 % more
    strict = solve(barrows(GRASS, LEAVES), targets, Amount(volume_m3=1.0, surplus_pct=3))
    assert strict.state == "infeasible"
    bigger = next(cure for cure in strict.cures if cure.kind == "change_amount")
    assert bigger.to == pytest.approx(1.04)


def test_any_mass_goes_in_beside_the_whole() -> None:
    """Straw in whole barrows of 10.776 kg, and as much water as it takes: 12 s + 100 w = 55 (s + w)."""
    straw = barrows(STRAW)
    solution = solve(
        straw, Targets(moisture_pct=exactly(55)), Amount(of="straw", measures=3), allow_water=True
    )
    assert [load.count for load in solution.loads] == [3]
    assert solution.water_l == pytest.approx(43 / 45 * 3 * 10.776)


def test_a_bay_that_no_barrow_fits_has_a_nearest() -> None:
    solution = solve(barrows(GRASS, LEAVES), Targets(moisture_pct=Range(30, 80)), Amount(volume_m3=0.05))
    assert solution.state == "infeasible"
    assert solution.nearest is not None
    assert [v.target for v in solution.nearest.violations] == ["amount"]
    assert sum(load.count for load in solution.nearest.loads) == 1


def test_whole_measures_and_stock_too_short() -> None:
    """9 kg are not one barrow of leaves, so nothing but one barrow of grass can be made."""
    available = [*barrows(GRASS, max_kg=30), *barrows(LEAVES, max_kg=9)]
    solution = solve(available, Targets(moisture_pct=Range(30, 80)), Amount(mass_kg=100))
    assert solution.state == "infeasible"
    assert {c.target for c in solution.conflicts} == {"amount", "max_kg"}
    assert solution.nearest is not None
    assert solution.nearest.recipe.mass_kg == pytest.approx(19.2)


@pytest.mark.parametrize("prefer", ["cost", "middle"])
def test_other_whole_mixes_are_whole_and_other(prefer: str) -> None:
    available = [replace(one, cost_per_kg=0.1) for one in barrows(GRASS, LEAVES, HAY, STRAW)]
    solution = solve(
        available,
        Targets(Range(25, 35), Range(50, 62)),
        Amount(volume_m3=1.2),
        allow_water=True,
        choice=Choice(prefer=prefer, alternatives=3, within_pct=20),
    )
    seen = {tuple(load.count for load in solution.loads)}
    assert solution.alternatives
    for other in solution.alternatives:
        counts = tuple(load.count for load in other.loads)
        assert all(count == int(count) for count in counts)
        assert other.recipe.carbon_nitrogen_ratio == pytest.approx(30, abs=5.0001)
        assert other.moved_kg > 0.01 * other.recipe.mass_kg * 0.9
        seen.add((*counts, round(other.water_l, 3)))
    assert len(seen) == 1 + len(solution.alternatives)
