"""Methane and nitrous oxide of composting, by the default factors of the IPCC."""

from dataclasses import dataclass
from typing import Literal

from service.domain.published import Estimate

from .figures import FIGURES


@dataclass(frozen=True, slots=True)
class Emissions:
    """What composting a mass gave off, by default factors.

    Attributes
    ----------
    treated_kg, basis
        Mass of the material as it was put on, and whether that is ``wet`` or ``dry``.
    methane_kg, nitrous_oxide_kg
        With the printed ranges.
    warming_kg_co2e
        Both, over 100 years; the range adds the low ends and the high ends. Carbon dioxide of the material itself
        is biogenic and not counted.
    sources
        Of the factors.
    note
        What the reader must know.
    """

    treated_kg: float
    basis: Literal["wet", "dry"]
    methane_kg: Estimate
    nitrous_oxide_kg: Estimate
    warming_kg_co2e: Estimate
    sources: tuple[str, ...]
    note: str


def emissions(treated_kg: float, basis: Literal["wet", "dry"]) -> Emissions:
    """Estimate the emissions of composting.

    Parameters
    ----------
    treated_kg
        Mass of waste put on [kg], water added later left out.
    basis
        Whether it is wet or dry.

    Returns
    -------
    Emissions
        Defaults for an inventory; a well-aired heap gives less, a wet and airless one more.

    References
    ----------
    [1] IPCC 2006 Guidelines for National Greenhouse Gas Inventories, volume 5, chapter 4, table 4.1. The nitrous
        oxide of wet weight is 0.24 as corrected; dry factors are wet ones at 60 % moisture.
    """
    methane, nitrous = FIGURES[f"methane_{basis}"], FIGURES[f"nitrous_oxide_{basis}"]
    kg = treated_kg / 1000
    ch4, n2o = Estimate.of(methane, kg), Estimate.of(nitrous, kg)
    warms, warms_more = FIGURES["methane_warming"], FIGURES["nitrous_oxide_warming"]
    total = Estimate(
        *(
            warms.value * a + warms_more.value * b
            for a, b in ((ch4.value, n2o.value), (ch4.low, n2o.low), (ch4.high, n2o.high))
        )
    )
    note = f"{methane.note}; nitrous oxide: {nitrous.note}" if nitrous.note else methane.note
    return Emissions(
        treated_kg, basis, ch4, n2o, total, tuple(f.credit for f in (methane, nitrous, warms)), note
    )
