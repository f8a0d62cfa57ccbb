"""Quantities, UCUM units and exact conversions between them."""

from enum import IntEnum
from fractions import Fraction
from typing import Final


class Unit(IntEnum):
    """UCUM codes the service accepts; the number is what a reading row stores."""

    CEL = 1
    DEG_F = 2
    KELVIN = 3
    PCT = 4
    VOLT = 5
    DBM = 6
    PH = 7

    @property
    def ucum(self) -> str:
        """Return the UCUM code, for example ``Cel``."""
        return UCUM[self]


UCUM: Final = {
    Unit.CEL: "Cel",
    Unit.DEG_F: "[degF]",
    Unit.KELVIN: "K",
    Unit.PCT: "%",
    Unit.VOLT: "V",
    Unit.DBM: "dB[mW]",
    Unit.PH: "[pH]",
}
UNIT_OF_UCUM: Final = {code: unit for unit, code in UCUM.items()}


class Quantity(IntEnum):
    """What a probe measures; the number is what a reading row stores."""

    TEMPERATURE = 1
    MOISTURE = 2
    OXYGEN = 3
    CARBON_DIOXIDE = 4
    AMBIENT_TEMPERATURE = 5
    BATTERY = 6
    SIGNAL = 7
    PH = 8

    @property
    def label(self) -> str:
        """Return the name used outside, for example ``temperature``."""
        return self.name.lower()


QUANTITY_OF_LABEL: Final = {quantity.label: quantity for quantity in Quantity}


class QualityFlag(IntEnum):
    """QARTOD primary flags (IOOS, Manual for Real-Time Oceanographic Data Quality Control Flags)."""

    GOOD = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


_TEMPERATURE_UNITS: Final = frozenset({Unit.CEL, Unit.DEG_F, Unit.KELVIN})
UNITS_OF: Final = {
    Quantity.TEMPERATURE: _TEMPERATURE_UNITS,
    Quantity.AMBIENT_TEMPERATURE: _TEMPERATURE_UNITS,
    Quantity.MOISTURE: frozenset({Unit.PCT}),
    Quantity.OXYGEN: frozenset({Unit.PCT}),
    Quantity.CARBON_DIOXIDE: frozenset({Unit.PCT}),
    Quantity.BATTERY: frozenset({Unit.PCT, Unit.VOLT}),
    Quantity.SIGNAL: frozenset({Unit.DBM}),
    Quantity.PH: frozenset({Unit.PH}),
}

ZERO_CELSIUS_K: Final = Fraction(27315, 100)


def temperature_in(value: Fraction, unit: Unit, target: Unit) -> Fraction:
    """Convert a temperature exactly.

    Parameters
    ----------
    value
        Temperature in ``unit``.
    unit, target
        ``Unit.CEL``, ``Unit.DEG_F`` or ``Unit.KELVIN``.

    Returns
    -------
    Fraction
        The same temperature in ``target``, without rounding: 131 [degF] is 55 Cel exactly.
    """
    if unit is target:
        return value
    celsius = {
        Unit.CEL: value,
        Unit.DEG_F: (value - 32) * Fraction(5, 9),
        Unit.KELVIN: value - ZERO_CELSIUS_K,
    }[unit]
    return {
        Unit.CEL: celsius,
        Unit.DEG_F: celsius * Fraction(9, 5) + 32,
        Unit.KELVIN: celsius + ZERO_CELSIUS_K,
    }[target]


def temperature_c(value: float, unit: Unit) -> float:
    """Return a recorded temperature in Cel for display; never for comparing with a rule."""
    if unit is Unit.CEL:
        return value
    return float(temperature_in(Fraction(value), unit, Unit.CEL))
