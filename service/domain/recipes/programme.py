"""The mix as a linear programme: every figure of it is one weighted sum of masses over another."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from .linear import Row, Vector
from .request import WATER, Amount, Available, Targets

Side = Literal["min", "max"]
RATIO: Final = "carbon_nitrogen_ratio"
NITROGEN_FLOOR: Final = 1e-6
"""A mix whose C:N is asked for holds at least this part of the nitrogen of its richest material; with none, C:N has no
value, and a row of the programme that multiplies by the nitrogen would be met by 0 = 0."""
AIR_SLOPE: Final = 0.09
"""Of the line 100 - 0.09 BD (Agnew and Leonard 2003, from memory)."""


@dataclass(frozen=True, slots=True, eq=False)
class Limit:
    """One end of a target; the figure of the mix is ``over @ kg / under @ kg``."""

    target: str
    side: Side
    value: float
    over: Vector
    under: Vector

    @property
    def sign(self) -> float:
        """``+1`` when the figure must not exceed the value, ``-1`` when it must not fall short."""
        return 1.0 if self.side == "max" else -1.0

    @property
    def excess(self) -> Vector:
        """Coefficients of ``sign * (over - value * under)``, at most 0 when the limit is kept."""
        return self.sign * (self.over - self.value * self.under)

    @property
    def scale(self) -> float:
        """What a violation is related to."""
        return self.value or 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Programme:
    """A request in numbers.

    Attributes
    ----------
    materials
        In the order of their names, so that the order of asking never decides between equals; water last.
    scale_kg
        Masses in the programme are in this unit, so that they are near 1.
    lower, upper
        Stock bounds in that unit.
    amount, wanted
        ``amount @ kg`` is 1 when the mix has the wanted amount; ``wanted`` is that amount in the caller's unit.
    limits
        Ends of targets.
    floor
        The nitrogen floor; ``None`` when C:N is not asked for.
    named
        The material whose mass is the amount, if one is; the mass of the others is then free.
    """

    materials: tuple[Available, ...]
    has_water: bool
    scale_kg: float
    lower: Vector
    upper: Vector
    amount: Vector
    wanted: float
    limits: tuple[Limit, ...]
    floor: Row | None
    named: int | None

    @property
    def size(self) -> int:
        """How many materials, water included."""
        return len(self.materials)

    @property
    def rows(self) -> list[Row]:
        """What a solution must keep, besides stock and amount."""
        floor = [] if self.floor is None else [self.floor]
        return [*(Row(limit.excess) for limit in self.limits), *floor]


def build(
    available: Sequence[Available], targets: Targets, amount: Amount, *, allow_water: bool
) -> Programme:
    """Put a checked request into numbers."""
    materials = sorted(available, key=lambda one: one.name.strip().casefold())
    if allow_water:
        cost = None if materials[0].cost_per_kg is None else 0.0
        materials.append(Available(WATER, cost_per_kg=cost))
    per_kg = np.array([1 / (one.ingredient.bulk_density_kg_m3 or math.inf) for one in materials])
    ones = np.ones(len(materials))
    if amount.volume_m3 is not None:
        wanted = amount.volume_m3
        scale = wanted / float(np.mean(per_kg))
        row = per_kg * scale / wanted
    else:
        wanted = scale = amount.mass_kg or 0.0
        row = ones if amount.of is None else np.array([float(one.name == amount.of) for one in materials])
    limits = tuple(_limits(materials, targets, per_kg))
    asks_ratio = targets.carbon_nitrogen_ratio is not None
    nitrogen = _shares(materials, "nitrogen_share")
    # with no nitrogen at all the row asks for what cannot be had, which is the answer
    least = NITROGEN_FLOOR * (float(nitrogen.max()) or 1.0)
    floor = Row(least - nitrogen) if asks_ratio else None
    most = [math.inf if one.max_kg is None else one.max_kg for one in materials]
    return Programme(
        materials=tuple(materials),
        has_water=allow_water,
        scale_kg=scale,
        lower=np.array([one.least_kg for one in materials]) / scale,
        upper=np.array(most) / scale,
        amount=row,
        wanted=wanted,
        limits=limits,
        floor=floor,
        named=None if amount.of is None else [one.name for one in materials].index(amount.of),
    )


def _shares(materials: Sequence[Available], name: str) -> Vector:
    # 0 stands only where the request was checked to need no figure
    return np.array([getattr(one.ingredient, name) or 0.0 for one in materials])


def _limits(materials: Sequence[Available], targets: Targets, per_kg: Vector) -> list[Limit]:
    ones = np.ones(len(materials))
    parts = {
        RATIO: (_shares(materials, "carbon_share"), _shares(materials, "nitrogen_share")),
        "moisture_pct": (_shares(materials, "moisture_pct"), ones),
        "free_air_space_pct": (100 * per_kg - AIR_SLOPE * ones, per_kg),
        "bulk_density_kg_m3": (ones, per_kg),
    }
    found: list[Limit] = []
    for name, wanted in targets.given():
        over, under = parts[name]
        # free air space is never below 0, whatever the line says, so a floor of 0 asks nothing
        if wanted.min is not None and not (name == "free_air_space_pct" and wanted.min == 0):
            found.append(Limit(name, "min", wanted.min, over, under))
        if wanted.max is not None:
            found.append(Limit(name, "max", wanted.max, over, under))
    return found
