"""Other mixes about as good as the one offered."""

import pytest

from service.domain.recipes import Amount, Available, Choice, Range, Targets, solve
from tests.domain.recipes.materials import GRASS, HAY, LEAVES, STRAW, exactly

HUNDRED = Amount(mass_kg=100)


def test_other_mixes_are_as_good_and_unlike() -> None:
    priced = [
        Available(one, cost_per_kg=price)
        for one, price in ((GRASS, 0.1), (LEAVES, 0.1), (HAY, 0.1), (STRAW, 0.1))
    ]
    targets = Targets(Range(25, 40), Range(50, 62))
    solution = solve(priced, targets, HUNDRED, choice=Choice(alternatives=3, within_pct=2))
    assert len(solution.alternatives) == 3
    mixes = [solution.recipe, *(other.recipe for other in solution.alternatives)]
    for other in solution.alternatives:
        assert other.cost <= solution.cost * 1.02 + 1e-9
        assert 25 - 1e-6 <= other.recipe.carbon_nitrogen_ratio <= 40 + 1e-6
        assert 50 - 1e-6 <= other.recipe.moisture_pct <= 62 + 1e-6
        assert "kg" in other.differs
    for place, one in enumerate(mixes):
        for other in mixes[:place]:
            pairs = zip(one.ingredients, other.ingredients, strict=False)
            assert sum(abs(a.mass_kg - b.mass_kg) for a, b in pairs) / 2 >= 1 - 1e-6
    assert "within 2 %" in solution.alternatives_note


def test_where_there_is_one_mix_there_are_no_others() -> None:
    solution = solve(
        [Available(GRASS), Available(LEAVES)],
        Targets(moisture_pct=exactly(60)),
        HUNDRED,
        choice=Choice(alternatives=2),
    )
    assert solution.alternatives == ()
    assert "No more than 0" in solution.alternatives_note


@pytest.mark.parametrize("of", [True, False])
def test_others_come_around_a_named_mass_too(of: bool) -> None:  # noqa: FBT001 - a table
    amount = Amount(of="grass", mass_kg=30) if of else Amount(volume_m3=0.5)
    solution = solve(
        [Available(GRASS), Available(LEAVES), Available(HAY), Available(STRAW)],
        Targets(Range(25, 40), Range(45, 62)),
        amount,
        choice=Choice(alternatives=4, within_pct=50),
        allow_water=True,
    )
    assert solution.alternatives
    for other in solution.alternatives:
        made = other.recipe.ingredients[0].mass_kg if of else other.recipe.volume_m3
        assert made == pytest.approx(30 if of else 0.5)
        assert 45 - 1e-6 <= other.recipe.moisture_pct <= 62 + 1e-6


def test_what_spoils_is_still_used_up() -> None:
    available = [Available(GRASS, spoils_in_days=1), Available(LEAVES), Available(HAY), Available(STRAW)]
    solution = solve(
        available, Targets(moisture_pct=Range(50, 60)), HUNDRED, choice=Choice(alternatives=3, within_pct=10)
    )
    grass = solution.recipe.ingredients[0].mass_kg
    assert solution.alternatives
    assert all(other.recipe.ingredients[0].mass_kg >= 0.9 * grass - 1e-6 for other in solution.alternatives)
