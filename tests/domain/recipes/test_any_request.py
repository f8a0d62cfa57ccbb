"""Requests of every kind at once, drawn at random: what is answered keeps what was asked, and nothing breaks."""

from collections import Counter
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from service.domain.errors import Invalid
from service.domain.recipes import (
    Amount,
    Available,
    Choice,
    Evaluation,
    Ingredient,
    Measure,
    Range,
    Solution,
    Targets,
    solve,
)
from service.domain.recipes.programme import build

SEEDS = range(60)


@dataclass
class Draw:
    random: np.random.Generator

    def maybe(self, chance: float, low: float, high: float) -> float | None:
        return float(self.random.uniform(low, high)) if self.random.random() < chance else None

    def ends(self, chance: float, low: float, high: float) -> Range | None:
        first, second = sorted(map(float, self.random.uniform(low, high, 2)))
        shapes = [Range(first, second), Range(min=first), Range(max=second), Range(first, first)]
        chosen = shapes[int(self.random.choice(4, p=[0.6, 0.15, 0.2, 0.05]))]
        return chosen if self.random.random() < chance else None

    def material(self, place: int) -> Ingredient:
        pick = self.random.choice
        return Ingredient(
            f"m{place}",
            moisture_pct=float(pick([0, self.random.uniform(2, 95), 100], p=[0.05, 0.9, 0.05])),
            nitrogen_pct=float(pick([0, self.random.uniform(0.05, 6)], p=[0.1, 0.9])),
            carbon_pct=float(pick([0, self.random.uniform(20, 58)], p=[0.05, 0.95])),
            bulk_density_kg_m3=float(self.random.uniform(50, 1000)),
        )

    def at_hand(self, place: int, *, is_priced: bool) -> Available:
        measure = [Measure("barrow", volume_l=80), Measure("bucket", mass_kg=5), None][
            int(self.random.integers(3))
        ]
        return Available(
            self.material(place),
            self.maybe(0.15, 1, 30),
            self.maybe(0.5, 30, 200),
            cost_per_kg=float(self.random.uniform(0, 1)) if is_priced else None,
            min_share_of_mass_pct=self.maybe(0.15, 0, 40),
            max_share_of_mass_pct=self.maybe(0.2, 40, 90),
            max_share_of_volume_pct=self.maybe(0.15, 20, 90),
            measure=measure,
            whole=measure is not None and bool(self.random.random() < 0.5),
            spoils_in_days=self.maybe(0.2, 0, 9),
        )


def ask(seed: int) -> tuple[list[Available], Targets, Amount, bool, Choice]:
    draw = Draw(np.random.default_rng(seed))
    is_priced = bool(draw.random.random() < 0.4)
    available = [draw.at_hand(place, is_priced=is_priced) for place in range(int(draw.random.integers(1, 6)))]
    targets = Targets(
        draw.ends(0.6, 8, 80), draw.ends(0.7, 20, 80), draw.ends(0.3, 20, 90), draw.ends(0.1, 100, 700),
        draw.ends(0.2, 50, 95), draw.ends(0.2, 0.2, 4), None, draw.ends(0.15, 200, 2000),
    )  # fmt: skip
    amount = [
        Amount(mass_kg=100.0),
        Amount(volume_m3=0.4),
        Amount(of="m0", mass_kg=float(draw.random.uniform(1, 60))),
        Amount(mass_kg=100.0, surplus_pct=float(draw.random.uniform(0, 20))),
    ][int(draw.random.integers(4))]
    choice = Choice(alternatives=int(draw.random.choice([0, 2])), mixing_shrink_pct=draw.maybe(0.2, 5, 20))
    return available, targets, amount, bool(draw.random.random() < 0.5), choice


@cache
def answer(seed: int) -> Solution | None:
    """Solve a request; ``None`` when it is refused."""
    available, targets, amount, allow_water, choice = ask(seed)
    try:
        return solve(available, targets, amount, allow_water=allow_water, choice=choice)
    except Invalid:
        return None


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_answered_keeps_what_was_asked(seed: int) -> None:
    available, targets, amount, allow_water, choice = ask(seed)
    solution = answer(seed)
    if solution is None:
        return
    if solution.state == "infeasible":
        assert solution.conflicts
        assert (solution.recipe, solution.alternatives, solution.loads) == (None, (), ())
        return
    programme = build(
        available, targets, amount, allow_water=allow_water, mixing_shrink_pct=choice.mixing_shrink_pct
    )
    mixes: list[Evaluation | None] = [solution.recipe, *(other.recipe for other in solution.alternatives)]
    for mix in mixes:
        assert mix is not None
        masses = {portion.name: portion.mass_kg for portion in mix.ingredients}
        kg = np.array([masses.get(one.name, 0.0) for one in programme.materials]) / programme.scale_kg
        for limit in programme.limits:
            assert limit.sign * (limit.figure(kg) - limit.value) <= 1e-5 * limit.scale
        assert (programme.lower * (1 - 1e-6) <= kg).all()
        assert (kg <= programme.upper * (1 + 1e-6)).all()
        assert programme.least - 1e-6 <= programme.amount @ kg <= programme.most + 1e-6
        whole = programme.units > 0
        counts = kg[whole] / programme.units[whole]
        assert counts == pytest.approx(np.rint(counts), abs=1e-6)
    assert solution.cures == ()


def test_the_requests_are_of_every_kind() -> None:
    """So that the law above is not kept by default."""
    answers = [answer(seed) for seed in SEEDS]
    states = Counter("refused" if one is None else one.state for one in answers)
    assert min(states["solved"], states["infeasible"]) >= 10
    assert sum(one is not None and bool(one.alternatives) for one in answers) >= 3
