"""The figures of a mix in every draw, and which targets they meet."""

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.recipes.programme import AIR_SLOPE, RATIO
from service.domain.recipes.request import Range, Targets

from .draws import Drawn, Value
from .spread import Array

Truth = NDArray[np.bool_]

JUDGED: Final = (RATIO, "moisture_pct", "free_air_space_pct", "bulk_density_kg_m3", "nitrogen_pct")
"""The figures that may be targets here."""
FIGURES: Final = (*JUDGED, "volume_m3", "mass_kg")
_ROUND_OFF: Final = 1e-9
"""A solved mix stands exactly on its limits; this much, relatively, is not a miss."""


def figures(mix: Sequence[Drawn], count: int) -> dict[str, Array]:
    """Work out what a mix is in every draw, as :func:`service.domain.recipes.evaluate` does in one.

    Parameters
    ----------
    mix
        Materials with their masses.
    count
        How many draws.

    Returns
    -------
    dict
        By name of :data:`FIGURES`, one number per draw; a figure is absent when it is unknown. C:N is not a number
        in draws without nitrogen.

    References
    ----------
    [1] As for ``evaluate``: mass balances (Cornell Waste Management Institute), free air space 100 - 0.09 BD (Agnew
        and Leonard 2003, from memory).
    """
    present = [(one, one.mass_kg) for one in mix if one.mass_kg is not None and np.any(one.mass_kg)]
    total: Value = 0.0
    for _, mass in present:
        total = total + mass
    moisture, volume = _weighted(present, "moisture_pct"), _weighted(present, "per_kg_m3")
    carbon, nitrogen = _weighted(present, "carbon_share"), _weighted(present, "nitrogen_share")
    found: dict[str, Value | None] = {"mass_kg": total, "volume_m3": volume}
    if carbon is not None and nitrogen is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            found[RATIO] = np.where(np.asarray(nitrogen) > 0, np.divide(carbon, nitrogen), np.nan)
    else:
        solids = [one for one, _ in present if not one.is_all_water]
        found[RATIO] = solids[0].ratio if len(solids) == 1 else None
    dry = _weighted(present, "dry_share")
    if nitrogen is not None and dry is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            found["nitrogen_pct"] = np.where(np.asarray(dry) > 0, np.divide(100 * nitrogen, dry), np.nan)
    found["moisture_pct"] = None if moisture is None else moisture / total
    if volume is not None:
        density = total / volume
        found["bulk_density_kg_m3"] = density
        found["free_air_space_pct"] = np.maximum(0.0, 100 - AIR_SLOPE * density)
    return {
        name: np.broadcast_to(np.asarray(found[name], dtype=np.float64), (count,))
        for name in FIGURES
        if found.get(name) is not None
    }


def _weighted(present: Sequence[tuple[Drawn, Value]], name: str) -> Value | None:
    """Sum mass times value; unknown as soon as one value is."""
    total: Value = 0.0
    for one, mass in present:
        value: Value | None = getattr(one, name)
        if value is None:
            return None
        total = total + mass * value
    return total


def is_below(values: Array, wanted: Range) -> Truth:
    """In which draws a figure falls short of a range."""
    if wanted.min is None:
        return np.zeros(len(values), dtype=bool)
    return np.asarray(values < wanted.min * (1 - _ROUND_OFF))


def is_above(values: Array, wanted: Range) -> Truth:
    """In which draws a figure exceeds a range."""
    if wanted.max is None:
        return np.zeros(len(values), dtype=bool)
    return np.asarray(values > wanted.max * (1 + _ROUND_OFF))


def meets(values: Array, wanted: Range) -> Truth:
    """In which draws a figure lies within a range; one that is not a number lies nowhere."""
    return ~(is_below(values, wanted) | is_above(values, wanted) | np.isnan(values))


def meets_all(found: Mapping[str, Array], targets: Targets) -> Truth:
    """In which draws every target is met."""
    met: Truth = np.all([meets(found[name], wanted) for name, wanted in targets.given()], axis=0)
    return met
