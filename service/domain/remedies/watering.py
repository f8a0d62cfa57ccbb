"""How much water a pile needs, and how much of it may be given at one turn so that none runs off."""

import math
from dataclasses import dataclass
from typing import Final

from service.domain.published import Estimate, plain
from service.domain.recipes.measures import water_to_reach_kg

from .ageing import ratio_of
from .figures import FIGURES
from .state import PresentState

_LEAST_L: Final = 0.5
"""Less than half a litre is a wet hand."""


@dataclass(frozen=True, slots=True)
class Watering:
    """Water for a pile.

    Attributes
    ----------
    goal_pct
        Moisture it brings, % of wet mass.
    needed_l
        In all, at the best estimate of what the pile is; low and high at the ends of its moisture.
    now_l
        At the next turn: never more than soaks in, nor than the pile holds even if it is as wet as may be.
    later_l
        At the turns after it, after another squeeze each.
    turns
        Over how many turns, the next one counted.
    passes
        In how many passes the water of the next turn is given.
    holds_l
        What it could take before water runs off, if it is as wet as may be.
    soaks_in_l
        What soaks in at one turn.
    limit_pct, limit_source
        How wet it may be by its structure, and where that stands.
    words
        What keeps the water of the next turn below the whole, or why there is none; empty when nothing does.
    """

    goal_pct: float
    needed_l: Estimate
    now_l: float
    later_l: float
    turns: int
    passes: int
    holds_l: float
    soaks_in_l: float
    limit_pct: float
    limit_source: str
    words: str


def water_plan(state: PresentState, goal_pct: float | None = None) -> Watering:
    """Work out the water that brings a pile to a moisture.

    Parameters
    ----------
    state
        What it is now.
    goal_pct
        % of wet mass; ``None``: the middle of the preferred range.

    Returns
    -------
    Watering
        None is given to a pile that is within the preferred range or wetter, or as wet as the goal. A pile that may
        be at its limit already gets none before somebody has squeezed a handful.

    References
    ----------
    [1] Cornell Waste Management Institute, moisture formula with water as a material of 100 %: m (G - M)/(100 - G).
    """
    limit = FIGURES[f"holds_{state.structure}_pct"]
    goal = min(FIGURES["moisture_goal_pct"].value if goal_pct is None else goal_pct, limit.value)
    needed = _needed(state, goal, is_asked=goal_pct is not None)
    wettest = state.moisture_pct.high
    holds = max(0.0, state.dry_mass_kg.low * (ratio_of(limit.value) - ratio_of(min(wettest, limit.value))))
    soaks = FIGURES["soaks_in_share"].value * state.mass_kg.value
    now = min(needed.value, holds, soaks)
    now = now if now >= _LEAST_L else 0.0
    later = needed.value - now
    return Watering(
        goal,
        needed,
        now,
        later,
        (1 if now else 0) + math.ceil(later / soaks - 1e-9) if soaks else 0,
        math.ceil(now / (FIGURES["pass_share"].value * state.mass_kg.value) - 1e-9) if now else 0,
        holds,
        soaks,
        limit.value,
        limit.credit,
        _words(needed.value, holds, soaks, wettest),
    )


def _needed(state: PresentState, goal: float, *, is_asked: bool) -> Estimate:
    """Return the water to the goal; none from where the preferred range begins, unless a goal was asked for."""
    moisture, dry = state.moisture_pct, state.dry_mass_kg
    if moisture.value >= (goal if is_asked else min(goal, FIGURES["moisture_from_pct"].value)):
        return Estimate(0.0, 0.0, max(0.0, _to(dry.high, moisture.low, goal)))
    value = water_to_reach_kg(state.mass_kg.value, moisture.value, goal)
    return Estimate(
        value,
        min(value, max(0.0, _to(dry.low, moisture.high, goal))),
        max(value, _to(dry.high, moisture.low, goal)),
    )


def _to(dry_kg: float, moisture_pct: float, goal_pct: float) -> float:
    return dry_kg * (ratio_of(goal_pct) - ratio_of(moisture_pct))


def _words(needed: float, holds: float, soaks: float, wettest_pct: float) -> str:
    if needed < _LEAST_L:
        return ""
    if holds < _LEAST_L:
        return (
            f"It may be as wet as {plain(wettest_pct)} % already, and more would run off: squeeze a handful from the"
            " middle before any water is given."
        )
    if min(holds, soaks) >= needed:
        return ""
    if soaks <= holds:
        return f"No more than {plain(soaks)} L soak in at one turn; the rest is for the turns after it."
    return (
        f"If it is as wet as may be ({plain(wettest_pct)} %), more than {plain(holds)} L would run off; squeeze a"
        " handful at the turn after it, then give the rest."
    )
