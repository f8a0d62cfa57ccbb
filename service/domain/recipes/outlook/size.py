"""Whether a pile is large enough to stay hot where it stands: a heat balance, or else the handbook's minimum."""

import math
from dataclasses import dataclass
from functools import cache
from typing import Final, Literal

from service.domain.published import Unknown

from .oxygen import decayed_share
from .process import PROCESS
from .solids import Solids
from .surroundings import Surroundings

CLIMATES: Final = ("tropical", "temperate", "cool", "cold")
_WEEK_S: Final = 7 * 86_400.0
_JOULE_PER_MJ: Final = 1e6


@dataclass(frozen=True, slots=True)
class PileSize:
    """Whether the pile is large enough.

    Attributes
    ----------
    state
        ``adequate``; ``marginal``: the balance holds but the pile is under the handbook's 1 m3; ``small``.
    basis
        ``heat_balance``, or ``handbook`` when the air temperature, the volatile solids or the mix is unknown.
    volume_m3
        What was judged: the settled volume, else the bay's.
    needed_m3
        By the balance, not below the 0.5 m3 it stands for; ``None`` on the handbook's basis, and when even 40 m3
        would not do.
    handbook_m3
        The handbook's minimum, whatever the climate.
    ambient_c
        Air temperature the balance was made for [Cel].
    heat_w_m3
        Heat of the second week, evaporation included [W/m3].
    sources
        Of the balance or the minimum.
    """

    state: Literal["adequate", "marginal", "small"]
    basis: Literal["heat_balance", "handbook"]
    volume_m3: float
    needed_m3: float | None
    handbook_m3: float
    ambient_c: float | None
    heat_w_m3: float | None
    sources: tuple[str, ...]


def pile_size(
    volume_m3: float | None, solids: Solids | None, surroundings: Surroundings
) -> PileSize | Unknown:
    """Judge the size of a pile, or say why it cannot be judged.

    Parameters
    ----------
    volume_m3
        Settled volume of the mix; ``None``: the bay's volume is taken.
    solids
        Volatile solids of the mix; ``None`` when unknown.
    surroundings
        Air temperature or climate, decay, bay.

    Returns
    -------
    PileSize or Unknown
        The balance asks whether the core holds 55 Cel in the second week.

    References
    ----------
    [1] Two-zone model, core and 15 cm shell, steady; low confidence, tuned to a model and not to real piles.
    [2] FAO, on-farm composting methods: about 1 m3. Second-hand.
    """
    volume = surroundings.bay_volume_m3 if volume_m3 is None else volume_m3
    if not volume:
        return Unknown("pile_size", "the volume is not known; give bulk densities, or bay_volume_m3")
    ambient = ambient_of(surroundings)
    smallest = PROCESS["smallest_pile_m3"]
    if ambient is None or solids is None or solids.biodegradable_kg.value <= 0:
        state: Literal["adequate", "small"] = "adequate" if _reaches(volume, smallest.value) else "small"
        return PileSize(state, "handbook", volume, None, smallest.value, ambient, None, (smallest.credit,))
    heat = heat_w(solids.biodegradable_kg.value, surroundings.decay) / volume
    needed = needed_m3(heat, ambient)
    sources = tuple(
        PROCESS[name].credit for name in ("second_week_days", "conductivity_w_mk", "smallest_pile_m3")
    )
    if needed is None or not _reaches(volume, needed):
        return PileSize("small", "heat_balance", volume, needed, smallest.value, ambient, heat, sources)
    judged: Literal["adequate", "marginal"] = "adequate" if _reaches(volume, smallest.value) else "marginal"
    return PileSize(judged, "heat_balance", volume, needed, smallest.value, ambient, heat, sources)


def ambient_of(surroundings: Surroundings) -> float | None:
    """Return the air temperature given, else the one that stands for the climate [Cel]."""
    if surroundings.ambient_c is not None or surroundings.climate is None:
        return surroundings.ambient_c
    return PROCESS[f"{surroundings.climate}_c"].value


def heat_w(biodegradable_kg: float, decay: str | None) -> float:
    """Return the mean heat of the second week [W]: what decays in it, a turn at its start laying some more open."""
    return (
        biodegradable_kg
        * _second_week(decay or "medium")
        * PROCESS["heat_mj_per_kg"].value
        * _JOULE_PER_MJ
        / _WEEK_S
    )


@cache
def _second_week(decay: str) -> float:
    fast = PROCESS[f"fast_share_{decay}"].value
    begin = PROCESS["first_week_days"].value
    days = PROCESS["second_week_days"].value
    opened = PROCESS["unlocked_per_turn"].value * PROCESS["locked_share"].value
    anew = decayed_share(PROCESS["unlocked_fast_part"].value, days) / (1 - PROCESS["locked_share"].value)
    return decayed_share(fast, begin + days) - decayed_share(fast, begin) + opened * anew


_SHELL_M: Final = PROCESS["shell_m"].value
_KEPT: Final = 1 - PROCESS["evaporated_share"].value
_OUTWARD: Final = (
    _SHELL_M / (2 * PROCESS["conductivity_w_mk"].value) + 1 / PROCESS["film_w_m2k"].value
) / PROCESS["surface_m2"].value
"""Resistance from the middle of the shell to the air, times the edge in m [K.m/W]."""
_INWARD: Final = _SHELL_M / PROCESS["conductivity_w_mk"].value
"""Resistance from the core to the middle of the shell [K.m2/W]."""


def core_above_air_k(volume_m3: float, heat_w_m3: float) -> float:
    """Return how far the core stands above the air when heat made is heat lost [K].

    Parameters
    ----------
    volume_m3
        Of a cube on the ground.
    heat_w_m3
        Heat made, evenly; a share of it goes into evaporation.

    Returns
    -------
    float
        Rises with either. The core is what lies inside the shell, which has no side at the ground.
    """
    edge = math.cbrt(volume_m3)
    inner, height = max(0.0, edge - 2 * _SHELL_M), max(0.0, edge - _SHELL_M)
    depth = inner * height / (inner + 4 * height) if inner else 0.0  # core volume over its surface
    return heat_w_m3 * _KEPT * (edge * _OUTWARD + depth * _INWARD)


def needed_m3(heat_w_m3: float, ambient_c: float) -> float | None:
    """Return the smallest pile whose core holds 55 Cel, within the sizes the balance stands for.

    Parameters
    ----------
    heat_w_m3
        Heat of the second week [W/m3].
    ambient_c
        Air temperature [Cel].

    Returns
    -------
    float or None
        [m3], at least 0.5; ``None`` when 40 would not do. :func:`core_above_air_k` solved for the edge, which it
        holds squared at most.
    """
    wanted = PROCESS["hold_c"].value - ambient_c
    least, most = PROCESS["balance_from_m3"].value, PROCESS["balance_up_to_m3"].value
    if core_above_air_k(least, heat_w_m3) >= wanted:
        return least
    if core_above_air_k(most, heat_w_m3) < wanted:
        return None
    per_heat = wanted / (heat_w_m3 * _KEPT)
    square = 5 * _OUTWARD + _INWARD
    linear = 6 * _OUTWARD * _SHELL_M + 3 * _INWARD * _SHELL_M + 5 * per_heat
    constant = 2 * _INWARD * _SHELL_M**2 + 6 * per_heat * _SHELL_M
    edge = (linear + math.sqrt(linear * linear - 4 * square * constant)) / (2 * square)
    return edge**3


def _reaches(volume_m3: float, needed_m3: float) -> bool:
    return volume_m3 >= needed_m3 * (1 - 1e-9)
