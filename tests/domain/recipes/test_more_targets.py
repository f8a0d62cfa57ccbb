"""The further figures that may be targets, shares, and what spoils: closed forms of two materials and grids of more."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from service.domain.errors import Invalid
from service.domain.recipes import Amount, Available, Choice, Ingredient, Range, Targets, evaluate, solve
from service.domain.recipes.quotients import QUOTIENTS
from tests.domain.recipes.materials import GRASS, HAY, LEAVES, STRAW, exactly, kg_of

HUNDRED = Amount(mass_kg=100)
# Chandler et al. 1980 (from memory): 0.830 - 0.028 X, X lignin in % of volatile solids: newsprint 20.9, cow manure 7.9
PAPER = Ingredient(
    "paper", moisture_pct=6, nitrogen_pct=0.1, carbon_pct=49, volatile_solids_pct=90,
    bulk_density_kg_m3=130, lignin_pct=18.81, lignin_method="van_soest",
)  # fmt: skip
MANURE = Ingredient(
    "manure", moisture_pct=80, nitrogen_pct=2.4, carbon_pct=45, volatile_solids_pct=80,
    bulk_density_kg_m3=700, lignin_pct=6.32, lignin_method="van_soest",
)  # fmt: skip
PAPER_SHARE, MANURE_SHARE = 0.830 - 0.028 * 20.9, 0.830 - 0.028 * 7.9


def both(targets: Targets, **more: object) -> tuple[float, float]:
    solution = solve([Available(PAPER), Available(MANURE)], targets, HUNDRED, **more)
    return kg_of(solution, "paper"), kg_of(solution, "manure")


def test_nitrogen_of_two_materials() -> None:
    """p 0.94 (0.1 - 1) + m 0.20 (2.4 - 1) = 0: the balance of nitrogen in dry matter."""
    paper, manure = both(Targets(nitrogen_pct=exactly(1)))
    assert paper / manure == pytest.approx(0.20 * 1.4 / (0.94 * 0.9))


def test_volatile_solids_of_two_materials() -> None:
    paper, manure = both(Targets(volatile_solids_pct=exactly(88)))
    assert paper / manure == pytest.approx(0.20 * 8 / (0.94 * 2))


def test_biodegradable_ratio_of_two_materials() -> None:
    """The two-material form of C:N (recipe 2.4 of the reference) with the carbon that lignin leaves."""
    paper, manure = both(Targets(biodegradable_carbon_nitrogen_ratio=exactly(20)))
    rich, poor = 45 * MANURE_SHARE, 49 * PAPER_SHARE
    assert paper / manure == pytest.approx(2.4 * (20 - rich / 2.4) * 0.20 / (0.1 * (poor / 0.1 - 20) * 0.94))


def test_energy_of_two_materials() -> None:
    """5550 cal per g of biodegradable solids (Haug, from memory) over all water: 700 (p 0.06 + m 0.8) = heat."""
    paper, manure = both(Targets(energy_cal_per_g_water=exactly(700)))
    heat = 5550 * (paper * 0.94 * 0.9 * PAPER_SHARE + manure * 0.2 * 0.8 * MANURE_SHARE)
    assert heat / (paper * 0.06 + manure * 0.80) == pytest.approx(700)


FIGURES = {
    "carbon_nitrogen_ratio": lambda mix: mix.carbon_nitrogen_ratio,
    "moisture_pct": lambda mix: mix.moisture_pct,
    "free_air_space_pct": lambda mix: mix.free_air_space_pct,
    "bulk_density_kg_m3": lambda mix: mix.bulk_density_kg_m3,
    "volatile_solids_pct": lambda mix: mix.volatile_solids_pct,
    "nitrogen_pct": lambda mix: mix.nitrogen_pct,
    "biodegradable_carbon_nitrogen_ratio": lambda mix: mix.biodegradable_carbon_nitrogen_ratio,
    "energy_cal_per_g_water": lambda mix: mix.energy.energy_cal_per_g_water,
}


def test_every_figure_is_tried_here() -> None:
    assert set(FIGURES) == set(QUOTIENTS)


@pytest.mark.parametrize("name", list(FIGURES))
@pytest.mark.parametrize("shrink", [None, 20])
def test_the_solver_and_the_evaluation_mean_the_same(name: str, shrink: float | None) -> None:
    """Ask for just what a known mix has, beside another target, and find it in the answer's evaluation."""
    known = evaluate([replace(PAPER, mass_kg=30), replace(MANURE, mass_kg=70)], mixing_shrink_pct=shrink)
    wanted = FIGURES[name](known)
    solution = solve(
        [
            Available(PAPER),
            Available(MANURE),
            Available(replace(MANURE, name="old", moisture_pct=60, nitrogen_pct=1.2)),
        ],
        Targets(**{name: exactly(wanted)}),
        Amount(volume_m3=0.5),
        choice=Choice(mixing_shrink_pct=shrink),
    )
    assert solution.recipe is not None, solution.conflicts
    assert FIGURES[name](solution.recipe) == pytest.approx(wanted, rel=1e-6)
    made = solution.recipe.volume_m3 if shrink is None else solution.recipe.settled_volume_m3
    assert made == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("name", "materials", "lack"),
    [
        ("volatile_solids_pct", [], "dry matter"),
        ("nitrogen_pct", [], "dry matter"),
        (
            "energy_cal_per_g_water",
            [Ingredient("dust", moisture_pct=0, nitrogen_pct=1, carbon_pct=40)],
            "water",
        ),
    ],
)
def test_a_figure_that_has_no_value(name: str, materials: list[Ingredient], lack: str) -> None:
    rain = materials or [Ingredient("rain", moisture_pct=100)]
    solution = solve(
        [Available(one) for one in rain], Targets(**{name: Range(max=50)}), HUNDRED, choice=Choice(may_buy=())
    )
    assert solution.state == "infeasible"
    (conflict,) = solution.conflicts
    assert conflict.reached is None
    assert lack in conflict.because


