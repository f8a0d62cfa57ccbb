"""What a lot of compost holds of nitrogen, phosphorus and potassium."""

from dataclasses import dataclass
from typing import Final

from service.domain.published import Unknown

from .lot import Lot

PHOSPHATE_PER_PHOSPHORUS: Final = (2 * 30.974 + 5 * 15.999) / (2 * 30.974)
"""P2O5 over P, by the standard atomic masses (IUPAC 2021, abridged)."""
POTASH_PER_POTASSIUM: Final = (2 * 39.098 + 15.999) / (2 * 39.098)
"""K2O over K."""
_NAMES: Final = ("nitrogen", "phosphorus", "potassium")


@dataclass(frozen=True, slots=True)
class Nutrient:
    """One nutrient of a lot.

    Attributes
    ----------
    kg_per_t
        In a wet tonne.
    kg_per_m3, kg
        In a cubic metre, and in the lot; ``None`` without bulk density or amount.
    """

    kg_per_t: float
    kg_per_m3: float | None
    kg: float | None

    def times(self, factor: float) -> "Nutrient":
        """Return it counted as something else, phosphate for example."""
        return Nutrient(
            self.kg_per_t * factor,
            None if self.kg_per_m3 is None else self.kg_per_m3 * factor,
            None if self.kg is None else self.kg * factor,
        )


@dataclass(frozen=True, slots=True)
class Nutrients:
    """Nutrients of a lot; ``None`` where not measured, with an entry in ``reasons``.

    Attributes
    ----------
    nitrogen, phosphorus, potassium
        As the elements.
    phosphate, potash
        The last two as P2O5 and K2O, as fertiliser is labelled.
    reasons
        Why a nutrient is unknown.
    """

    nitrogen: Nutrient | None
    phosphorus: Nutrient | None
    potassium: Nutrient | None
    phosphate: Nutrient | None
    potash: Nutrient | None
    reasons: tuple[Unknown, ...]


def nutrients(lot: Lot) -> Nutrients:
    """Return what a lot holds.

    Parameters
    ----------
    lot
        Completed; see :meth:`.lot.Lot.completed`.

    Returns
    -------
    Nutrients
        Wet tonnes hold the share of dry matter times its percentage.
    """
    found = {name: _nutrient(lot, name) for name in _NAMES}
    known = {name: one if isinstance(one, Nutrient) else None for name, one in found.items()}
    phosphorus, potassium = known["phosphorus"], known["potassium"]
    return Nutrients(
        nitrogen=known["nitrogen"],
        phosphorus=phosphorus,
        potassium=potassium,
        phosphate=None if phosphorus is None else phosphorus.times(PHOSPHATE_PER_PHOSPHORUS),
        potash=None if potassium is None else potassium.times(POTASH_PER_POTASSIUM),
        reasons=tuple(one for one in found.values() if isinstance(one, Unknown)),
    )


def _nutrient(lot: Lot, name: str) -> Nutrient | Unknown:
    of_dry: float | None = getattr(lot, f"{name}_pct")
    if of_dry is None:
        return Unknown(name, f"{name} was not measured; give {name}_pct of dry matter")
    if lot.dry_share is None:
        return Unknown(name, "the moisture of the lot was not measured; give moisture_pct")
    per_kg = lot.dry_share * of_dry / 100
    return Nutrient(
        1000 * per_kg,
        None if lot.bulk_density_kg_m3 is None else lot.bulk_density_kg_m3 * per_kg,
        None if lot.mass_kg is None else lot.mass_kg * per_kg,
    )
