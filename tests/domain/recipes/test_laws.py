"""Laws of mixing and solving, over invented materials."""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.domain.recipes import (
    Amount,
    Available,
    Choice,
    Evaluation,
    Ingredient,
    Range,
    Targets,
    evaluate,
    solve,
)

NO_SHOP = Choice(may_buy=())
"""Looking for purchases takes time, and has its own tests."""
MEASURES = ("carbon_nitrogen_ratio", "moisture_pct", "free_air_space_pct", "bulk_density_kg_m3")
calm = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
"""A solve is some milliseconds, and a shared machine stalls now and then."""


@st.composite
def materials(draw: st.DrawFn, name: str) -> Ingredient:
    nitrogen = draw(st.floats(0.05, 8))
    return Ingredient(
        name,
        moisture_pct=draw(st.floats(2, 95)),
        nitrogen_pct=nitrogen,
        carbon_pct=draw(st.floats(20, 60)),
        bulk_density_kg_m3=draw(st.floats(50, 1000)),
    )


@st.composite
def mixes(draw: st.DrawFn, fewest: int = 1) -> list[Ingredient]:
    count = draw(st.integers(fewest, 5))
    return [replace(draw(materials(f"m{i}")), mass_kg=draw(st.floats(0.1, 500))) for i in range(count)]


@given(mixes(), st.floats(0.01, 100))
def test_scale_does_not_matter(mix: list[Ingredient], factor: float) -> None:
    one = evaluate(mix)
    other = evaluate([replace(i, mass_kg=(i.mass_kg or 0) * factor) for i in mix])
    assert other.mass_kg == pytest.approx(one.mass_kg * factor)
    for figure in MEASURES:
        assert getattr(other, figure) == pytest.approx(getattr(one, figure), rel=1e-9)


@given(mixes(2), st.randoms(use_true_random=False))
def test_order_does_not_matter(mix: list[Ingredient], random: object) -> None:
    shuffled = list(mix)
    random.shuffle(shuffled)
    one, other = evaluate(mix), evaluate(shuffled)
    for figure in ("mass_kg", "nitrogen_kg", "carbon_kg", "volume_m3", *MEASURES):
        assert getattr(other, figure) == pytest.approx(getattr(one, figure), rel=1e-9)


@given(mixes(2))
def test_a_mix_lies_between_its_extremes(mix: list[Ingredient]) -> None:
    whole = evaluate(mix)
    for figure in MEASURES:
        parts = [getattr(evaluate([one]), figure) for one in mix]
        assert min(parts) * (1 - 1e-9) <= getattr(whole, figure) <= max(parts) * (1 + 1e-9)


@given(mixes(), st.floats(0.1, 1000))
def test_water_wets_and_leaves_the_ratio(mix: list[Ingredient], litres: float) -> None:
    dry, wet = evaluate(mix), evaluate([*mix, Ingredient("water", moisture_pct=100, mass_kg=litres)])
    assert wet.carbon_nitrogen_ratio == pytest.approx(dry.carbon_nitrogen_ratio, rel=1e-9)
    assert wet.dry_mass_kg == pytest.approx(dry.dry_mass_kg, rel=1e-9)
    assert (wet.moisture_pct or 0) > (dry.moisture_pct or 0)


@given(mixes(2))
def test_mixing_in_steps_is_mixing_at_once(mix: list[Ingredient]) -> None:
    first = evaluate(mix[:-1])
    heap = Ingredient(
        "first heap",
        moisture_pct=first.moisture_pct,
        nitrogen_pct=first.nitrogen_pct,
        carbon_nitrogen_ratio=first.carbon_nitrogen_ratio,
        bulk_density_kg_m3=first.bulk_density_kg_m3,
        mass_kg=first.mass_kg,
    )
    for figure in MEASURES:
        assert getattr(evaluate([heap, mix[-1]]), figure) == pytest.approx(
            getattr(evaluate(mix), figure), rel=1e-9
        )


@st.composite
def ranges(draw: st.DrawFn, low: float, high: float) -> Range:
    least, most = sorted((draw(st.floats(low, high)), draw(st.floats(low, high))))
    shapes = [Range(least, most), Range(least, most), Range(min=least), Range(max=most), Range(least, least)]
    return draw(st.sampled_from(shapes))


@st.composite
def requests(draw: st.DrawFn) -> tuple[list[Available], Targets, Amount, bool]:
    available = []
    for index in range(draw(st.integers(1, 4))):
        least, most = draw(st.none() | st.floats(0.5, 30)), draw(st.none() | st.floats(30, 200))
        available.append(Available(draw(materials(f"m{index}")), least, most))
    targets = Targets(
        draw(st.none() | ranges(8, 80)), draw(st.none() | ranges(20, 80)), draw(st.none() | ranges(20, 90))
    )
    assume(any(True for _ in targets.given()))
    amount = draw(
        st.sampled_from(
            [Amount(mass_kg=100), Amount(volume_m3=0.4), Amount(of="m0", mass_kg=draw(st.floats(1, 60)))]
        )
    )
    return available, targets, amount, draw(st.booleans())


def misses(mix: Evaluation, targets: Targets) -> float:
    """Return the largest relative miss, by the targets themselves and not by the solver's rows."""
    worst = 0.0
    for name, wanted in targets.given():
        figure = getattr(mix, name)
        if figure is None:  # of water alone
            return math.inf
        worst = max(worst, 0 if wanted.min is None else (wanted.min - figure) / wanted.min)
        worst = max(worst, 0 if wanted.max is None else (figure - wanted.max) / wanted.max)
    return worst


