"""What a smaller pile costs in heat: the same mix at two sizes, by a lumped heat balance."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.decay import warmth
from service.domain.sizes.heat_figures import DRAWN, Draws, draws

Array = NDArray[np.float64]

HOT_C: Final = 55.0
DAYS: Final = 28
TURN_EVERY_DAYS: Final = 7
LEAST_M3: Final = 0.3
MOST_M3: Final = 40.0
LEAST_AIR_C: Final = 2.0
MOST_AIR_C: Final = 40.0
SOURCE: Final = (
    "lumped heat balance of a pile (surface over volume, conduction through a 15 cm shell, air drawn through, two-share"
    " decay) with most of its figures assumed or from memory; not yet tried against piles of known size"
)
_STEPS_A_DAY: Final = 24
_DRY_FACTOR: Final = 0.97
"""Of the rate, for moisture of 60 %: Haug's f1; second-hand."""
_BUILT_AT_LEAST_C: Final = 15.0
_MJ_PER_W_DAY: Final = 0.0864
_BAND: Final = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class Band:
    """The middle of what the figures' spread allows, and the tenths on either side."""

    low: float
    likely: float
    high: float


@dataclass(frozen=True)
class HeatCost:
    """What a pile loses by being built smaller.

    Attributes
    ----------
    built_m3, design_m3, ambient_c
        What was compared [m3], and at which mean air temperature [Cel].
    surface_per_volume
        Surface that loses heat over volume, as built and as designed [1/m].
    peak_loss_c
        Lower peak [Cel].
    hot_hours_loss
        Fewer hours at 55 Cel or more in the first 28 days, turned weekly [h].
    hot_hours_designed
        Hours of the pile as designed [h].
    text, source
        For people.
    """

    built_m3: float
    design_m3: float
    ambient_c: float
    surface_per_volume: tuple[float, float]
    peak_loss_c: Band
    hot_hours_loss: Band
    hot_hours_designed: Band
    text: str
    source: str = SOURCE


def heat_cost(built_m3: float, design_m3: float, ambient_c: float) -> HeatCost | None:
    """Return what a pile built smaller than designed loses in heat.

    Parameters
    ----------
    built_m3, design_m3
        [m3].
    ambient_c
        Mean temperature of the air over the first weeks [Cel].

    Returns
    -------
    HeatCost or None
        The middle 80 % over draws of the figures, each draw used for both sizes, so that what is not known of the mix
        cancels as far as it does. Negative losses are gains. None outside 0.3 to 40 m3 or 2 to 40 Cel, where the
        balance is not valid: freezing, ovens, heaps short of air.

    Notes
    -----
    T is the core's, which looks out through the whole shell: 1/U = shell/conductivity + 1/film, about 1.7 W/(m2.K).
    Against the finer two-zone model the figures come from (450 kg/m3, 60 %, weekly turns, days of 50 at 55 Cel or more
    at 15 Cel air): 0.25 m3 5 against 4, 0.5 m3 8 against 6, 1 m3 12 against 11, 3 m3 26 against 41. It understates what
    a large pile holds, and with that what shrinking one costs.

    References
    ----------
    [1] R. T. Haug, The Practical Handbook of Compost Engineering (1993): heat of decay, moisture factor. Second-hand.
    [2] L. Rosso et al., cardinal temperature model with inflection (1993). From memory.
    """
    sizes = (built_m3, design_m3)
    if not all(LEAST_M3 <= size <= MOST_M3 for size in sizes) or not LEAST_AIR_C <= ambient_c <= MOST_AIR_C:
        return None
    both = {name: np.tile(values, 2) for name, values in draws().items()}
    told = curves(np.repeat(sizes, DRAWN), ambient_c, both)
    built, designed = told[:, :DRAWN], told[:, DRAWN:]
    peak = _band(designed.max(axis=0) - built.max(axis=0))
    hours = [24.0 / _STEPS_A_DAY * (one >= HOT_C).sum(axis=0) for one in (built, designed)]
    lost = _band(hours[1] - hours[0])
    return HeatCost(
        built_m3,
        design_m3,
        ambient_c,
        (surface_per_volume(built_m3), surface_per_volume(design_m3)),
        peak,
        lost,
        _band(hours[1]),
        _text(built_m3 / design_m3, ambient_c, peak, lost),
    )


