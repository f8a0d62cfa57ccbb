"""A material of the library: published figures, what other publications print for them, and its warnings."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

from service.domain.published import Figure, Status

from .figures import DENSITY, MOISTURE, NITROGEN, PERCENT_OF_DRY, RATIO, Bounds
from .ingredient import Ingredient
from .origin import Origin

FIGURES: Final[Mapping[str, Bounds]] = MappingProxyType(
    {
        "moisture_pct": MOISTURE,
        "nitrogen_pct": NITROGEN,
        "carbon_pct": PERCENT_OF_DRY,
        "carbon_nitrogen_ratio": RATIO,
        "volatile_solids_pct": PERCENT_OF_DRY,
        "bulk_density_kg_m3": DENSITY,
        "lignin_pct": PERCENT_OF_DRY,
        "phosphorus_pct": PERCENT_OF_DRY,
        "potassium_pct": PERCENT_OF_DRY,
    }
)
"""The figures a material may have, and what each may be."""

CATEGORIES: Final = frozenset(
    {
        "animal-by-product",
        "compost",
        "crop-processing",
        "crop-residue",
        "fertiliser",
        "food-scraps",
        "garden",
        "human-waste",
        "manure",
        "municipal",
        "nitrogen-supplement",
        "other",
        "paper-wood",
        "straw-hay-silage",
        "yard",
    }
)


@dataclass(frozen=True, slots=True)
class Opinion:
    """What another publication prints for the same figure; ``low`` equals ``high`` where it prints one number."""

    low: float
    high: float
    source: str
    status: Status
    note: str = ""
    method: str = ""


@dataclass(frozen=True, slots=True)
class MaterialFigure(Figure):
    """A published figure of a material.

    Attributes
    ----------
    method
        How lignin was determined, ``van_soest`` or ``klason``; empty when the publication does not tell.
    others
        What other publications print.
    """

    method: str = ""
    others: tuple[Opinion, ...] = ()

    @property
    def origin(self) -> Origin:
        """Where the figure came from, for an answer that uses it."""
        came_from = "derived" if self.is_derived else "library"
        return Origin(came_from, self.source, str(self.status), self.low, self.high, note=self.note)


@dataclass(frozen=True, slots=True)
class Feedstock:
    """One material of the library.

    Attributes
    ----------
    code
        Stable lower-case kebab name, for example ``leaves-loose-dry``.
    name, category
        For people, and for the cautions.
    figures
        By field name of :data:`FIGURES`; a figure that no publication gave is absent. Carbon, nitrogen and C:N are
        completed from one another, carbon also from volatile solids.
    warnings
        What makes the row doubtful.
    """

    code: str
    name: str
    category: str
    figures: Mapping[str, MaterialFigure] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    @property
    def is_low_confidence(self) -> bool:
        """Whether any figure is typical of the literature only: no handbook row is known for it."""
        return any(figure.status is Status.LOW_CONFIDENCE for figure in self.figures.values())

    def value(self, figure: str) -> float | None:
        """Return a figure's value, or ``None`` when unknown."""
        found = self.figures.get(figure)
        return None if found is None else found.value

    def ingredient(self, *, mass_kg: float | None = None, volume_m3: float | None = None) -> Ingredient:
        """Return the row as an ingredient; put measured figures over it with :func:`overlay`."""
        carbon, lignin = self.value("carbon_pct"), self.figures.get("lignin_pct")
        return Ingredient(
            name=self.name,
            moisture_pct=self.value("moisture_pct"),
            nitrogen_pct=self.value("nitrogen_pct"),
            carbon_pct=carbon,
            carbon_nitrogen_ratio=self.value("carbon_nitrogen_ratio") if carbon is None else None,
            volatile_solids_pct=self.value("volatile_solids_pct"),
            bulk_density_kg_m3=self.value("bulk_density_kg_m3"),
            mass_kg=mass_kg,
            volume_m3=volume_m3,
            category=self.category,
            lignin_pct=None if lignin is None else lignin.value,
            lignin_method=lignin.method or None if lignin is not None else None,
            phosphorus_pct=self.value("phosphorus_pct"),
            potassium_pct=self.value("potassium_pct"),
            origins={name: figure.origin for name, figure in self.figures.items()},
        )
