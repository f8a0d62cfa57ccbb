"""The programme against a dense grid of mixes, worked out by plain sums and never by the solver."""

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from service.domain.recipes import Amount, Available, Ingredient, Range, Solution, Targets, solve

Vector = NDArray[np.float64]
STEP = 0.005


@dataclass(frozen=True)
class Case:
    available: list[Available]
    targets: Targets
    feasible: NDArray[np.bool_]
    cost: Vector
    distance: Vector
    """Largest distance from the middles, in half-widths."""
    miss: Vector
    """Largest relative violation."""


def simplex(count: int) -> Vector:
    ticks = np.arange(0, 1 + STEP / 2, STEP)
    if count == 2:
        return np.column_stack((ticks, 1 - ticks))
    first, second = (axis.ravel() for axis in np.meshgrid(ticks, ticks))
    inside = first + second <= 1 + 1e-12
    return np.column_stack((first[inside], second[inside], 1 - first[inside] - second[inside]))


def invent(seed: int, count: int) -> Case:
    random = np.random.default_rng(seed)
    moisture, nitrogen = random.uniform(5, 90, count), random.uniform(0.3, 4, count)
    carbon, density = random.uniform(35, 55, count), random.uniform(80, 900, count)
    price = random.uniform(0, 1, count)
    shares = simplex(count)
    dry = 1 - moisture / 100
    figures = {
        "carbon_nitrogen_ratio": shares @ (dry * carbon) / (shares @ (dry * nitrogen)),
        "moisture_pct": shares @ moisture,
        "free_air_space_pct": 100 - 0.09 / (shares @ (1 / density)),
    }
    ranges: dict[str, Range] = {}
    distance, miss = np.zeros(len(shares)), np.zeros(len(shares))
    for name, figure in figures.items():
        middle = random.uniform(figure.min() * 0.9, figure.max() * 1.02)
        half = min(0.1 * middle, 99 - middle) if name != "carbon_nitrogen_ratio" else 0.1 * middle
        ranges[name] = Range(float(middle - half), float(middle + half))
        distance = np.maximum(distance, np.abs(figure - middle) / half)
        miss = np.maximum(miss, (figure - middle - half) / (middle + half))
        miss = np.maximum(miss, (middle - half - figure) / (middle - half))
    available = [
        Available(
            Ingredient(
                f"m{i}",
                moisture_pct=float(moisture[i]),
                nitrogen_pct=float(nitrogen[i]),
                carbon_pct=float(carbon[i]),
                bulk_density_kg_m3=float(density[i]),
            ),
            cost_per_kg=float(price[i]),
        )
        for i in range(count)
    ]
    return Case(available, Targets(**ranges), distance <= 1, shares @ price, distance, miss)


def answer(case: Case, *, priced: bool) -> Solution:
    available = case.available if priced else [Available(one.ingredient) for one in case.available]
    return solve(available, case.targets, Amount(mass_kg=1))


def distance_of(solution: Solution, targets: Targets) -> float:
    assert solution.recipe is not None
    far = 0.0
    for name, wanted in targets.given():
        assert wanted.min is not None
        assert wanted.max is not None
        middle, half = (wanted.min + wanted.max) / 2, (wanted.max - wanted.min) / 2
        far = max(far, abs(getattr(solution.recipe, name) - middle) / half)
    return far


CASES = [(seed, count) for count in (2, 3) for seed in range(40)]


@pytest.mark.parametrize(("seed", "count"), CASES)
def test_against_the_grid(seed: int, count: int) -> None:
    case = invent(seed, count)
    cheapest, middlemost = answer(case, priced=True), answer(case, priced=False)
    assert cheapest.state == middlemost.state
    if case.feasible.any():
        assert cheapest.state == "solved"
        assert cheapest.cost is not None
        # the grid cannot beat an optimum, and comes within a few steps of it
        assert cheapest.cost <= case.cost[case.feasible].min() + 1e-9
        assert distance_of(middlemost, case.targets) <= case.distance.min() + 1e-9
        assert distance_of(middlemost, case.targets) >= case.distance.min() - 40 * STEP
    if cheapest.state == "infeasible":
        nearest = cheapest.nearest
        assert nearest is not None
        worst = max(v.relative or 0.0 for v in nearest.violations)
        assert worst <= case.miss.min() + 1e-9
        assert worst >= case.miss.min() - 8 * STEP
    elif cheapest.recipe is not None:
        assert distance_of(cheapest, case.targets) <= 1 + 1e-6


def test_the_cases_are_of_both_kinds() -> None:
    feasible = sum(bool(invent(seed, count).feasible.any()) for seed, count in CASES)
    assert 5 <= feasible <= len(CASES) - 5


@pytest.mark.parametrize("seed", range(6))
def test_the_cheapest_mix_is_within_a_step_of_the_grid(seed: int) -> None:
    """With the whole simplex allowed, the optimum is a corner and the grid holds it exactly."""
    case = invent(seed, 3)
    wide = Targets(moisture_pct=Range(0, 100))
    solution = solve(case.available, wide, Amount(mass_kg=1))
    assert solution.cost == pytest.approx(case.cost.min(), abs=1e-9)
