"""Solving for a mix: a recipe that meets the targets, or what stands in the way and the nearest mix."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from .alternatives import differs, moved, unlike
from .answering import cost_of, loads_of, masses_of, recipe_of
from .conflicts import Clash, find_clashes, stock_clashes
from .cures import find_cures
from .linear import Vector
from .nearest import Nearest, in_reach, miss_least, miss_least_void, void_targets
from .preference import describe, prefer
from .programme import Programme, build
from .reasons import Conflict, in_words, violations, whole_conflict, without_value
from .request import check
from .rounding import rounding_of
from .solution import Alternative, NearestMix, Rounding, Solution
from .wanted import Amount, Available, Choice, Request, Targets

__all__ = ["NearestMix", "Solution", "solve"]

_BORDERLINE: Final = 1e-9
_MISSING_LEAST: Final = "the smallest largest relative violation of the targets"


def solve(
    available: Sequence[Available],
    targets: Targets,
    amount: Amount,
    *,
    allow_water: bool = False,
    choice: Choice | None = None,
) -> Solution:
    """Find the mix that meets the targets with the stock at hand.

    Every target is linear in the masses (moisture and C:N as weighted sums, free air space and bulk density through
    the summed loose volumes), so a linear programme answers exactly whether a mix exists; with whole measures, a
    programme in whole numbers does.

    Among the mixes that meet the request, one is chosen in stages, each among the optima of the one before: what the
    caller puts first; least cost, when prices are given; the most of what spoils first, when dates are; around a
    given mass of one material, at most twice the least mass that would do; the smallest largest distance from the
    middles of the two-sided target ranges, measured in half-widths of each range; least added water; the largest
    portion as small as it can be, then the second largest, and so on. A one-sided target is a limit and pulls
    nowhere. The order in which ingredients are given does not matter.

    When there is none, ``conflicts`` is an irreducible set: any one demand given up, the others can be kept.
    ``reached`` is then the nearest to the demand that the others of the set allow. ``nearest`` keeps stock and
    amount and misses the targets least: first the largest relative violation is made small, then the largest of the
    others, then the added water. Only when stock and amount contradict each other, or whole measures cannot make the
    amount, does the amount give way. ``cures`` are single changes, each solved again before it is told.

    Parameters
    ----------
    available
        Materials without amounts, with stock bounds (kg), shares (%), prices, measures and days to spoiling. Prices
        for all or for none.
    targets
        Ranges of figures of the mix; see :class:`Targets`.
    amount
        A volume (m3), a mass (kg), or the mass of one ingredient (kg, or in its own measure).
    allow_water
        Whether water may be added, at 1 kg and 1 L; it costs nothing.
    choice
        What comes first, how many other mixes to tell, the shrink on mixing (%), what may be bought.

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
    choice = choice or Choice()
    check(available, targets, amount, allow_water=allow_water, choice=choice)
    request = Request(tuple(available), targets, amount, allow_water, choice)
    programme = build(
        available, targets, amount, allow_water=allow_water, mixing_shrink_pct=choice.mixing_shrink_pct
    )
    loose = replace(programme, units=np.zeros(programme.size)) if programme.is_whole else programme
    short = stock_clashes(loose)
    kg = None if short else prefer(programme, targets, choice.prefer)
    if kg is not None:
        return _solved(kg, programme, loose, request)
    if short is not None:
        clashes, part = short
        return _infeasible(clashes, _nearest_within(programme, part), programme, request)
    if programme.is_whole and (parts := prefer(loose, targets, choice.prefer)) is not None:
        return _whole_alone(parts, programme, loose, request)
    nearest = miss_least(loose)
    if nearest is None:
        return _void(programme, request)
    if nearest.violation <= _BORDERLINE and not programme.is_whole:
        return _solved(nearest.kg, programme, loose, request)
    clashes = find_clashes(loose, nearest)
    if programme.is_whole:
        nearest = _nearest_whole(programme) or nearest
    return _infeasible(clashes, nearest, programme, request)


