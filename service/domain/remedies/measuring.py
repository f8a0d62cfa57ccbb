"""Amounts in a crew's own measures, never more than is allowed."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.domain.build_sheets.apportioning import nearest_count
from service.domain.build_sheets.measures import Measure, fitting
from service.domain.build_sheets.writing import amount, cans
from service.domain.published import plain

_SAME: Final = 1e-9


@dataclass(frozen=True, slots=True)
class Measured:
    """An amount as a crew brings it: so many of a measure, what that weighs [kg] and holds [L], and the words."""

    measure: str
    count: float
    mass_kg: float
    volume_l: float | None
    words: str


def in_measures(
    measures: Sequence[Measure], mass_kg: float, density_kg_m3: float | None, *, most_kg: float
) -> Measured | None:
    """Return a material in whole measures, nearest to the amount; ``None`` where no measure fits it.

    Parameters
    ----------
    measures
        What the crew has.
    mass_kg
        Wanted, above 0.
    density_kg_m3
        Of the material, loose; ``None`` leaves measures by mass.
    most_kg
        There is no more of it, or no more room.
    """
    measure = fitting(measures, mass_kg, density_kg_m3, layers=1)
    holds = None if measure is None else measure.holds_kg(density_kg_m3)
    if measure is None or holds is None:
        return None
    count = min(nearest_count(mass_kg, holds), math.floor(most_kg / holds + _SAME))
    if count < 1:
        return None
    kg = count * holds
    litres = None if density_kg_m3 is None else 1000 * kg / density_kg_m3
    return Measured(measure.name, count, kg, litres, amount(count, measure, measures))


def water_in_cans(measures: Sequence[Measure], litres: float) -> Measured | None:
    """Return water in half cans, or buckets where there is no can, rounded down; ``None`` without either.

    Rounded down, since the amount is what may be given at most.
    """
    vessel = next(
        (one for kind in ("can", "bucket") for one in measures if one.kind == kind and one.volume_l), None
    )
    if vessel is None or not vessel.volume_l:
        return None
    halves = math.floor(2 * litres / vessel.volume_l + _SAME)
    if halves < 1:
        return None
    given = halves * vessel.volume_l / 2
    told = (
        cans(halves, vessel)
        if vessel.kind == "can"
        else f"{plain(halves / 2)} × {vessel.name} ({plain(given)} L)"  # noqa: RUF001 - the sign for times
    )
    return Measured(vessel.name, halves / 2, given, given, told)
