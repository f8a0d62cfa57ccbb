"""What is known of a mix: the answer of evaluating, and part of the answer of solving."""

from dataclasses import dataclass

from service.domain.published import Unknown

from .outlook.energy import EnergyBudget
from .outlook.nitrogen_loss import NitrogenLoss
from .outlook.oxygen import OxygenDemand
from .outlook.settling import AirSpace, Settling
from .outlook.shrink import Shrink
from .outlook.size import PileSize
from .portion import Missing, Portion

__all__ = ["Advice", "Evaluation", "Missing", "Portion"]


@dataclass(frozen=True, slots=True)
class Advice:
    """One thing to know or to do, in plain words.

    Attributes
    ----------
    about
        The figure it is about, ``figures`` or ``safety``.
    is_fine
        The mix is within the range named; nothing to do.
    text
        The words, with the range and its source.
    """

    about: str
    is_fine: bool
    text: str


@dataclass(frozen=True, slots=True)
class Evaluation:
    """A mix.

    Attributes
    ----------
    mass_kg, dry_mass_kg
        Wet mass and dry matter.
    moisture_pct
        % of wet mass.
    nitrogen_kg, carbon_kg, nitrogen_pct
        Masses in the mix; nitrogen also as % of dry matter.
    carbon_nitrogen_ratio
        By mass; ``None`` when unknown or when the mix holds no nitrogen.
    biodegradable_carbon_nitrogen_ratio
        Carbon that microbes can take over nitrogen; needs Van Soest lignin of everything that holds carbon.
    volatile_solids_kg, volatile_solids_pct
        Also as % of dry matter.
    volatile_solids_from_carbon
        Some of them follow from carbon times 1.8; ``None`` when unknown.
    biodegradable_solids_kg
        The best estimate of what microbes can take of them.
    volume_m3
        The loose volumes side by side.
    settled_volume_m3
        Once mixed, fines in the voids of the coarse; ``settling`` has the shrink assumed.
    bulk_density_kg_m3, free_air_space_pct
        Of the loose volume, or of the settled one where the caller measured the shrink. Free air space is estimated
        from bulk density; ``air_space`` has the other form.
    settling, air_space, energy, first_week_oxygen, nitrogen_loss, shrink, pile_size
        What the mix will do; each ``None`` with an entry in ``reasons`` when it cannot be known.
    ingredients
        In the order given.
    missing
        Which ingredient lacks what; a figure of the mix that needs it is ``None``.
    reasons
        Why a figure beside those of ``missing`` is ``None``.
    advice
        Plain words.
    """

    mass_kg: float
    dry_mass_kg: float | None
    moisture_pct: float | None
    nitrogen_kg: float | None
    carbon_kg: float | None
    nitrogen_pct: float | None
    carbon_nitrogen_ratio: float | None
    volume_m3: float | None
    bulk_density_kg_m3: float | None
    free_air_space_pct: float | None
    biodegradable_carbon_nitrogen_ratio: float | None = None
    volatile_solids_kg: float | None = None
    volatile_solids_pct: float | None = None
    volatile_solids_from_carbon: bool | None = None
    biodegradable_solids_kg: float | None = None
    settled_volume_m3: float | None = None
    settling: Settling | None = None
    air_space: AirSpace | None = None
    energy: EnergyBudget | None = None
    first_week_oxygen: OxygenDemand | None = None
    nitrogen_loss: NitrogenLoss | None = None
    shrink: Shrink | None = None
    pile_size: PileSize | None = None
    ingredients: tuple[Portion, ...] = ()
    missing: tuple[Missing, ...] = ()
    reasons: tuple[Unknown, ...] = ()
    advice: tuple[Advice, ...] = ()
