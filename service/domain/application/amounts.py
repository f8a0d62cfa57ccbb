"""How much compost a bed takes: by depth, or by the nitrogen it is to bring."""

from dataclasses import dataclass
from typing import Final

from service.domain.errors import Invalid
from service.domain.published import Estimate, Unknown, plain

from .figures import FIGURES
from .lot import Lot
from .nitrogen import AvailableNitrogen
from .nutrients import Nutrients

LITRES_PER_CM_M2: Final = 10.0
"""1 cm over 1 m2 is 10 L."""
_MOST_KG: Final = 1e9


@dataclass(frozen=True, slots=True)
class Spread:
    """Compost on a bed.

    Attributes
    ----------
    area_m2, depth_cm
        The bed and how deep the compost lies on it; ``None`` without a bulk density.
    volume_l, mass_kg
        Compost needed; one is ``None`` without a bulk density.
    share_of_lot_pct
        Of the lot; above 100 the lot does not suffice. ``None`` when its amount is unknown.
    nitrogen_g_m2, phosphorus_g_m2, potassium_g_m2
        What it brings, as the elements; ``None`` when not measured.
    available_nitrogen_g_m2
        Nitrogen of the first season with its range; ``None`` when unknown or when nitrogen is tied up.
    mass_least_kg, mass_most_kg
        From where to where the mass may lie for a wanted available nitrogen; the second is ``None`` where the band
        reaches down to nothing, both for the other ways of asking.
    reasons
        Why a figure is unknown.
    cautions
        In words, with their figures and sources.
    """

    area_m2: float
    depth_cm: float | None
    volume_l: float | None
    mass_kg: float | None
    share_of_lot_pct: float | None
    nitrogen_g_m2: float | None
    phosphorus_g_m2: float | None
    potassium_g_m2: float | None
    available_nitrogen_g_m2: Estimate | None
    mass_least_kg: float | None
    mass_most_kg: float | None
    reasons: tuple[Unknown, ...]
    cautions: tuple[str, ...]


def spread(
    lot: Lot,
    content: Nutrients,
    available: AvailableNitrogen | None,
    *,
    area_m2: float,
    depth_cm: float | None = None,
    total_nitrogen_g_m2: float | None = None,
    available_nitrogen_g_m2: float | None = None,
) -> Spread:
    """Work out the compost for a bed, by exactly one of depth, total nitrogen and available nitrogen.

    Parameters
    ----------
    lot, content, available
        The compost, completed; what it holds; what plants get of its nitrogen.
    area_m2
        Of the bed.
    depth_cm
        How deep to spread.
    total_nitrogen_g_m2, available_nitrogen_g_m2
        Nitrogen the compost is to bring, all of it or that of the first season.

    Returns
    -------
    Spread
        The amount and what it brings.

    Raises
    ------
    Invalid
        When none or several ways are asked, or the compost cannot bring the nitrogen wanted.
    """
    asked = {
        "depth_cm": depth_cm,
        "total_nitrogen_g_m2": total_nitrogen_g_m2,
        "available_nitrogen_g_m2": available_nitrogen_g_m2,
    }
    if sum(value is not None for value in asked.values()) != 1:
        raise Invalid.field("/application", f"give exactly one of {', '.join(asked)}")
    ends: tuple[float | None, float | None] = (None, None)
    if depth_cm is not None:
        volume: float | None = area_m2 * depth_cm * LITRES_PER_CM_M2
        mass = None if lot.bulk_density_kg_m3 is None else area_m2 * depth_cm / 100 * lot.bulk_density_kg_m3
    else:
        mass, ends = _mass_for_nitrogen(
            content, available, area_m2, total_nitrogen_g_m2, available_nitrogen_g_m2
        )
        volume = None if lot.bulk_density_kg_m3 is None else mass / lot.bulk_density_kg_m3 * 1000
        depth_cm = None if volume is None else volume / (area_m2 * LITRES_PER_CM_M2)
    return _brought(lot, content, available, area_m2, depth_cm, volume, mass, ends)


