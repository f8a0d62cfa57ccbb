"""What a site measures with a bucket, a scale and an oven, turned into the figures of a recipe."""

from typing import Final

from service.domain.errors import Invalid

from .figures import DENSITY, MASS, MOISTURE, PERCENT_OF_DRY, Bounds, plain

POUND_KG: Final = 0.45359237
"""Exact by definition, as the units below (international yard and pound agreement, 1959)."""
SHORT_TON_KG: Final = 2000 * POUND_KG
CUBIC_YARD_M3: Final = 0.9144**3
US_GALLON_L: Final = 3.785411784
POUND_PER_CUBIC_YARD_KG_M3: Final = POUND_KG / CUBIC_YARD_M3

_DRY_BASIS: Final = Bounds(0, 1e6, "give water as a percentage of the dry mass")
_LITRES: Final = Bounds(1e-3, 1e6, "give the bucket's volume in litres")
_LIGNIN_FREE_FRACTION: Final = 0.830
_LIGNIN_SLOPE: Final = 0.028


def _require(field: str, value: float, bounds: Bounds) -> None:
    fault = bounds.fault(value)
    if fault is not None:
        raise Invalid.field(f"/{field}", fault)


def moisture_from_drying_pct(wet_kg: float, dry_kg: float, container_kg: float = 0.0) -> float:
    """Return the moisture of an oven-dried sample.

    Parameters
    ----------
    wet_kg, dry_kg
        Sample with its container, before and after drying; any one unit of mass will do.
    container_kg
        The empty container, same unit.

    Returns
    -------
    float
        Water, % of wet mass.

    Raises
    ------
    Invalid
        When the sample weighs nothing, or more after drying than before.

    References
    ----------
    [1] Richard and Trautmann, Cornell Waste Management Institute, "Moisture content".
    """
    for field, value in (("wet_kg", wet_kg), ("dry_kg", dry_kg), ("container_kg", container_kg)):
        _require(field, value, MASS)
    if wet_kg <= container_kg:
        raise Invalid.field("/wet_kg", f"{plain(wet_kg)} is not above the container's {plain(container_kg)}")
    if not container_kg <= dry_kg <= wet_kg:
        raise Invalid.field(
            "/dry_kg",
            f"{plain(dry_kg)} is not between the container's {plain(container_kg)} and the wet {plain(wet_kg)}",
        )
    return 100 * (wet_kg - dry_kg) / (wet_kg - container_kg)


def wet_basis_pct(dry_basis_pct: float) -> float:
    """Turn water in % of dry mass into % of wet mass: 50 becomes 33.3."""
    _require("dry_basis_pct", dry_basis_pct, _DRY_BASIS)
    return 100 * dry_basis_pct / (100 + dry_basis_pct)


def dry_basis_pct(moisture_pct: float) -> float:
    """Turn water in % of wet mass into % of dry mass; 100 % has no dry mass and is refused."""
    _require("moisture_pct", moisture_pct, MOISTURE)
    if moisture_pct == 100:  # noqa: PLR2004 - all water
        raise Invalid.field("/moisture_pct", "100 % leaves no dry mass to relate the water to")
    return 100 * moisture_pct / (100 - moisture_pct)


def of_dry_matter_pct(as_is_pct: float, moisture_pct: float) -> float:
    """Turn a nutrient in % of the material as it lies into % of its dry matter.

    Garden handouts often print carbon and nitrogen of the fresh weight; mixing those with handbook figures, which
    are of dry matter, is a common slip.
    """
    _require("as_is_pct", as_is_pct, PERCENT_OF_DRY)
    _require("moisture_pct", moisture_pct, MOISTURE)
    if as_is_pct > 100 - moisture_pct:
        raise Invalid.field(
            "/as_is_pct",
            f"{plain(as_is_pct)} % is more than the {plain(100 - moisture_pct)} % of dry matter there is",
        )
    return 0.0 if as_is_pct == 0 else 100 * as_is_pct / (100 - moisture_pct)


