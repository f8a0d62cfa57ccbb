"""The mix that is likeliest to meet every target, when the figures of its materials are not known exactly."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from service.domain.errors import Invalid
from service.domain.recipes.evaluate import mix
from service.domain.recipes.evaluation import Evaluation
from service.domain.recipes.ingredient import refuse_faults
from service.domain.recipes.programme import Programme, build
from service.domain.recipes.reasons import Conflict
from service.domain.recipes.request import WATER, Amount, Available, Targets, check
from service.domain.recipes.solve import Solution, solve

from .draws import DEFAULT_DRAWS, check_draws
from .estimate import Chances, Probability, check_targets, judge, likelihood
from .inputs import Uncertain
from .search import LIMIT_S, MOST_OF_NOMINAL, Scenarios, as_materials, search, water
from .spread import Shape, Spread, spread

MOST_MATERIALS: Final = 12
"""The climb takes longer by the square of them; beyond, it is no longer a matter of a second."""


@dataclass(frozen=True, slots=True)
class Nominal:
    """The mix that solving finds when every figure is taken at its value, and how likely it is to do."""

    state: Literal["solved", "infeasible"]
    recipe: Evaluation
    water_l: float
    all_met: Probability


@dataclass(frozen=True, slots=True)
class Robust:
    """The answer.

    Attributes
    ----------
    state
        ``solved``; ``time_limit`` when the programme could not be finished in its time, so that a better mix is not
        ruled out and another run may differ; ``infeasible`` when stock and amount leave no mix at all.
    chosen
        ``robust``, or ``nominal`` when the nominal mix did at least as well on the draws kept for judging.
    recipe, water_l
        The mix at the figures' values; ``None`` when infeasible.
    chances
        Of the mix, on draws that it was not sought with.
    nominal
        The other mix, judged on the same draws; ``None`` when there is none.
    scenarios
        ``None`` when infeasible.
    conflicts
        When infeasible, why.
    objective
        In words.
    """

    state: Literal["solved", "time_limit", "infeasible"]
    chosen: Literal["robust", "nominal"] | None
    recipe: Evaluation | None
    water_l: float | None
    chances: Chances | None
    nominal: Nominal | None
    scenarios: Scenarios | None
    conflicts: tuple[Conflict, ...]
    objective: str


def solve_robustly(
    materials: Sequence[Uncertain],
    available: Sequence[Available],
    targets: Targets,
    amount: Amount,
    *,
    allow_water: bool = False,
    seed: int = 0,
    draws: int = DEFAULT_DRAWS,
    limit_s: float = LIMIT_S,
) -> Robust:
    """Find the mix that maximises the probability that all targets hold.

    On a few scenarios (Sobol points) a mixed-integer programme finds the mix that meets the most of them, with a
    proof of how many any mix can meet, and a linear programme the mix of least misses, with every material and with
    each left out in turn. From these and from the nominal mix sequential quadratic programming climbs on other draws
    to the likeliest mix nearby. The best of 8,192 is judged on ``draws`` yet others beside the nominal mix, which is
    kept if it does as well. Whole measures are left to the mixed-integer programme alone, for there is nothing to
    climb on.

    Stock, shares and amount hold at the figures' values: a crew loads masses; what is uncertain is what they hold.
    Prices are not looked at.

    Parameters
    ----------
    materials
        With their distributions, without amounts.
    available
        The same materials in the same order, each ``ingredient`` being ``nominal()`` of it, with their bounds.
    targets, amount, allow_water
        As for :func:`service.domain.recipes.solve`.
    seed, draws
        As for :func:`estimate`; judging the mix there with the same seed gives the same chances.
    limit_s
        Time for the mixed-integer programme.

    Returns
    -------
    Robust
        Never an exception for an infeasible request.

    Raises
    ------
    Invalid
        When the request itself is wrong; one entry per value.

    References
    ----------
    [1] Luedtke and Ahmed 2008, SIAM Journal on Optimization 19: sample approximation of chance constraints, judged on
        an independent sample.
    """
    if len(materials) > MOST_MATERIALS:
        detail = (
            f"{len(materials)} materials are given; give the {MOST_MATERIALS} that you would most likely use"
        )
        raise Invalid.field("/ingredients", detail)
    refuse_faults([*check_targets(targets), *check_draws(seed, draws, materials)])
    check(available, targets, amount, allow_water=allow_water)
    solution = solve(available, targets, amount, allow_water=allow_water)
    programme = build(available, targets, amount, allow_water=allow_water)
    objective = _objective(programme)
    usual = solution.recipe if solution.nearest is None else solution.nearest.recipe
    found = search(as_materials(programme, materials), programme, usual, seed=seed, limit_s=limit_s)
    if found is None:
        return Robust("infeasible", None, None, None, None, None, None, solution.conflicts, objective)
    masses = dict(zip((one.name for one in programme.materials), found.kg.tolist(), strict=True))
    chosen: Literal["robust", "nominal"] = "robust"
    made = _with_amounts(materials, masses)
    nominal = _judged(solution, usual, materials, targets, seed, draws)
    chance = likelihood(made, targets, seed=seed, draws=draws)
    if nominal is not None and nominal.all_met.probability >= chance.probability:
        chosen = "nominal"
        masses = {portion.name: portion.mass_kg for portion in nominal.recipe.ingredients}
        made = _with_amounts(materials, masses)
    return Robust(
        state="solved" if found.scenarios.gap_pct == 0 else "time_limit",
        chosen=chosen,
        recipe=mix([one.nominal() for one in made]),
        water_l=masses.get(WATER.name, 0.0) if allow_water else 0.0,
        chances=judge(made, targets, seed=seed, draws=draws),
        nominal=nominal,
        scenarios=found.scenarios,
        conflicts=(),
        objective=objective,
    )


def _with_amounts(materials: Sequence[Uncertain], masses: Mapping[str, float]) -> list[Uncertain]:
    """Return a mix in the order of the request; water comes last, when there is any."""
    made = [replace(one, amounts={"mass_kg": _exactly(masses[one.name])}) for one in materials]
    if masses.get(WATER.name) and all(one.name != WATER.name for one in materials):
        made.append(replace(water(), amounts={"mass_kg": _exactly(masses[WATER.name])}))
    return made


def _exactly(mass_kg: float) -> Spread:
    return spread("mass_kg", Shape.EXACT, mass_kg, mass_kg, mass_kg, "solved for")


def _judged(
    solution: Solution,
    recipe: Evaluation | None,
    materials: Sequence[Uncertain],
    targets: Targets,
    seed: int,
    draws: int,
) -> Nominal | None:
    """Judge the nominal mix on the draws kept for judging; without a mix that keeps stock and amount there is none."""
    if recipe is None:
        return None
    masses = {portion.name: portion.mass_kg for portion in recipe.ingredients}
    chance = likelihood(_with_amounts(materials, masses), targets, seed=seed, draws=draws)
    return Nominal(solution.state, recipe, masses.get(WATER.name, 0.0), chance)


def _objective(programme: Programme) -> str:
    """Say by what the mix was chosen."""
    words = "the largest probability that all targets are met together"
    if programme.named is not None:
        return f"{words}, in at most {MOST_OF_NOMINAL:g} times the mass of the nominal mix"
    return words
