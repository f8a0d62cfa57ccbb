"""Solving for a mix: a recipe that meets the targets, or what stands in the way and the nearest mix."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from .conflicts import find_clashes, stock_clashes
from .evaluate import mix
from .evaluation import Evaluation
from .linear import Vector
from .nearest import Nearest, miss_least, miss_least_barren
from .preference import describe, prefer
from .programme import Programme, build
from .reasons import Conflict, Violation, in_words, no_nitrogen, violations
from .request import WATER, Amount, Available, Targets, check

_DUST: Final = 1e-9
"""A share of the amount too small to be more than round-off."""
_BORDERLINE: Final = 1e-9


@dataclass(frozen=True, slots=True)
class NearestMix:
    """The mix of least violation.

    Attributes
    ----------
    recipe
        The mix.
    water_l
        Of it, water added.
    violations
        The limits it misses, and by how much.
    """

    recipe: Evaluation
    water_l: float
    violations: tuple[Violation, ...]


@dataclass(frozen=True, slots=True)
class Solution:
    """The answer of solving.

    Attributes
    ----------
    state
        ``solved``, or ``infeasible`` when no mix meets the request.
    recipe
        The mix; ``None`` when infeasible.
    water_l
        Water added, 1 kg to the litre; ``None`` when infeasible.
    cost
        Of the recipe, in the caller's money; ``None`` without prices or when infeasible.
    objective
        By what this mix was chosen among those that meet the request.
    conflicts
        When infeasible, the smallest set of demands that cannot be kept together.
    nearest
        When infeasible, the mix that misses least; ``None`` when not even one can be named.
    """

    state: Literal["solved", "infeasible"]
    recipe: Evaluation | None
    water_l: float | None
    cost: float | None
    objective: str
    conflicts: tuple[Conflict, ...] = ()
    nearest: NearestMix | None = None


def solve(
    available: Sequence[Available], targets: Targets, amount: Amount, *, allow_water: bool = False
) -> Solution:
    """Find the mix that meets the targets with the stock at hand.

    Every target is linear in the masses (moisture and C:N as weighted sums, free air space and bulk density through
    the summed loose volumes), so a linear programme answers exactly whether a mix exists.

    Among the mixes that meet the request, one is chosen in stages, each among the optima of the one before: least
    cost, when prices are given; around a given mass of one material, at most twice the least mass that would do; the
    smallest largest distance from the middles of the two-sided target ranges,
    measured in half-widths of each range; least added water; the largest portion as small as it can be, then the
    second largest, and so on. A one-sided target is a limit and pulls nowhere. The order in which ingredients are
    given does not matter.

    When there is none, ``conflicts`` is an irreducible set: any one demand given up, the others can be kept.
    ``reached`` is then the nearest to the demand that the others of the set allow. ``nearest`` keeps stock and
    amount and misses the targets least: first the largest relative violation is made small, then the largest of the
    others, then the added water. Only when stock and amount contradict each other does the amount give way.

    Parameters
    ----------
    available
        Materials without amounts, with stock bounds (kg) and prices. Prices for all or for none.
    targets
        Ranges of C:N, moisture (% of wet mass), free air space (% of volume), bulk density (kg/m3).
    amount
        A loose volume (m3), a mass (kg), or the mass of one ingredient.
    allow_water
        Whether water may be added, at 1 kg and 1 L; it costs nothing.

    Returns
    -------
    Solution
        Never an exception for an infeasible request.

    Raises
    ------
    Invalid
        When the request itself is wrong; one entry per value, pointing into it.

    References
    ----------
    [1] Cornell Waste Management Institute, simultaneous solution of moisture and C:N, of which this is the general
        form.
    """
    check(available, targets, amount, allow_water=allow_water)
    programme = build(available, targets, amount, allow_water=allow_water)
    short = stock_clashes(programme)
    kg = None if short else prefer(programme, targets)
    if kg is not None:
        return _solved(kg, programme, available, targets)
    if short is not None:
        clashes, part = short
        conflicts = in_words(clashes, programme, available, amount)
        return _infeasible(conflicts, _nearest_of(_scaled(programme, part)), programme, available, amount)
    nearest = miss_least(programme)
    if nearest is None:
        return _infeasible(no_nitrogen(programme), miss_least_barren(programme), programme, available, amount)
    if nearest.violation <= _BORDERLINE:
        return _solved(nearest.kg, programme, available, targets)
    conflicts = in_words(find_clashes(programme, nearest), programme, available, amount)
    return _infeasible(conflicts, nearest, programme, available, amount)


def _scaled(programme: Programme, part: float) -> Programme | None:
    """Ask for the part of the amount that stock allows; nothing can be made of nothing."""
    return replace(programme, amount=programme.amount / part) if part > 0 else None


def _nearest_of(programme: Programme | None) -> Nearest | None:
    """Find the nearest mix, leaving C:N aside where it has no value."""
    if programme is None:
        return None
    return miss_least(programme) or miss_least_barren(programme)


def _solved(kg: Vector, programme: Programme, available: Sequence[Available], targets: Targets) -> Solution:
    recipe, water = _recipe(kg, programme, available)
    prices = [one.cost_per_kg for one in available]
    made = zip(prices, recipe.ingredients, strict=False)
    return Solution(
        state="solved",
        recipe=recipe,
        water_l=water,
        cost=None if prices[0] is None else sum((price or 0.0) * portion.mass_kg for price, portion in made),
        objective=describe(programme, targets),
    )


def _infeasible(
    conflicts: tuple[Conflict, ...],
    nearest: Nearest | None,
    programme: Programme,
    available: Sequence[Available],
    amount: Amount,
) -> Solution:
    missed: NearestMix | None = None
    if nearest is not None:
        recipe, water = _recipe(nearest.kg, programme, available)
        missed = NearestMix(recipe, water, violations(recipe, programme, amount, is_barren=nearest.is_barren))
    words = "the smallest largest relative violation of the targets, then the smallest of the others"
    return Solution("infeasible", None, None, None, words, conflicts, missed)


def _recipe(kg: Vector, programme: Programme, available: Sequence[Available]) -> tuple[Evaluation, float]:
    """Evaluate a point, in the order of the request; water comes last, when there is any."""
    cleaned = np.where(
        (kg < _DUST) & (programme.lower == 0), 0.0, np.clip(kg, programme.lower, programme.upper)
    )
    masses = {
        one.name: float(mass) * programme.scale_kg
        for one, mass in zip(programme.materials, cleaned, strict=True)
    }
    water = masses[WATER.name] if programme.has_water else 0.0
    portions = [replace(one.ingredient, mass_kg=masses[one.name]) for one in available]
    if water > 0:
        portions.append(replace(WATER, mass_kg=water))
    return mix(portions), water
