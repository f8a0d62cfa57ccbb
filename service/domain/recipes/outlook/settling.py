"""What volume a mix stands at once fines have settled into the voids of the coarse, and the air left in it."""

from dataclasses import dataclass
from typing import Final

from service.domain.published import Estimate
from service.domain.recipes.measures import free_air_space_by_components_pct, free_air_space_pct

from .process import PROCESS
from .solids import Present

_HEAVIEST_KG_M3: Final = 5000.0


@dataclass(frozen=True, slots=True)
class Settling:
    """The volume after mixing.

    Attributes
    ----------
    volume_m3
        Settled, with its range.
    bulk_density_kg_m3
        At the settled volume.
    shrink_pct
        Volume lost on mixing, % of the loose volumes of the solid materials, with its range.
    basis
        ``given`` by the caller, ``assumed`` by the textures, or ``none``: one material loses nothing on mixing.
    water_soaked_in_m3
        Volume of free water that went into the voids and so counts no more.
    source
        Where the shrink stands, and how it came to us.
    """

    volume_m3: Estimate
    bulk_density_kg_m3: float
    shrink_pct: Estimate
    basis: str
    water_soaked_in_m3: float
    source: str


def settle(present: Present, mass_kg: float, loose_m3: float, given_pct: float | None) -> Settling:
    """Work out the settled volume.

    Parameters
    ----------
    present
        Ingredients and their wet masses [kg]; every bulk density is known.
    mass_kg, loose_m3
        Of the whole mix.
    given_pct
        Shrink that the caller measured, % of the summed loose volumes; ``None``: assume by texture.

    Returns
    -------
    Settling
        Never less than the water and solids themselves take, where the moisture is known.

    References
    ----------
    [1] Volume lost on mixing: 0 to 5 % for like materials, 10 to 30 % for wet fines into chips or straw. Low
        confidence; measure rather than assume.
    """
    if given_pct is not None:
        shrink, basis, source = Estimate(given_pct, given_pct, given_pct), "given", "as given"
        solid_m3, water_m3 = loose_m3, 0.0
    else:
        volumes = [
            (i.bulk_density_kg_m3 or 0.0, m / (i.bulk_density_kg_m3 or 1.0))
            for i, m in present
            if not i.is_all_water
        ]
        solid_m3 = sum(volume for _, volume in volumes)
        water_m3 = loose_m3 - solid_m3 if volumes else 0.0
        solid_m3 = solid_m3 if volumes else loose_m3
        shrink, basis, source = _assumed(volumes, solid_m3)
    floor = _solid_volume_m3(present)

    def left(lost_pct: float) -> float:
        return min(loose_m3, max(floor, solid_m3 * (1 - lost_pct / 100)))

    volume = Estimate(left(shrink.value), left(shrink.high), left(shrink.low))
    return Settling(volume, mass_kg / volume.value, shrink, basis, max(0.0, water_m3), source)


def _assumed(volumes: list[tuple[float, float]], solid_m3: float) -> tuple[Estimate, str, str]:
    if len(volumes) <= 1:
        return Estimate(0, 0, 0), "none", "one material alone has no voids of another to fill"
    fines = sum(v for density, v in volumes if density >= PROCESS["fines_from_kg_m3"].value)
    coarse = sum(v for density, v in volumes if density <= PROCESS["coarse_up_to_kg_m3"].value)
    felt = PROCESS["texture_share"].value * solid_m3
    shrink = PROCESS["shrink_fines_pct" if min(fines, coarse) >= felt else "shrink_like_pct"]
    return Estimate.of(shrink), "assumed", shrink.credit


def _solid_volume_m3(present: Present) -> float:
    """Return the volume of water and solids without any air; 0 when a moisture is unknown."""
    total = 0.0
    for ingredient, mass in present:
        moisture = ingredient.moisture_pct
        if moisture is None:
            return 0.0
        organic = ingredient.volatile_solids_of_dry_pct
        dry = (1 - moisture / 100) * mass
        share = 1.0 if organic is None else organic / 100
        total += (mass * moisture / 100 + dry * (share / 1.6 + (1 - share) / 2.65)) / 1000
    return total


@dataclass(frozen=True, slots=True)
class AirSpace:
    """Free air space in both forms, % of volume.

    Attributes
    ----------
    used
        Which one ``free_air_space_pct`` and the solver's target are: ``empirical``.
    empirical_pct, component_pct
        100 - 0.09 BD, and from the volumes of water, organic matter and ash; at the bulk density of the mix. The
        second is ``None`` when moisture or volatile solids are unknown, or contradict the bulk density.
    settled_empirical_pct, settled_component_pct
        The same at the settled bulk density.
    why_they_differ
        In words.
    """

    used: str
    empirical_pct: float
    component_pct: float | None
    settled_empirical_pct: float
    settled_component_pct: float | None
    why_they_differ: str


def air_space(
    density_kg_m3: float, settled_kg_m3: float, moisture_pct: float | None, organic_pct: float | None
) -> AirSpace:
    """Estimate free air space both ways.

    Parameters
    ----------
    density_kg_m3, settled_kg_m3
        Wet bulk density of the mix, loose and settled.
    moisture_pct
        % of wet mass; ``None`` when unknown.
    organic_pct
        Volatile solids, % of dry matter; ``None`` when unknown.

    Returns
    -------
    AirSpace
        Both forms.

    References
    ----------
    [1] Agnew and Leonard 2003 (empirical); van Ginkel 1999, Richard et al. 2004 (component). From memory.
    """
    component = _component(density_kg_m3, moisture_pct, organic_pct)
    empirical = free_air_space_pct(density_kg_m3)
    return AirSpace(
        "empirical",
        empirical,
        component,
        free_air_space_pct(settled_kg_m3),
        _component(settled_kg_m3, moisture_pct, organic_pct),
        _why(empirical, component),
    )


def _component(density_kg_m3: float, moisture_pct: float | None, organic_pct: float | None) -> float | None:
    if moisture_pct is None or organic_pct is None or not 1 <= density_kg_m3 <= _HEAVIEST_KG_M3:
        return None
    found = free_air_space_by_components_pct(density_kg_m3, moisture_pct, min(100.0, organic_pct))
    return found if found >= 0 else None


def _why(empirical: float, component: float | None) -> str:
    if component is None:
        return (
            "Only the empirical line is given: the component form needs moisture and volatile solids that leave room"
            " in this bulk density."
        )
    side = "more" if component > empirical else "less"
    return (
        f"The empirical line knows the bulk density alone and was fitted to mixes as wet as one composts; the component"
        f" form counts water, organic matter and ash apart and finds {abs(component - empirical):.0f} points {side}."
        " The line is used because the solver's target is the same and needs no moisture; measure with a bucket of"
        " water where it matters."
    )