def _nearest_within(programme: Programme, part: float) -> Nearest | None:
    """Find the nearest mix of the part of the amount that stock allows; nothing can be made of nothing."""
    if programme.is_whole:
        return _nearest_whole(programme)
    if part <= 0:
        return None
    scaled = replace(programme, amount=programme.amount / part)
    return miss_least(scaled) or miss_least_void(scaled)


def _nearest_whole(programme: Programme) -> Nearest | None:
    """Find the nearest mix in whole measures, of the nearest amount that they make."""
    return miss_least(programme) or (
        None if (sized := in_reach(programme, [])) is None else miss_least(sized) or miss_least_void(sized)
    )


def _solved(kg: Vector, programme: Programme, loose: Programme, request: Request) -> Solution:
    recipe, water = recipe_of(kg, programme, request)
    others, note = _alternatives(kg, programme, request)
    rounding: Rounding | None = None
    if programme.is_whole:
        parts = prefer(loose, request.targets, request.choice.prefer)
        rounding = None if parts is None else rounding_of(loose, request, parts, recipe)
    return Solution(
        state="solved",
        recipe=recipe,
        water_l=water,
        cost=cost_of(recipe, request.available),
        objective=describe(programme, request.targets, request.choice.prefer),
        loads=loads_of(recipe, request.available),
        rounding=rounding,
        alternatives=others,
        alternatives_note=note,
    )


def _alternatives(kg: Vector, programme: Programme, request: Request) -> tuple[tuple[Alternative, ...], str]:
    wanted, within = request.choice.alternatives, request.choice.within_pct
    if not wanted:
        return (), ""
    first = masses_of(kg, programme)
    found: list[Alternative] = []
    for other in unlike(programme, request, kg):
        recipe, water = recipe_of(other, programme, request)
        words = differs(masses_of(other, programme), first)
        cost = cost_of(recipe, request.available)
        far = moved(other, kg) * programme.scale_kg
        found.append(Alternative(recipe, water, cost, words, far, loads_of(recipe, request.available)))
    goal = describe(programme, request.targets, request.choice.prefer).split(", then ")[0]
    note = (
        f"Each keeps every limit, is within {within:g} % of the first by what comes first ({goal}), and uses least of"
        " what those before it use."
    )
    if len(found) < wanted:
        note += f" No more than {len(found)} differ by a hundredth of the mass."
    return tuple(found), note


def _void(programme: Programme, request: Request) -> Solution:
    void = void_targets(programme)
    conflicts = without_value(programme, request.available, void)
    return _answer(conflicts, miss_least_void(programme), programme, request, clashes=())


def _whole_alone(parts: Vector, programme: Programme, loose: Programme, request: Request) -> Solution:
    """Tell that only the whole measures stand in the way."""
    conflicts = (whole_conflict(request.available),)
    answer = _answer(conflicts, _nearest_whole(programme), programme, request, clashes=None)
    return replace(answer, rounding=rounding_of(loose, request, parts, None))


def _infeasible(
    clashes: Sequence[Clash], nearest: Nearest | None, programme: Programme, request: Request
) -> Solution:
    conflicts = in_words(clashes, programme, request.available, request.amount)
    return _answer(conflicts, nearest, programme, request, clashes=clashes)


def _answer(
    conflicts: tuple[Conflict, ...],
    nearest: Nearest | None,
    programme: Programme,
    request: Request,
    *,
    clashes: Sequence[Clash] | None,
) -> Solution:
    missed: NearestMix | None = None
    if nearest is not None:
        recipe, water = recipe_of(nearest.kg, programme, request)
        gaps = violations(nearest.kg, programme, request.available, request.amount, nearest.void)
        missed = NearestMix(recipe, water, gaps, loads_of(recipe, request.available))
    then = "" if programme.is_whole else ", then the smallest of the others"
    return Solution(
        state="infeasible",
        recipe=None,
        water_l=None,
        cost=None,
        objective=f"{_MISSING_LEAST}{then}",
        conflicts=conflicts,
        nearest=missed,
        cures=find_cures(request, programme, clashes or (), is_whole_alone=clashes is None),
    )
