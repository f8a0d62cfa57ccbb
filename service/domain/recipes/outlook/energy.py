"""Whether a mix holds enough energy to heat itself and dry: Haug's ratio of water to biodegradable solids."""

from dataclasses import dataclass
from typing import Final, Literal

from service.domain.published import Estimate, Unknown

from .process import PROCESS
from .solids import Solids

Enough = Literal["enough", "marginal", "short"]
_FIGURE: Final = "energy"
_NEXT_TO_NOTHING: Final = 1e-6


@dataclass(frozen=True, slots=True)
class EnergyBudget:
    """Energy against water.

    Attributes
    ----------
    water_to_solids_ratio
        W: g of water per g of biodegradable volatile solids, with its range.
    energy_cal_per_g_water
        E: 5550 / W, cal released per g of water.
    state
        ``enough`` (W < 8), ``marginal`` or ``short`` (W > 10).
    is_certain
        The whole range of W lies in the same band.
    is_assumed
        The biodegradable share was taken as usual for some material, not from its lignin.
    sources
        Of the bands.
    """

    water_to_solids_ratio: Estimate
    energy_cal_per_g_water: float | None
    state: Enough
    is_certain: bool
    is_assumed: bool
    sources: tuple[str, ...]


def energy_budget(water_kg: float, solids: Solids) -> EnergyBudget | Unknown:
    """Return the energy budget of a mix, or why it is not known.

    Parameters
    ----------
    water_kg
        All water in the mix.
    solids
        Its volatile solids.

    Returns
    -------
    EnergyBudget or Unknown
        Unknown when nothing in the mix is biodegradable.

    References
    ----------
    [1] Haug 1993, The Practical Handbook of Compost Engineering. From memory: W below 8 is enough, above 10 is not;
        E = 5550 / W, above 700 cal/g is enough, below 600 is not. The two rules agree to a few per cent; W decides.
    """
    found = solids.biodegradable_kg
    if found.low <= _NEXT_TO_NOTHING * water_kg:
        return Unknown(
            _FIGURE, "nothing in the mix is biodegradable, so there is no energy to set against water"
        )
    ratio = Estimate(water_kg / found.value, water_kg / found.high, water_kg / found.low)
    state = _state(ratio.value)
    return EnergyBudget(
        ratio,
        None if ratio.value < _NEXT_TO_NOTHING else PROCESS["energy_cal_per_g"].value / ratio.value,
        state,
        _state(ratio.low) == state == _state(ratio.high),
        solids.is_assumed,
        tuple(
            PROCESS[name].credit
            for name in ("water_ratio_enough", "water_ratio_short", "energy_enough_cal", "energy_short_cal")
        ),
    )


def _state(ratio: float) -> Enough:
    if ratio < PROCESS["water_ratio_enough"].value:
        return "enough"
    return "short" if ratio > PROCESS["water_ratio_short"].value else "marginal"