def made(mix: Evaluation, amount: Amount) -> float:
    if amount.volume_m3 is not None:
        return (mix.volume_m3 or 0) / amount.volume_m3
    kg = mix.mass_kg if amount.of is None else next(p.mass_kg for p in mix.ingredients if p.name == amount.of)
    return kg / (amount.mass_kg or 0)


def is_in_stock(kg: Sequence[float], available: list[Available]) -> bool:
    return all(
        one.least_kg * (1 - 1e-9) <= mass and (one.max_kg is None or mass <= one.max_kg * (1 + 1e-9))
        for one, mass in zip(available, kg, strict=False)
    )


@calm
@given(requests())
def test_a_recipe_meets_its_request(asked: tuple[list[Available], Targets, Amount, bool]) -> None:
    available, targets, amount, allow_water = asked
    solution = solve(available, targets, amount, allow_water=allow_water, choice=NO_SHOP)
    assume(solution.recipe is not None)
    assert solution.recipe is not None
    assert misses(solution.recipe, targets) <= 1e-6
    assert is_in_stock([portion.mass_kg for portion in solution.recipe.ingredients], available)
    assert made(solution.recipe, amount) == pytest.approx(1, rel=1e-7)
    assert allow_water or solution.water_l == 0
    assert (solution.conflicts, solution.nearest) == ((), None)


@calm
@given(requests())
def test_order_of_asking_does_not_matter(asked: tuple[list[Available], Targets, Amount, bool]) -> None:
    available, targets, amount, allow_water = asked
    one = solve(available, targets, amount, allow_water=allow_water, choice=NO_SHOP)
    other = solve(available[::-1], targets, amount, allow_water=allow_water, choice=NO_SHOP)
    assert one.state == other.state
    assert {c.target for c in one.conflicts} == {c.target for c in other.conflicts}
    if one.recipe is not None and other.recipe is not None:
        kg = {portion.name: portion.mass_kg for portion in other.recipe.ingredients}
        assert {portion.name: portion.mass_kg for portion in one.recipe.ingredients} == pytest.approx(kg)


def sampled(available: list[Available], amount: Amount, *, allow_water: bool) -> list[Evaluation]:
    """Draw mixes at random, corners included, scaled to the amount; those out of stock are left out."""
    random = np.random.default_rng(7)
    kinds = [one.ingredient for one in available]
    if allow_water:
        kinds.append(Ingredient("water", moisture_pct=100, bulk_density_kg_m3=1000))
    shares = [*np.eye(len(kinds)), *random.dirichlet(np.full(len(kinds), 0.5), 150)]
    found: list[Evaluation] = []
    for share in shares:
        if amount.of is not None and share[0] < 1e-6:
            continue
        portions = [replace(kind, mass_kg=float(part)) for kind, part in zip(kinds, share, strict=True)]
        factor = 1 / made(evaluate(portions), amount)
        mix = evaluate([replace(one, mass_kg=(one.mass_kg or 0) * factor) for one in portions])
        if is_in_stock([portion.mass_kg for portion in mix.ingredients], available):
            found.append(mix)
    return found


@calm
@given(requests())
def test_where_there_is_no_recipe_chance_finds_none(
    asked: tuple[list[Available], Targets, Amount, bool],
) -> None:
    available, targets, amount, allow_water = asked
    solution = solve(available, targets, amount, allow_water=allow_water, choice=NO_SHOP)
    assume(solution.state == "infeasible")
    assert solution.conflicts
    found = [misses(mix, targets) for mix in sampled(available, amount, allow_water=allow_water)]
    assert all(miss > 1e-9 for miss in found)
    nearest = solution.nearest
    # where stock falls short of the amount, or a named mass frees the rest to grow, chance plays by other rules
    if found and nearest is not None and amount.of is None:
        assert misses(nearest.recipe, targets) <= min(found) * (1 + 1e-6)


@calm
@given(requests())
def test_a_conflict_is_real_and_none_of_it_is_idle(
    asked: tuple[list[Available], Targets, Amount, bool],
) -> None:
    """Alone, the demands of a conflict are still infeasible; any one of them given up, they are not."""
    available, targets, amount, allow_water = asked
    solution = solve(available, targets, amount, allow_water=allow_water, choice=NO_SHOP)
    assume(solution.state == "infeasible")
    pointers = {conflict.pointer for conflict in solution.conflicts}
    assume(any(pointer.startswith("/targets") for pointer in pointers))
    assert not is_solvable(available, targets, amount, pointers, allow_water=allow_water)
    for conflict in solution.conflicts:
        rest = pointers - {conflict.pointer}
        if conflict.target != "amount" and any(pointer.startswith("/targets") for pointer in rest):
            assert is_solvable(available, targets, amount, rest, allow_water=allow_water)


def is_solvable(
    available: list[Available], targets: Targets, amount: Amount, kept: set[str], *, allow_water: bool
) -> bool:
    """Solve with only the demands at some pointers; without the amount, at any of several sizes."""
    fewer = {
        name: Range(
            wanted.min if f"/targets/{name}/min" in kept else None,
            wanted.max if f"/targets/{name}/max" in kept else None,
        )
        for name, wanted in targets.given()
        if {f"/targets/{name}/min", f"/targets/{name}/max"} & kept
    }
    stock = [
        Available(
            one.ingredient,
            one.min_kg if f"/ingredients/{index}/min_kg" in kept else None,
            one.max_kg if f"/ingredients/{index}/max_kg" in kept else None,
        )
        for index, one in enumerate(available)
    ]
    sizes = (
        [amount]
        if any(p.startswith("/amount") for p in kept)
        else [Amount(mass_kg=10.0**n) for n in range(-2, 7)]
    )
    return any(
        solve(stock, Targets(**fewer), size, allow_water=allow_water, choice=NO_SHOP).state == "solved"
        for size in sizes
    )
