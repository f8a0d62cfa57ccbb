"""Water for each layer: where the dry browns are, in halves of a can, so that what is loaded is moist enough."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.domain.recipes import Evaluation

from .apportioning import apportion, nearest_count
from .layering import Bed
from .measures import Measure
from .practice import PRACTICE

CAN: Final = Measure("can", "can", volume_l=PRACTICE["can_l"].value)
"""A common can, for a crew that has none on record."""


@dataclass(frozen=True, slots=True)
class Water:
    """Water for the whole pile.

    Attributes
    ----------
    can
        What it is carried in.
    halves
        Half cans for each layer, from the bottom.
    goal_pct
        The moisture it brings, % of wet mass.
    """

    can: Measure
    halves: tuple[int, ...]
    goal_pct: float | None

    @property
    def half_l(self) -> float:
        """Half a can [L]."""
        return (self.can.volume_l or 0.0) / 2

    @property
    def total_l(self) -> float:
        """In the whole pile [L]."""
        return sum(self.halves) * self.half_l


def goal_of(planned: Evaluation, *, has_water: bool) -> float | None:
    """Return the moisture to be reached: the recipe's own if it names water, the handbook's if it is too dry.

    ``None`` when the recipe's moisture is not known, or moist enough without water.
    """
    moisture = planned.moisture_pct
    if moisture is None or has_water:
        return moisture
    return PRACTICE["moisture_goal_pct"].value if moisture < PRACTICE["moisture_low_pct"].value else None


def water_for(beds: Sequence[Bed], goal_pct: float | None, can: Measure | None) -> Water:
    """Work out each layer's water.

    Parameters
    ----------
    beds
        The layers as they are really loaded.
    goal_pct
        Moisture to be reached in the whole pile, % of wet mass; ``None`` for no water.
    can
        What it is carried in.

    Returns
    -------
    Water
        The whole is ``(G m - w) / (1 - G)`` with ``w`` the water in the material, to the nearest half can; each
        layer gets its part by what its own dry materials lack. A layer wetter than the goal gets none.
    """
    can = can or CAN
    if goal_pct is None:
        return Water(can, (0,) * len(beds), None)
    goal = goal_pct / 100
    lacking = [_lacks_l(bed, goal) for bed in beds]
    short = sum(value for bed in lacking for value in bed)
    half_l = (can.volume_l or 0.0) / 2
    halves = nearest_count(max(0.0, short), half_l)
    dry = [sum(max(0.0, value) for value in bed) for bed in lacking]
    return Water(can, tuple(apportion(halves, dry)), goal_pct)


def _lacks_l(bed: Bed, goal: float) -> list[float]:
    """Return what each portion lacks to the goal [L]; below 0 where it is wetter."""
    return [
        part.count
        * part.counted.unit_kg
        * (goal - (part.counted.material.ingredient.moisture_pct or 0.0) / 100)
        / (1 - goal)
        for part in bed.portions
    ]