def bucket_bulk_density_kg_m3(bucket_l: float, empty_kg: float, full_kg: float) -> float:
    """Return the bulk density of a material weighed in a bucket.

    Fill by thirds, drop the bucket ten times from 15 cm after each third, top up, weigh.

    Parameters
    ----------
    bucket_l
        Volume to the level at which it was weighed, litres.
    empty_kg, full_kg
        The bucket without and with the material.

    Returns
    -------
    float
        kg/m3, wet.

    Raises
    ------
    Invalid
        When the full bucket is not heavier than the empty one, or the answer is no loose material's.

    References
    ----------
    [1] Cooperband 2002, The Art and Science of Composting, as in the Eawag/Sandec composting supplement (9 kg in
        20 L is 0.45 kg/L).
    """
    _require("bucket_l", bucket_l, _LITRES)
    _require("empty_kg", empty_kg, MASS)
    _require("full_kg", full_kg, MASS)
    if full_kg <= empty_kg:
        raise Invalid.field("/full_kg", f"{plain(full_kg)} is not above the empty bucket's {plain(empty_kg)}")
    density = 1000 * (full_kg - empty_kg) / bucket_l
    fault = DENSITY.fault(density)
    if fault is not None:
        raise Invalid.field("/full_kg", f"the bulk density would be {plain(density)} kg/m3: {fault}")
    return density


def water_to_reach_kg(mass_kg: float, moisture_pct: float, goal_pct: float) -> float:
    """Return the water (1 kg is 1 L) that lifts a mix to a moisture.

    Parameters
    ----------
    mass_kg
        Wet mass of the mix.
    moisture_pct, goal_pct
        Present and wanted moisture, % of wet mass.

    Returns
    -------
    float
        kg; 0 when the mix is already as wet.

    Raises
    ------
    Invalid
        When the goal is 100 % (no amount of water reaches it) or a value is impossible.

    References
    ----------
    [1] Cornell Waste Management Institute, moisture formula with water as a material of 100 %.
    """
    _require("mass_kg", mass_kg, MASS)
    _require("moisture_pct", moisture_pct, MOISTURE)
    _require("goal_pct", goal_pct, MOISTURE)
    if goal_pct == 100:  # noqa: PLR2004 - all water
        raise Invalid.field("/goal_pct", "no amount of water makes a mix all water; give less than 100")
    return max(0.0, mass_kg * (goal_pct - moisture_pct) / (100 - goal_pct))


def free_air_space_pct(bulk_density_kg_m3: float) -> float:
    """Estimate free air space from wet bulk density: 100 - 0.09 BD, not below 0.

    References
    ----------
    [1] Agnew and Leonard 2003, Compost Science & Utilization 11, empirical line; also in the review of Alburquerque
        et al. 2008. From memory.
    """
    return max(0.0, 100 - 0.09 * bulk_density_kg_m3)


def free_air_space_by_components_pct(
    bulk_density_kg_m3: float, moisture_pct: float, organic_matter_pct: float
) -> float:
    """Estimate free air space from the volumes of water, organic matter and ash.

    Parameters
    ----------
    bulk_density_kg_m3
        Wet.
    moisture_pct
        % of wet mass.
    organic_matter_pct
        % of dry matter.

    Returns
    -------
    float
        % of volume; below 0 when the figures cannot belong together.

    References
    ----------
    [1] van Ginkel 1999; Richard et al. 2004: particle densities 1.6 (organic) and 2.65 (ash) t/m3. From memory.
    """
    _require("bulk_density_kg_m3", bulk_density_kg_m3, DENSITY)
    _require("moisture_pct", moisture_pct, MOISTURE)
    _require("organic_matter_pct", organic_matter_pct, PERCENT_OF_DRY)
    water, organic = moisture_pct / 100, organic_matter_pct / 100
    solids_m3_per_t = (1 - water) * (organic / 1.6 + (1 - organic) / 2.65)
    return 100 * (1 - bulk_density_kg_m3 / 1000 * (solids_m3_per_t + water))


def biodegradable_fraction(lignin_of_volatile_solids_pct: float) -> float:
    """Return the part of the volatile solids that microbes can take: 0.830 - 0.028 X, not below 0.

    Parameters
    ----------
    lignin_of_volatile_solids_pct
        Lignin X by the Van Soest method, % of volatile solids. Klason lignin is higher and does not fit here.

    Returns
    -------
    float
        0 to 0.83. Fitted to anaerobic digestion: compare materials with it, do not take it as absolute.

    References
    ----------
    [1] Chandler et al. 1980, Biotechnology and Bioengineering Symposium 10. From memory.
    """
    _require("lignin_of_volatile_solids_pct", lignin_of_volatile_solids_pct, PERCENT_OF_DRY)
    fraction = _LIGNIN_FREE_FRACTION - _LIGNIN_SLOPE * lignin_of_volatile_solids_pct
    return max(0.0, fraction)
