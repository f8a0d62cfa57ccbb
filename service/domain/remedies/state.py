"""The present state of a pile as an estimate: every figure with its range, and what it rests on."""

from dataclasses import dataclass, field
from typing import Final, Literal

from service.domain.published import Estimate, Unknown
from service.domain.recipes import Ingredient

from .figures import FIGURES

PILE: Final = "the pile"
MoistureFrom = Literal["sample", "squeeze", "estimate", "given", "symptom"]
Structure = Literal["fine", "mixed", "straw", "wood"]


@dataclass(frozen=True, slots=True)
class Assumption:
    """Something taken for granted: what, in words, and where it stands with how it came to us."""

    about: str
    text: str
    source: str


def assumed(about: str, text: str, *names: str) -> Assumption:
    """Return an assumption with the credit of the figures it rests on."""
    return Assumption(about, text, "; ".join(FIGURES[name].credit for name in names))


@dataclass(frozen=True, slots=True)
class PresentState:
    """A pile as it is taken to be now.

    Attributes
    ----------
    mass_kg, dry_mass_kg
        Wet mass and dry matter.
    moisture_pct
        % of wet mass.
    moisture_from
        What the moisture rests on last: a ``sample``, a ``squeeze``, the ``estimate`` of drying alone, a figure
        ``given``, or the ``symptom`` that was told.
    carbon_pct, nitrogen_pct, carbon_nitrogen_ratio
        Of dry matter, by mass; ``None`` when unknown.
    volume_m3
        As it stands; ``None`` when unknown.
    gone_share
        Of the biodegradable solids, what has gone since the build; ``None`` when unknown.
    dry_matter_lost_pct
        Of the dry matter that was put on; ``None`` when unknown.
    structure
        What holds it open.
    assumptions, unknown
        What was taken for granted; which figures are ``None`` and why.
    """

    mass_kg: Estimate
    dry_mass_kg: Estimate
    moisture_pct: Estimate
    moisture_from: MoistureFrom
    carbon_pct: Estimate | None = None
    nitrogen_pct: Estimate | None = None
    carbon_nitrogen_ratio: Estimate | None = None
    volume_m3: Estimate | None = None
    gone_share: Estimate | None = None
    dry_matter_lost_pct: Estimate | None = None
    structure: Structure = "fine"
    assumptions: tuple[Assumption, ...] = field(default=())
    unknown: tuple[Unknown, ...] = field(default=())

    @property
    def bulk_density_kg_m3(self) -> float | None:
        """Best estimate of mass over volume; ``None`` without a volume."""
        return None if self.volume_m3 is None else self.mass_kg.value / self.volume_m3.value

    def ingredient(self) -> Ingredient:
        """Return the pile as a material to mix with, at the best estimates, without an amount."""
        density = self.bulk_density_kg_m3
        return Ingredient(
            PILE,
            moisture_pct=self.moisture_pct.value,
            carbon_pct=None if self.carbon_pct is None else self.carbon_pct.value,
            nitrogen_pct=None if self.nitrogen_pct is None else self.nitrogen_pct.value,
            # a volume and a mass that do not belong together are told, not reckoned with
            bulk_density_kg_m3=density if density is not None and 1 <= density <= _HEAVIEST else None,
        )


_HEAVIEST: Final = 5000.0
