"""All that is to be said of a finished lot, in one answer."""

from dataclasses import dataclass
from typing import Literal, TypeVar

from service.domain.published import Unknown

from .amounts import Spread, spread
from .cautions import Bioassay, Caution, bioassay, cautions_for
from .emissions import Emissions, emissions
from .losses import MassLoss, mass_loss
from .lot import Lot
from .nitrogen import AvailableNitrogen, available_nitrogen
from .nutrients import Nutrients, nutrients

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class Bed:
    """A bed and how much it is to get: exactly one of depth, total nitrogen and available nitrogen.

    Attributes
    ----------
    area_m2, depth_cm
        Area, and depth of the compost.
    total_nitrogen_g_m2, available_nitrogen_g_m2
        Nitrogen the compost is to bring: all of it, or that of the first season.
    """

    area_m2: float
    depth_cm: float | None = None
    total_nitrogen_g_m2: float | None = None
    available_nitrogen_g_m2: float | None = None


@dataclass(frozen=True, slots=True)
class Treated:
    """The material that was put on [kg], wet or dry, water added later left out."""

    kg: float
    basis: Literal["wet", "dry"]


@dataclass(frozen=True, slots=True)
class After:
    """What a lot holds, gives, cost the air, and asks.

    Attributes
    ----------
    lot
        With mass, volume and bulk density completed.
    nutrients, available_nitrogen, application, emissions, mass_loss
        Each ``None`` when it cannot be known, with an entry in ``reasons``; ``application`` also when nobody asked.
    cautions, bioassay
        Always.
    reasons
        Why something is unknown.
    """

    lot: Lot
    nutrients: Nutrients
    available_nitrogen: AvailableNitrogen | None
    application: Spread | None
    emissions: Emissions | None
    mass_loss: MassLoss | None
    cautions: tuple[Caution, ...]
    bioassay: Bioassay
    reasons: tuple[Unknown, ...]


def after(
    lot: Lot,
    *,
    bed: Bed | None = None,
    treated: Treated | Unknown | None = None,
    start_ash_pct: float | Unknown | None = None,
) -> After:
    """Say all there is to say of a lot.

    Parameters
    ----------
    lot
        As measured.
    bed
        Where it is to go; ``None``: nobody asked.
    treated
        What was composted for it, or why that is unknown.
    start_ash_pct
        Ash of the fresh mix, % of dry matter, or why it is unknown.

    Returns
    -------
    After
        See there.

    Raises
    ------
    Invalid
        When figures contradict one another, or a bed is asked for in a way that has no answer.
    """
    lot = lot.completed()
    content = nutrients(lot)
    reasons: list[Unknown] = list(content.reasons)

    def known(found: _T | Unknown) -> _T | None:
        if isinstance(found, Unknown):
            reasons.append(found)
            return None
        return found

    available = known(available_nitrogen(lot.ratio, content.nitrogen))
    put_on = known(treated if treated is not None else _NOT_TREATED)
    ash = known(_start_ash(lot, start_ash_pct))
    return After(
        lot=lot,
        nutrients=content,
        available_nitrogen=available,
        application=None if bed is None else _on(bed, lot, content, available),
        emissions=None if put_on is None else emissions(put_on.kg, put_on.basis),
        mass_loss=None if ash is None or lot.ash_pct is None else mass_loss(ash, lot.ash_pct),
        cautions=cautions_for(lot.bulk_density_kg_m3),
        bioassay=bioassay(),
        reasons=tuple(reasons),
    )


_NOT_TREATED = Unknown("emissions", "the mass that was composted is not known; give treated_kg and its basis")


def _start_ash(lot: Lot, start_ash_pct: float | Unknown | None) -> float | Unknown:
    if isinstance(start_ash_pct, Unknown):
        return start_ash_pct
    if start_ash_pct is None or lot.ash_pct is None:
        because = "ash was not measured of both the fresh mix and the compost; give start_ash_pct and ash_pct"
        return Unknown("mass_loss", because)
    return start_ash_pct


def _on(bed: Bed, lot: Lot, content: Nutrients, available: AvailableNitrogen | None) -> Spread:
    return spread(
        lot,
        content,
        available,
        area_m2=bed.area_m2,
        depth_cm=bed.depth_cm,
        total_nitrogen_g_m2=bed.total_nitrogen_g_m2,
        available_nitrogen_g_m2=bed.available_nitrogen_g_m2,
    )