def _mass_for_nitrogen(
    content: Nutrients,
    available: AvailableNitrogen | None,
    area_m2: float,
    total_g_m2: float | None,
    available_g_m2: float | None,
) -> tuple[float, tuple[float | None, float | None]]:
    """Return the mass that brings the nitrogen wanted, and the range the band allows."""
    if total_g_m2 is not None:
        per_t = None if content.nitrogen is None else content.nitrogen.kg_per_t
        if not per_t:
            raise Invalid.field(
                "/application/total_nitrogen_g_m2",
                "the nitrogen of the compost is not known or nothing; give nitrogen_pct and moisture_pct, or a depth",
            )
        return _sane(total_g_m2 * area_m2 / per_t, "total_nitrogen_g_m2"), (None, None)
    gives = None if available is None else available.first_season_kg_per_t
    if gives is None or gives.value <= 0:
        raise Invalid.field(
            "/application/available_nitrogen_g_m2",
            "this compost gives no nitrogen that can be counted on in its first season, or its nitrogen or C:N is not"
            " known; ask by depth or by total nitrogen, and feed the crop otherwise",
        )
    wanted = (available_g_m2 or 0.0) * area_m2
    most = wanted / gives.low if gives.low > 0 else None
    return _sane(wanted / gives.value, "available_nitrogen_g_m2"), (wanted / gives.high, most)


def _sane(mass_kg: float, field: str) -> float:
    if mass_kg > _MOST_KG:
        raise Invalid.field(
            f"/application/{field}",
            f"{plain(mass_kg)} kg of this compost would be needed; it holds next to no nitrogen, so ask by depth",
        )
    return mass_kg


def _brought(
    lot: Lot,
    content: Nutrients,
    available: AvailableNitrogen | None,
    area_m2: float,
    depth_cm: float | None,
    volume_l: float | None,
    mass_kg: float | None,
    ends_kg: tuple[float | None, float | None],
) -> Spread:
    per_m2 = {
        name: None if found is None or mass_kg is None else found.kg_per_t * mass_kg / area_m2
        for name, found in (
            ("nitrogen", content.nitrogen),
            ("phosphorus", content.phosphorus),
            ("potassium", content.potassium),
        )
    }
    nitrogen = per_m2["nitrogen"]
    first = None if available is None else available.first_season_pct
    gets = None
    if first is not None and nitrogen is not None:
        gets = Estimate(*(nitrogen * pct / 100 for pct in (first.value, first.low, first.high)))
    return Spread(
        area_m2,
        depth_cm,
        volume_l,
        mass_kg,
        _share_of_lot_pct(lot, volume_l, mass_kg),
        nitrogen,
        per_m2["phosphorus"],
        per_m2["potassium"],
        gets,
        *ends_kg,
        tuple(_reasons(lot, mass_kg)),
        tuple(_cautions(depth_cm, nitrogen, available)),
    )


def _share_of_lot_pct(lot: Lot, volume_l: float | None, mass_kg: float | None) -> float | None:
    if lot.mass_kg and mass_kg is not None:
        return 100 * mass_kg / lot.mass_kg
    if lot.volume_m3 and volume_l is not None:
        return volume_l / lot.volume_m3 / 10
    return None


def _reasons(lot: Lot, mass_kg: float | None) -> list[Unknown]:
    remedy = "the bulk density of the lot is not known; weigh a bucket of it and give bulk_density_kg_m3"
    found = []
    if mass_kg is None:
        found.append(Unknown("mass_kg", remedy))
    elif lot.bulk_density_kg_m3 is None:
        found.append(Unknown("volume_l", remedy))
    if lot.mass_kg is None and lot.volume_m3 is None:
        found.append(
            Unknown("share_of_lot_pct", "the amount of the lot is not known; give mass_kg or volume_m3")
        )
    return found


def _cautions(
    depth_cm: float | None, nitrogen_g_m2: float | None, available: AvailableNitrogen | None
) -> list[str]:
    deepest, limit = FIGURES["deepest_cm"], FIGURES["manure_nitrogen_limit_g_m2"]
    found = []
    if depth_cm is not None and depth_cm > deepest.value:
        found.append(
            f"{plain(depth_cm)} cm is more than the 2.5 to 5 cm usually dug in ({deepest.credit}); phosphorus and salts"
            " build up."
        )
    if nitrogen_g_m2 is not None and nitrogen_g_m2 > limit.value:
        found.append(
            f"{plain(nitrogen_g_m2)} g of nitrogen per m2 is above 17 g/m2, a limit for manure in vulnerable zones"
            f" ({limit.credit}); ask which limit holds where you are."
        )
    if available is not None and available.ties_up_nitrogen:
        found.append(
            f"C:N {plain(available.carbon_nitrogen_ratio)} is above 25: it takes nitrogen from the soil for a season;"
            f" let it cure, or use it as a mulch ({available.sources[0]})."
        )
    return found
