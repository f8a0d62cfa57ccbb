"""How fast a simulated pile feeds: temperature, moisture, air space, nitrogen and oxygen."""

import math
from typing import Final

T_MIN_C: Final = -5.0
T_OPT_C: Final = 56.0
T_MAX_C: Final = 71.0
"""One set for all the guilds of a pile: simulated, chosen so the curves look right."""

HALF_OXYGEN: Final = 0.02
"""Volume share of oxygen at which a pile feeds at half its rate (Haug 1993; widely quoted)."""
FRESH_OXYGEN: Final = 0.21


def cardinal(temperature_c: float, shift_c: float = 0.0) -> float:
    """Return the growth factor at a temperature: 1 at the optimum, 0 outside the cardinal temperatures.

    References
    ----------
    [1] Rosso, Lobry and Flandrois 1993, Journal of Theoretical Biology 162, 447-463, the cardinal temperature model
        with inflection. From memory.
    """
    t = temperature_c - shift_c
    if not T_MIN_C < t < T_MAX_C:
        return 0.0
    above = (t - T_MAX_C) * (t - T_MIN_C) ** 2
    below = (T_OPT_C - T_MIN_C) * (
        (T_OPT_C - T_MIN_C) * (t - T_OPT_C) - (T_OPT_C - T_MAX_C) * (T_OPT_C + T_MIN_C - 2 * t)
    )
    return above / below


def moisture_factor(moisture_share: float) -> float:
    """Return how much drought slows a pile, by its water as a share of wet mass.

    References
    ----------
    [1] Haug 1993, The Practical Handbook of Compost Engineering; widely quoted.
    """
    return 1 / (math.exp(-17.684 * moisture_share + 7.0622) + 1)


def air_space_factor(air_share: float) -> float:
    """Return how much a lack of air space slows a pile, by air as a share of its volume.

    References
    ----------
    [1] Haug 1993, The Practical Handbook of Compost Engineering; widely quoted.
    """
    return 1 / (math.exp(-23.675 * air_share + 3.4945) + 1)


def nitrogen_factor(carbon_nitrogen_ratio: float) -> float:
    """Return how much a lack of nitrogen slows a pile; simulated, chosen so the curves look right."""
    return 1 / (1 + math.pow(max(carbon_nitrogen_ratio - 32, 0) / 28, 1.5))


def pore_oxygen(supply_per_day: float, demand_per_day: float) -> float:
    """Return the oxygen left in the pores where supply and uptake balance, as a share of volume.

    Parameters
    ----------
    supply_per_day
        Exchange of pore air [m3/d].
    demand_per_day
        Uptake at full rate, as a volume of oxygen [m3/d].

    Returns
    -------
    float
        The root y of ``supply (0.21 - y) = demand y / (y + 0.02)``.
    """
    if supply_per_day <= 0:
        return 0.0
    asked = demand_per_day / supply_per_day
    b = HALF_OXYGEN - FRESH_OXYGEN + asked
    return (-b + math.sqrt(b * b + 4 * FRESH_OXYGEN * HALF_OXYGEN)) / 2


def packing(air_share: float) -> float:
    """Return how easily air passes, against half the volume air.

    References
    ----------
    [1] Kozeny and Carman: permeability goes with e^3 / (1 - e)^2.
    """
    return (air_share**3 / (1 - air_share) ** 2) / 0.5