@pytest.mark.parametrize("name", ["lignin_pct", "lignin_method"])
def test_klason_lignin_is_not_taken(name: str) -> None:
    poor = replace(
        PAPER,
        **{name: None if name == "lignin_pct" else "klason"},
        **({"lignin_method": None} if name == "lignin_pct" else {}),
    )
    with pytest.raises(Invalid) as refusal:
        solve(
            [Available(poor), Available(MANURE)],
            Targets(biodegradable_carbon_nitrogen_ratio=Range(20, 30)),
            HUNDRED,
        )
    assert refusal.value.errors[0].pointer == "/ingredients/0/lignin_pct"
    assert "van_soest" in refusal.value.errors[0].detail


# --- shares


def test_shares_of_mass() -> None:
    """12 s + 77 g + 35 l: the wettest is grass but for 20 of straw and 5 of leaves, 61.9 %; without either bound 64."""
    available = [
        Available(STRAW, min_share_of_mass_pct=20, max_share_of_mass_pct=40),
        Available(GRASS),
        Available(LEAVES, min_share_of_mass_pct=5),
    ]
    wettest = solve(available, Targets(moisture_pct=Range(min=0.2 * 12 + 0.05 * 35 + 0.75 * 77)), HUNDRED)
    assert [p.mass_kg for p in wettest.recipe.ingredients] == pytest.approx([20, 75, 5], rel=1e-6)
    wetter = solve(available, Targets(moisture_pct=Range(min=63)), HUNDRED, choice=Choice(may_buy=()))
    assert wetter.state == "infeasible"
    assert {c.pointer for c in wetter.conflicts} == {
        "/targets/moisture_pct/min",
        "/ingredients/0/min_share_of_mass_pct",
        "/ingredients/2/min_share_of_mass_pct",
    }
    assert {(cure.what, cure.kind) for cure in wetter.cures} >= {
        ("straw", "relax"),
        ("moisture_pct", "relax"),
    }


def test_shares_of_volume() -> None:
    """Half the volume straw at 134.7 and half grass at 240 kg/m3."""
    available = [Available(STRAW, min_share_of_volume_pct=50), Available(GRASS)]
    solution = solve(available, Targets(moisture_pct=Range(min=53.6305)), Amount(volume_m3=1))
    straw = solution.recipe.ingredients[0]
    assert straw.volume_m3 == pytest.approx(0.5, rel=1e-4)
    assert solution.recipe.moisture_pct == pytest.approx((67.35 * 12 + 120 * 77) / 187.35, rel=1e-4)


def test_water_counts_in_the_shares() -> None:
    """Hay at 9 % would be 52.2 of 100 at the middle, 52.5 %."""
    available = [Available(HAY, max_share_of_mass_pct=50)]
    solution = solve(available, Targets(moisture_pct=Range(45, 60)), HUNDRED, allow_water=True)
    assert solution.recipe.ingredients[0].share_of_mass_pct == pytest.approx(50)
    assert solution.water_l == pytest.approx(50)


def test_shares_that_leave_too_little() -> None:
    full = [Available(GRASS, max_share_of_mass_pct=40), Available(LEAVES, max_share_of_mass_pct=50)]
    solution = solve(full, Targets(moisture_pct=Range(20, 90)), HUNDRED)
    assert solution.state == "infeasible"
    assert {c.target for c in solution.conflicts} >= {"share_of_mass_pct"}
    assert {c.ingredient for c in solution.conflicts} >= {"grass", "leaves"}
    assert solution.nearest is not None
    assert {v.ingredient for v in solution.nearest.violations} <= {"grass", "leaves"}
    assert any(cure.kind == "buy" for cure in solution.cures)