def surface_per_volume(volume_m3: float) -> float:
    """Return the surface that loses heat over the volume, of a cube on the ground [1/m]."""
    return float(draws()["surface_factor"][0] / volume_m3 ** (1 / 3))


def curves(volume_m3: float | Array, ambient_c: float, drawn: Draws, *, days: int = DAYS) -> Array:
    """Return core temperatures, steps of 1 h by draws [Cel], turned weekly.

    Heat by decay of a fast and a slow share; losses by conduction through the shell and by warm, saturated air drawn
    through. Heun's method.
    """
    degradable = drawn["degradable_kg_m3"]
    open_ = degradable * (1 - drawn["locked_share"].clip(0, 0.9))
    fast_share = drawn["fast_share"].clip(0, 0.9)
    locked = degradable - open_
    start = np.full_like(degradable, max(ambient_c, _BUILT_AT_LEAST_C))
    state = np.array([start, open_ * fast_share, open_ * (1 - fast_share), np.full_like(degradable, 0.15)])
    step = 1 / _STEPS_A_DAY
    told = np.empty((days * _STEPS_A_DAY, degradable.size))
    for place in range(days * _STEPS_A_DAY):
        if place and place % (TURN_EVERY_DAYS * _STEPS_A_DAY) == 0:
            freed = drawn["unlocked_by_turn"].clip(0, 1) * locked
            locked = locked - freed
            state[0] -= drawn["cooled_by_turn"].clip(0, 1) * (state[0] - ambient_c)
            state[1:3] += np.array([0.15 * freed, 0.85 * freed])
        first = rates(state, volume_m3, ambient_c, drawn)
        second = rates(state + step * first, volume_m3, ambient_c, drawn)
        state = state + step / 2 * (first + second)
        state[1:] = state[1:].clip(1e-9)
        told[place] = state[0]
    return told


def rates(state: Array, volume_m3: float | Array, ambient_c: float, drawn: Draws) -> Array:
    """Return the change of core temperature [Cel/d], fast and slow matter [kg/(m3.d)] and microbes [1/d]."""
    core, fast, slow, active = state
    excess = core - ambient_c
    speed = warmth(core)
    work = speed * _DRY_FACTOR * active
    fast_gone, slow_gone = drawn["fast_per_day"] * fast * work, drawn["slow_per_day"] * slow * work
    through = 1 / (drawn["shell_m"] / drawn["conductivity_w_m_k"] + 1 / drawn["film_w_m2_k"])
    side = volume_m3 ** (1 / 3)
    surface = through * drawn["surface_factor"] / side * _MJ_PER_W_DAY * excess
    air = drawn["air_m_day"] * excess.clip(0) / 40 / side
    wet = 2.4 * (_vapour(core) - 0.8 * _vapour(np.full_like(core, ambient_c))) + 0.0012 * excess
    warming = (drawn["heat_mj_kg"] * (fast_gone + slow_gone) - surface - air * wet) / drawn[
        "heat_capacity_mj_m3_k"
    ]
    growth = drawn["growth_per_day"] * speed * active * (1 - active)
    return np.array([warming, -fast_gone, -slow_gone, growth - 3 * active / (1 + np.exp(-(core - 67) / 1.5))])


def _vapour(at_c: Array) -> Array:
    """Return water in saturated air [kg/m3] (Magnus)."""
    return 611.2 * np.exp(17.62 * at_c / (243.12 + at_c)) / (461.5 * (at_c + 273.15))


def _band(values: Array) -> Band:
    low, likely, high = (float(at) for at in np.quantile(values, _BAND))
    return Band(low, likely, high)


def _text(share: float, ambient_c: float, peak: Band, lost: Band) -> str:
    if share >= 1:
        return "Built to its full size: nothing is lost."
    return (
        f"Built to {share:.0%} of the design at {ambient_c:.0f} Cel air it should peak {peak.likely:.1f} Cel lower"
        f" ({peak.low:.1f} to {peak.high:.1f}) and stay {lost.likely:.0f} h less at {HOT_C:.0f} Cel or more in four"
        f" weeks ({lost.low:.0f} to {lost.high:.0f}). A rough estimate from a heat balance,"
        " not from piles like yours."
    )
