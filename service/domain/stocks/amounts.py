"""Amounts as they are told, by mass or by volume, in the one unit a book is kept in."""

from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Final, Literal

from service.domain.errors import Invalid

UnitOfStock = Literal["kg", "m3"]

STEP: Final = Decimal("0.001")
"""A book is kept to the gram and to the litre: exact sums, and finer than any scale or bucket in a yard."""

MOST: Final = 1e11
"""An amount or a balance beyond this is a slip of the pen, and more than the record keeps with its thousandths."""
DENSEST_KG_M3: Final = 5_000.0


@dataclass(frozen=True)
class Told:
    """An amount as it was told.

    Attributes
    ----------
    mass_kg, volume_m3
        Wet mass [kg] and loose volume [m3]; at least one.
    density_kg_m3
        Wet, loose bulk density in force [kg/m3]; None when nobody knows it.
    """

    mass_kg: float | None = None
    volume_m3: float | None = None
    density_kg_m3: float | None = None

    @property
    def density_used_kg_m3(self) -> float | None:
        """Return the density this amount rests on: its own when both were told, else the one in force [kg/m3]."""
        if self.mass_kg and self.volume_m3:
            return self.mass_kg / self.volume_m3
        return self.density_kg_m3


def exact(amount: float) -> Decimal:
    """Return an amount to the gram or litre, without the rest a binary number carries."""
    return Decimal(repr(float(amount))).quantize(STEP, ROUND_HALF_EVEN)


def unit_for(told: Told) -> UnitOfStock:
    """Return the unit a new book is kept in: mass when it is told or follows from a density, else volume."""
    return "kg" if told.mass_kg is not None or told.density_kg_m3 is not None else "m3"


def amount_in(unit: UnitOfStock, told: Told) -> Decimal:
    """Return an amount in the unit of the book.

    Raises
    ------
    Invalid
        Nothing was told, or it was told in the other measure and no density is known; mass and volume imply a density
        no material has; or the amount is beyond all reason.
    """
    if told.mass_kg is None and told.volume_m3 is None:
        raise Invalid.field("", "tells no amount; give mass_kg or volume_m3")
    _must_be_a_material(told)
    wanted, other = (told.mass_kg, told.volume_m3) if unit == "kg" else (told.volume_m3, told.mass_kg)
    if wanted is not None:
        return _within_reason(wanted)
    assert other is not None
    if told.density_kg_m3 is None:
        name = "mass_kg" if unit == "kg" else "volume_m3"
        raise Invalid.field(
            f"/{name}",
            f"this stock is kept in {unit} and no bulk density of the feedstock is known; give {name}, or weigh a"
            " bucket and add it as an analysis",
        )
    return _within_reason(other * told.density_kg_m3 if unit == "kg" else other / told.density_kg_m3)


def _must_be_a_material(told: Told) -> None:
    if not told.mass_kg or not told.volume_m3:
        return
    density = told.mass_kg / told.volume_m3
    if density > DENSEST_KG_M3:
        raise Invalid.field(
            "/volume_m3",
            f"{told.mass_kg:g} kg in {told.volume_m3:g} m3 would be {density:g} kg/m3, more than any material here;"
            " check both",
        )


def _within_reason(amount: float) -> Decimal:
    if not amount <= MOST:
        raise Invalid.field("", f"the amount would come to {amount:g}; check it and the bulk density")
    return exact(amount)
