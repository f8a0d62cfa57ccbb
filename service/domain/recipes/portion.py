"""An ingredient as it went into a mix, and what it lacks."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from .origin import Origin


@dataclass(frozen=True, slots=True)
class Portion:
    """One ingredient as it went into the mix.

    Attributes
    ----------
    name
        As given.
    mass_kg
        Wet.
    volume_m3
        Loose, before mixing; ``None`` without a bulk density.
    share_of_mass_pct
        Of the wet mass of the mix.
    moisture_pct, nitrogen_pct, carbon_pct, carbon_nitrogen_ratio, bulk_density_kg_m3
        The figures used, however they were given; ``None`` when unknown.
    category
        The library's, when known.
    origins
        Where each figure came from, by its name; empty when nobody told.
    """

    name: str
    mass_kg: float
    volume_m3: float | None
    share_of_mass_pct: float
    moisture_pct: float | None
    nitrogen_pct: float | None
    carbon_pct: float | None
    carbon_nitrogen_ratio: float | None
    bulk_density_kg_m3: float | None
    category: str | None
    origins: Mapping[str, Origin] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Missing:
    """A figure that an ingredient lacks.

    Attributes
    ----------
    ingredient
        Its name.
    figure
        The field that would fill the gap.
    needed_for
        The figures of the mix that stay unknown for want of it.
    """

    ingredient: str
    figure: str
    needed_for: tuple[str, ...]
