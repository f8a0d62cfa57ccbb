"""How much oxygen the first week takes, by stoichiometry and a stated decay."""

import math
from dataclasses import dataclass
from typing import Final

from service.domain.published import Estimate, Unknown

from .process import PROCESS
from .solids import Solids

_MASSES: Final = {"C": 12.011, "H": 1.008, "O": 15.999, "N": 14.007}
"""Standard atomic masses, IUPAC 2021 (abridged)."""
_ELEMENTS: Final = ("C", "H", "O", "N")

CELLULOSE: Final = (6, 10, 5, 0)
"""C6H10O5, a unit of cellulose and starch."""
SLUDGE: Final = (10, 19, 3, 1)
"""C10H19O3N, sewage sludge (Polprasert, Organic Waste Recycling, eq. 3.14)."""
DECAYS: Final = ("slow", "medium", "fast")


@dataclass(frozen=True, slots=True)
class Oxidation:
    """Moles per mole of substrate burned to CO2, water and ammonia."""

    oxygen: float
    carbon_dioxide: float
    water: float
    ammonia: float
    oxygen_kg_per_kg: float


def oxidation(carbon: float, hydrogen: float, oxygen: float, nitrogen: float) -> Oxidation:
    """Balance CaHbOcNd + x O2 -> a CO2 + y H2O + d NH3.

    Parameters
    ----------
    carbon, hydrogen, oxygen, nitrogen
        Atoms in the formula.

    Returns
    -------
    Oxidation
        x = a + (b - 3 d) / 4 - c / 2; nitrogen leaves as ammonia, no nitrate is formed.

    References
    ----------
    [1] Polprasert, Organic Waste Recycling, eq. 3.14 and 3.15: C10H19O3N takes 12.5 O2, C5H7O2N takes 5.
    """
    water = (hydrogen - 3 * nitrogen) / 2
    needed = carbon + water / 2 - oxygen / 2
    molar = sum(_MASSES[e] * n for e, n in zip(_ELEMENTS, (carbon, hydrogen, oxygen, nitrogen), strict=True))
    return Oxidation(needed, carbon, water, nitrogen, needed * 2 * _MASSES["O"] / molar)


_LEAST: Final = oxidation(*CELLULOSE).oxygen_kg_per_kg
_MOST: Final = oxidation(*SLUDGE).oxygen_kg_per_kg


@dataclass(frozen=True, slots=True)
class OxygenDemand:
    """Oxygen that the first week takes.

    Attributes
    ----------
    oxygen_kg, air_m3
        Oxygen, and the air at 20 Cel that holds as much, with their ranges. Air for cooling is many times more.
    decay
        ``slow``, ``medium`` or ``fast``, as given; ``medium`` when nothing was said.
    decayed_share
        Share of the biodegradable solids oxidised in seven days.
    oxygen_per_kg
        kg of oxygen per kg of them; low by cellulose, high by sludge.
    is_assumed
        The biodegradable share was taken as usual for some material.
    sources
        Of the assumptions.
    """

    oxygen_kg: Estimate
    air_m3: Estimate
    decay: str
    decayed_share: Estimate
    oxygen_per_kg: Estimate
    is_assumed: bool
    sources: tuple[str, ...]


def decayed_share(fast_share: float, days: float) -> float:
    """Return the share of the biodegradable solids gone after days at the best temperature.

    Parameters
    ----------
    fast_share
        Fast part of what is not locked inside pieces, 0 to 1.
    days
        Days at the best temperature; a real day is worth less.

    Returns
    -------
    float
        Two first-order pools; the locked part stays until a turn opens it.

    References
    ----------
    [1] Two-zone model with constants chosen so that curves look right; low confidence.
    """
    open_share = 1 - PROCESS["locked_share"].value
    fast = fast_share * -math.expm1(-PROCESS["fast_per_day"].value * days)
    slow = (1 - fast_share) * -math.expm1(-PROCESS["slow_per_day"].value * days)
    return open_share * (fast + slow)


def _first_week(decay: str) -> Estimate:
    fast, days = PROCESS[f"fast_share_{decay}"].value, PROCESS["first_week_days"]
    return Estimate(*(decayed_share(fast, d) for d in (days.value, days.least, days.most)))


_FIRST_WEEK: Final = {decay: _first_week(decay) for decay in DECAYS}


def first_week_oxygen(solids: Solids, decay: str | None) -> OxygenDemand | Unknown:
    """Return the oxygen of the first week, or why it is not known.

    Parameters
    ----------
    solids
        Volatile solids of the mix.
    decay
        One of :data:`DECAYS`; ``None``: ``medium``.

    Returns
    -------
    OxygenDemand or Unknown
        Unknown when nothing in the mix is biodegradable.

    References
    ----------
    [1] Haug 1993: 1.2 (carbohydrate) to 2.0 (sludge) kg of oxygen per kg; from memory, and by :func:`oxidation`.
    """
    found = solids.biodegradable_kg
    if found.value <= 0:
        return Unknown("first_week_oxygen", "nothing in the mix is biodegradable, so nothing takes up oxygen")
    decay = decay or "medium"
    gone, per_kg = _FIRST_WEEK[decay], Estimate(PROCESS["oxygen_per_kg"].value, _LEAST, _MOST)
    oxygen = Estimate(
        found.value * gone.value * per_kg.value,
        found.low * gone.low * per_kg.low,
        found.high * gone.high * per_kg.high,
    )
    air = 1 / (PROCESS["oxygen_in_air_share"].value * PROCESS["air_kg_m3"].value)
    return OxygenDemand(
        oxygen,
        Estimate(oxygen.value * air, oxygen.low * air, oxygen.high * air),
        decay,
        gone,
        per_kg,
        solids.is_assumed,
        tuple(PROCESS[name].credit for name in ("first_week_days", f"fast_share_{decay}", "oxygen_per_kg")),
    )