# --- what spoils first


def test_what_spoils_first_is_used_up() -> None:
    """60 % of moisture bears 2500 / 42 = 59.5 kg of grass beside leaves; food that spoils sooner would come first."""
    available = [Available(GRASS, spoils_in_days=2), Available(LEAVES)]
    solution = solve(available, Targets(moisture_pct=Range(50, 60)), HUNDRED)
    assert kg_of(solution, "grass") == pytest.approx(2500 / 42)
    assert solution.objective.startswith("the most of what spoils first, then ")


def test_the_soonest_goes_before_the_next() -> None:
    old = replace(GRASS, name="older grass")
    available = [
        Available(GRASS, max_kg=50, spoils_in_days=4),
        Available(old, max_kg=30, spoils_in_days=1),
        Available(LEAVES),
    ]
    solution = solve(available, Targets(moisture_pct=Range(50, 60)), HUNDRED)
    assert kg_of(solution, "older grass") == pytest.approx(30)
    assert kg_of(solution, "grass") == pytest.approx(2500 / 42 - 30)


ORDERS = [
    # cheapest is the driest with leaves at 0.1: 35.7 kg of grass
    ("cost", 1500 / 42, "least cost"),
    (None, 1500 / 42, "least cost"),
    ("spoilage", 2500 / 42, "the most of what spoils first"),
    ("middle", 2000 / 42, "the smallest largest distance"),
]


@pytest.mark.parametrize(("prefer", "grass", "words"), ORDERS)
def test_the_caller_says_what_comes_first(prefer: str | None, grass: float, words: str) -> None:
    available = [Available(GRASS, cost_per_kg=0.3, spoils_in_days=1), Available(LEAVES, cost_per_kg=0.1)]
    solution = solve(available, Targets(moisture_pct=Range(50, 60)), HUNDRED, choice=Choice(prefer=prefer))
    assert kg_of(solution, "grass") == pytest.approx(grass, rel=1e-6)
    assert solution.objective.startswith(words)


# --- grids of four and five materials, by plain sums


@pytest.mark.parametrize(("count", "step"), [(4, 0.02), (5, 0.05)])
@pytest.mark.parametrize("seed", range(8))
def test_against_a_grid(seed: int, count: int, step: float) -> None:
    random = np.random.default_rng(100 + seed)
    moisture, nitrogen = random.uniform(5, 90, count), random.uniform(0.3, 4, count)
    carbon, ash = random.uniform(30, 45, count), random.uniform(5, 15, count)
    price, highest = random.uniform(0.1, 1, count), random.uniform(40, 90, count)
    ticks = np.array(
        [t for t in product(np.arange(0, 1 + step / 2, step), repeat=count - 1) if sum(t) <= 1 + 1e-9]
    )
    shares = np.column_stack((ticks, 1 - ticks.sum(axis=1)))
    dry = 1 - moisture / 100
    figures = {
        "carbon_nitrogen_ratio": shares @ (dry * carbon) / (shares @ (dry * nitrogen)),
        "moisture_pct": shares @ moisture,
        "nitrogen_pct": shares @ (dry * nitrogen) / (shares @ dry),
        "volatile_solids_pct": shares @ (dry * (100 - ash)) / (shares @ dry),
    }
    fits = (100 * shares <= highest + 1e-9).all(axis=1)
    ranges = {}
    for name, figure in figures.items():
        low, high = np.quantile(figure, sorted(random.uniform(0.0, 1.0, 2)))
        ranges[name] = Range(float(low), float(high))
        fits &= (figure >= low) & (figure <= high)
    available = [
        Available(
            Ingredient(
                f"m{i}", moisture_pct=float(moisture[i]), nitrogen_pct=float(nitrogen[i]), carbon_pct=float(carbon[i]),
                volatile_solids_pct=float(100 - ash[i]),
            ),
            cost_per_kg=float(price[i]),
            max_share_of_mass_pct=float(highest[i]),
            spoils_in_days=1 if i == 0 else None,
        )
        for i in range(count)
    ]  # fmt: skip
    cheapest = solve(available, Targets(**ranges), Amount(mass_kg=1), choice=Choice(may_buy=()))
    fresh = solve(
        available, Targets(**ranges), Amount(mass_kg=1), choice=Choice(prefer="spoilage", may_buy=())
    )
    assert cheapest.state == fresh.state
    if not fits.any():
        return
    assert cheapest.state == "solved"
    # the grid cannot beat an optimum, and comes within a few steps of it
    best = (shares @ price)[fits].min()
    assert best - 12 * step <= cheapest.cost <= best + 1e-9
    most = shares[fits, 0].max()
    assert most - 1e-9 <= fresh.recipe.ingredients[0].mass_kg <= most + 12 * step
