"""How much of a compost's nitrogen plants get, by the published bands of C:N."""

from dataclasses import dataclass
from typing import Final

from service.domain.published import Estimate, Unknown

from .figures import FIGURES
from .nutrients import Nutrient

_BANDS: Final = (
    (10.0, "available_below_10"),
    (15.0, "available_10_to_15"),
    (20.0, "available_15_to_20"),
    (25.0, "available_20_to_25"),
)
"""Upper end of each band, not itself inside; 25 belongs to the last."""
_TIES_UP_ABOVE: Final = 25.0


@dataclass(frozen=True, slots=True)
class AvailableNitrogen:
    """Nitrogen for plants.

    Attributes
    ----------
    carbon_nitrogen_ratio
        Of the compost.
    first_season_pct
        % of its total nitrogen; ``None`` above C:N 25, where it takes nitrogen from the soil instead.
    first_season_kg, first_season_kg_per_t
        In the lot and in a wet tonne; ``None`` when the nitrogen is unknown.
    ties_up_nitrogen
        C:N is above 25: give nitrogen beside it, or let it cure.
    second_season_pct
        % of the total nitrogen as applied that the second season gets; each later year gets as much of the rest.
    later_years_pct
        % of what is left, each year.
    taken_up_in_field_pct
        % of the total nitrogen that crops took in three to four years in one field trial: plan with less.
    sources
        Of the bands, and of what crops took in the field.
    """

    carbon_nitrogen_ratio: float
    first_season_pct: Estimate | None
    first_season_kg: Estimate | None
    first_season_kg_per_t: Estimate | None
    ties_up_nitrogen: bool
    second_season_pct: Estimate
    later_years_pct: Estimate
    taken_up_in_field_pct: Estimate
    sources: tuple[str, ...]


def available_nitrogen(ratio: float | None, nitrogen: Nutrient | None) -> AvailableNitrogen | Unknown:
    """Return the nitrogen plants get of a compost.

    Parameters
    ----------
    ratio
        C:N of the compost; ``None`` when unknown.
    nitrogen
        What it holds; ``None`` when unknown: then only percentages are given.

    Returns
    -------
    AvailableNitrogen or Unknown
        Planning figures for cured compost, not for manure or fresh green matter, which give much more.

    References
    ----------
    [1] Oregon State University and Pacific Northwest Extension: C:N below 10: 10 to 20 %; 10 to 15: 5 to 10; 15 to
        20: 0 to 5; 20 to 25: none; above 25 negative; later years 3 to 8 % of what is left. From memory.
    [2] Horrocks et al. 2016: crops took 13 to 23 % in three to four years. Second-hand.
    """
    if ratio is None:
        because = (
            "C:N of the compost is not known; give carbon_nitrogen_ratio, or carbon_pct and nitrogen_pct"
        )
        return Unknown("available_nitrogen", because)
    ties_up = ratio > _TIES_UP_ABOVE
    name = next((name for below, name in _BANDS if ratio < below), _BANDS[-1][1])
    band, later = FIGURES[name], FIGURES["available_later"]
    first = None if ties_up else Estimate.of(band)
    left = (
        Estimate(100, 100, 100)
        if first is None
        else Estimate(100 - first.value, 100 - first.high, 100 - first.low)
    )
    second = Estimate(
        left.value * later.value / 100, left.low * later.least / 100, left.high * later.most / 100
    )
    return AvailableNitrogen(
        carbon_nitrogen_ratio=ratio,
        first_season_pct=first,
        first_season_kg=_share(first, None if nitrogen is None else nitrogen.kg),
        first_season_kg_per_t=_share(first, None if nitrogen is None else nitrogen.kg_per_t),
        ties_up_nitrogen=ties_up,
        second_season_pct=second,
        later_years_pct=Estimate.of(later),
        taken_up_in_field_pct=Estimate.of(FIGURES["taken_up_in_field"]),
        sources=(band.credit, later.credit, FIGURES["taken_up_in_field"].credit),
    )


def _share(pct: Estimate | None, of: float | None) -> Estimate | None:
    if pct is None or of is None:
        return None
    return Estimate(pct.value * of / 100, pct.low * of / 100, pct.high * of / 100)
