"""What is to be done for a symptom: water, material, a turn alone, waiting, or keeping away."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from service.domain.published import plain
from service.domain.recipes import Range, Targets
from service.domain.recipes.measures import free_air_space_pct

from .adding import Aim
from .causes import Cause
from .figures import FIGURES
from .state import PresentState
from .watering import Watering, water_plan

Doing = Literal["water", "add", "turn", "wait", "leave_shut"]

_HARDLY: Final = 1e-9
_MOIST_ENOUGH_PCT: Final = 45.0
"""Browns may dry a pile that smells of ammonia this far; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What is to be done.

    Attributes
    ----------
    doing
        What it comes to.
    is_within_range
        The figure the symptom is about is where it should be, so nothing is added for it.
    because
        In words.
    aim
        Of what is mixed in; ``None`` where nothing is.
    watering
        ``None`` where no water is given.
    """

    doing: Doing
    is_within_range: bool
    because: str
    aim: Aim | None = None
    watering: Watering | None = None


def plan_for(
    symptom: str, state: PresentState, causes: Sequence[Cause], *, goal_pct: float | None, keep_shut: bool
) -> Plan:
    """Decide what is to be done.

    Parameters
    ----------
    symptom
        A code of the symptoms.
    state
        The pile.
    causes
        Ranked; for a cold pile the first decides.
    goal_pct
        Moisture asked for; ``None`` for the usual.
    keep_shut
        It smokes, or is so hot that it may burn: nothing is opened, whatever the symptom.
    """
    if keep_shut:
        return Plan("leave_shut", is_within_range=False, because="It may burn: leave it shut.")
    if symptom == "ammonia":
        return _ammonia(state)
    by_moisture = {"too_wet": _too_wet, "too_dry": _too_dry, "too_hot": _too_hot, "sour": _sour}
    if symptom in by_moisture:
        return by_moisture[symptom](state, goal_pct)
    return _cold(state, causes, goal_pct)


def _too_wet(state: PresentState, goal_pct: float | None) -> Plan:
    goal = FIGURES["moisture_up_to_pct"].value if goal_pct is None else goal_pct
    moisture = state.moisture_pct.value
    if moisture <= goal + _HARDLY:
        because = f"At about {plain(moisture)} % it is not above {plain(goal)} %: nothing is to be mixed in."
        return Plan("turn", is_within_range=True, because=because)
    because = f"At about {plain(moisture)} % it is to come down to {plain(goal)} %."
    return Plan("add", is_within_range=False, because=because, aim=_drier(state, goal))


def _drier(state: PresentState, goal: float) -> Aim:
    targets = Targets(moisture_pct=Range(goal, goal), carbon_nitrogen_ratio=_not_too_brown(state))
    return Aim("dry_brown", "moisture_pct", goal, targets)


def _not_too_brown(state: PresentState) -> Range | None:
    """Bound C:N above where it is known and not above already."""
    ratio, most = state.carbon_nitrogen_ratio, FIGURES["ratio_high"].value
    return None if ratio is None or ratio.value > most else Range(None, most)


def _too_dry(state: PresentState, goal_pct: float | None) -> Plan:
    water = water_plan(state, goal_pct)
    moisture = f"At about {plain(state.moisture_pct.value)} %"
    if not water.needed_l.value:
        return Plan("turn", is_within_range=True, because=f"{moisture} it needs no water.", watering=water)
    because = f"{moisture} it is to come up to {plain(water.goal_pct)} %."
    return Plan("water", is_within_range=False, because=because, watering=water)


def _too_hot(state: PresentState, goal_pct: float | None) -> Plan:
    water = water_plan(state, FIGURES["moisture_goal_pct"].value if goal_pct is None else goal_pct)
    because = "Turn it, spread it lower and let the heat out; nothing that feeds it goes in."
    if water.needed_l.value:
        because += f" At about {plain(state.moisture_pct.value)} % it takes water too, which cools it."
        return Plan("water", is_within_range=False, because=because, watering=water)
    return Plan("turn", is_within_range=True, because=because, watering=water)


def _ammonia(state: PresentState) -> Plan:
    ratio, goal = state.carbon_nitrogen_ratio, FIGURES["ratio_goal"].value
    if ratio is None:
        because = (
            "Its carbon and nitrogen are not known, so no amount can be worked out: mix in a barrow of dry brown for"
            " ten of pile, smell again after two days, and repeat (common practice, no source)."
        )
        return Plan("turn", is_within_range=False, because=because)
    if ratio.value >= goal - _HARDLY:
        because = (
            f"C:N is about {plain(ratio.value)}, not below {plain(goal)}: look at the other causes first."
        )
        return Plan("turn", is_within_range=True, because=because)
    water = water_plan(state)
    least = min(_MOIST_ENOUGH_PCT, state.moisture_pct.value)
    aim = Aim(
        "brown",
        "carbon_nitrogen_ratio",
        goal,
        Targets(carbon_nitrogen_ratio=Range(goal, goal), moisture_pct=Range(least, None)),
        min(water.holds_l, water.soaks_in_l),
    )
    because = f"C:N is about {plain(ratio.value)} and is to come up to {plain(goal)}."
    return Plan("add", is_within_range=False, because=because, aim=aim)


def _sour(state: PresentState, goal_pct: float | None) -> Plan:
    goal = FIGURES["moisture_up_to_pct"].value if goal_pct is None else goal_pct
    moisture, density = state.moisture_pct.value, state.bulk_density_kg_m3
    if moisture > goal + _HARDLY:
        targets = Targets(moisture_pct=Range(goal, goal), carbon_nitrogen_ratio=_not_too_brown(state))
        because = f"Water fills its gaps: at about {plain(moisture)} % it is to come down to {plain(goal)} %."
        return Plan(
            "add", is_within_range=False, because=because, aim=Aim("coarse", "moisture_pct", goal, targets)
        )
    floor = FIGURES["air_floor_pct"].value
    if density is not None and (air := free_air_space_pct(density)) < floor - _HARDLY:
        targets = Targets(free_air_space_pct=Range(floor, floor))
        because = f"Free air space is about {plain(air)} % and is to come up to {plain(floor)} %."
        return Plan(
            "add",
            is_within_range=False,
            because=because,
            aim=Aim("coarse", "free_air_space_pct", floor, targets),
        )
    because = "Neither its moisture nor its weight asks for material: turn it loose."
    return Plan("turn", is_within_range=True, because=because)


def _cold(state: PresentState, causes: Sequence[Cause], goal_pct: float | None) -> Plan:
    first = causes[0]
    because = f"Most likely: {first.text} {first.because}"
    match first.code:
        case "just_turned" | "young":
            return Plan("wait", is_within_range=True, because=f"{because} Wait before you do more.")
        case "dry":
            return _because(because, _too_dry(state, goal_pct))
        case "wet":
            return _because(because, _too_wet(state, goal_pct))
        case "airless":
            return _because(because, _sour(state, goal_pct))
        case "no_nitrogen":
            return _because(because, _greener(state))
        case "small":
            because += " Put it together with another pile, or build it on a smaller floor and cover it well."
    return Plan("turn", is_within_range=True, because=because)


def _because(first: str, plan: Plan) -> Plan:
    return Plan(plan.doing, plan.is_within_range, f"{first} {plan.because}", plan.aim, plan.watering)


def _greener(state: PresentState) -> Plan:
    ratio, goal = state.carbon_nitrogen_ratio, FIGURES["ratio_goal"].value
    if ratio is None or ratio.value <= goal + _HARDLY:
        return Plan(
            "turn",
            is_within_range=True,
            because=f"C:N is not above {plain(goal)}: nothing is to be mixed in.",
        )
    wettest = max(FIGURES["moisture_wet_pct"].value, state.moisture_pct.value)
    targets = Targets(carbon_nitrogen_ratio=Range(goal, goal), moisture_pct=Range(None, wettest))
    because = f"C:N is about {plain(ratio.value)} and is to come down to {plain(goal)}."
    return Plan(
        "add",
        is_within_range=False,
        because=because,
        aim=Aim("green", "carbon_nitrogen_ratio", goal, targets),
    )
