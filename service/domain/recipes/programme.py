"""The mix as a linear programme: every figure of it is one weighted sum of masses over another."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from .linear import Row, Vector
from .quotients import AIR_SLOPE, QUOTIENTS
from .wanted import SHARES, WATER, WHOLE_SURPLUS_PCT, Amount, Available, Range, Targets

__all__ = ["AIR_SLOPE", "NITROGEN_FLOOR", "RATIO", "Limit", "Programme", "Side", "build"]

Side = Literal["min", "max"]
RATIO: Final = "carbon_nitrogen_ratio"
NITROGEN_FLOOR: Final = 1e-6
"""A mix whose C:N is asked for holds at least this part of the nitrogen of its richest material; with none, C:N has no
value, and a row of the programme that multiplies by the nitrogen would be met by 0 = 0. The same for the lower sum of
any other figure that some material has none of."""
_WHOLE_FLOOR: Final = 1e-4
"""The same with whole measures, where branch and bound keeps rows only to a millionth."""
_OPEN: Final = Range()


@dataclass(frozen=True, slots=True, eq=False)
class Limit:
    """One end of a target, or of a material's share; the figure of the mix is ``over @ kg / under @ kg``."""

    target: str
    side: Side
    value: float
    over: Vector
    under: Vector
    index: int | None = None
    """Of the material whose share it is."""

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

    def figure(self, kg: Vector) -> float:
        """Return the figure of a mix; not a number where it has no value."""
        under = float(self.under @ kg)
        return float(self.over @ kg) / under if under > 0 else math.nan


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
        Ends of targets, and of shares.
    floors
        By target, the row that keeps its lower sum above nothing; only for figures that some material has none of.
    named
        The material whose mass is the amount, if one is; the mass of the others is then free.
    least, most
        Between these ``amount @ kg`` lies: 1 and 1 unless more may be made.
    units
        What a whole measure of each material weighs, in the programme's unit; 0 where any mass may go in.
    """

    materials: tuple[Available, ...]
    has_water: bool
    scale_kg: float
    lower: Vector
    upper: Vector
    amount: Vector
    wanted: float
    limits: tuple[Limit, ...]
    floors: tuple[tuple[str, Row], ...]
    named: int | None
    least: float
    most: float
    units: Vector

    @property
    def size(self) -> int:
        """How many materials, water included."""
        return len(self.materials)

    @property
    def floor(self) -> Row | None:
        """The nitrogen floor; ``None`` when C:N is not asked for."""
        return next((row for target, row in self.floors if target == RATIO), None)

    @property
    def rows(self) -> list[Row]:
        """What a solution must keep, besides stock and amount."""
        return [*(Row(limit.excess) for limit in self.limits), *(row for _, row in self.floors)]

    @property
    def is_whole(self) -> bool:
        """Whether something goes in by whole measures only."""
        return bool(self.units.any())

    @property
    def is_priced(self) -> bool:
        """Whether the materials have prices."""
        return self.materials[0].cost_per_kg is not None

    @property
    def costs(self) -> Vector:
        """Price of a unit of mass of each material."""
        return np.array([one.cost_per_kg or 0.0 for one in self.materials])


def build(
    available: Sequence[Available],
    targets: Targets,
    amount: Amount,
    *,
    allow_water: bool,
    mixing_shrink_pct: float | None = None,
) -> Programme:
    """Put a checked request into numbers.

    ``mixing_shrink_pct`` makes a kilogram of anything take so much less room in the mix; shares of volume are of
    the loose volumes, which it leaves in the same proportion.
    """
    materials = sorted(available, key=lambda one: one.name.strip().casefold())
    if allow_water:
        cost = None if materials[0].cost_per_kg is None else 0.0
        materials.append(Available(WATER, cost_per_kg=cost))
    kept = 1 - (mixing_shrink_pct or 0.0) / 100
    per_kg = np.array([kept / (one.ingredient.bulk_density_kg_m3 or math.inf) for one in materials])
    named = None if amount.of is None else [one.name for one in materials].index(amount.of)
    if amount.volume_m3 is not None:
        wanted = amount.volume_m3
        scale = wanted / float(np.mean(per_kg))
        row = per_kg * scale / wanted
    else:
        wanted = scale = _mass_kg(amount, None if named is None else materials[named])
        row = np.ones(len(materials)) if named is None else np.eye(len(materials))[named]
    limits, floors = _limits(materials, targets, per_kg)
    most = [math.inf if one.max_kg is None else one.max_kg for one in materials]
    return Programme(
        materials=tuple(materials),
        has_water=allow_water,
        scale_kg=scale,
        lower=np.array([one.least_kg for one in materials]) / scale,
        upper=np.array(most) / scale,
        amount=row,
        wanted=wanted,
        limits=(*limits, *_shares(materials, per_kg)),
        floors=floors,
        named=named,
        least=1.0,
        most=1.0 + _surplus(available, amount),
        units=np.array([(one.measure_kg or 0.0) if one.whole else 0.0 for one in materials]) / scale,
    )


def _mass_kg(amount: Amount, named: Available | None) -> float:
    if amount.measures is not None and named is not None:
        return amount.measures * (named.measure_kg or 0.0)
    return amount.mass_kg or 0.0


def _surplus(available: Sequence[Available], amount: Amount) -> float:
    if amount.surplus_pct is not None:
        return amount.surplus_pct / 100
    return WHOLE_SURPLUS_PCT / 100 if any(one.whole for one in available) else 0.0


def _limits(
    materials: Sequence[Available], targets: Targets, per_kg: Vector
) -> tuple[list[Limit], tuple[tuple[str, Row], ...]]:
    found: list[Limit] = []
    floors: list[tuple[str, Row]] = []
    for name, wanted in targets.given():
        quotient = QUOTIENTS[name]
        # 0 stands only where the request was checked to need no figure
        over, under = (
            np.array(
                [
                    weight(one.ingredient, room) or 0.0
                    for one, room in zip(materials, per_kg.tolist(), strict=True)
                ]
            )
            for weight in (quotient.over, quotient.under)
        )
        # free air space is never below 0, whatever the line says, so a floor of 0 asks nothing
        found += _ends(name, wanted, over, under, is_free_at_0=name == "free_air_space_pct")
        if not under.all():
            # with nothing of it at all the row asks for what cannot be had, which is the answer
            part = _WHOLE_FLOOR if any(one.whole for one in materials) else NITROGEN_FLOOR
            least = part * (float(under.max()) or 1.0)
            floors.append((name, Row(least - under)))
    return found, tuple(floors)


def _ends(
    target: str,
    wanted: Range,
    over: Vector,
    under: Vector,
    *,
    index: int | None = None,
    is_free_at_0: bool = False,
) -> Iterator[Limit]:
    if wanted.min is not None and not (is_free_at_0 and wanted.min == 0):
        yield Limit(target, "min", wanted.min, over, under, index)
    if wanted.max is not None:
        yield Limit(target, "max", wanted.max, over, under, index)


def _shares(materials: Sequence[Available], per_kg: Vector) -> Iterator[Limit]:
    for index, one in enumerate(materials):
        for share, weights in zip(SHARES, (np.ones(len(materials)), per_kg), strict=True):
            wanted = Range(getattr(one, f"min_{share}"), getattr(one, f"max_{share}"))
            if wanted != _OPEN:
                over = np.zeros(len(materials))
                over[index] = 100 * weights[index]
                yield from _ends(share, wanted, over, weights, index=index, is_free_at_0=True)
