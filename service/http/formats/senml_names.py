"""What a SenML name and unit stand for here: a probe's serial, a quantity, and one of our units.

A name is, in this order: an alias of the gateway; ``{probe}/{quantity}``; a probe alone, whose quantity its unit
implies. The names of RFC 8428's own examples that join the part to the device with ``:`` or ``_`` (RFC 9039) are
taken through aliases only: nothing tells where the device ends, and a guess would make two probes of one.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Final

from service.domain.quantities import QUANTITY_OF_LABEL, UNITS_OF, Quantity, Unit
from service.domain.readings import Refusal
from service.domain.units import UNIT_OF_SENML, convert
from service.http.formats.read import SERIAL, show
from service.http.formats.senml_resolve import EXACT, Resolved


@dataclass(frozen=True)
class Meaning:
    """What a name and a unit stand for; a value v is ``factor * v + offset`` in ``unit``, exactly."""

    serial: str
    quantity: Quantity
    unit: Unit
    factor: Decimal
    offset: Decimal

    def value(self, given: Decimal) -> float:
        """Return a value in ``unit``, rounded once."""
        return float(EXACT.fma(given, self.factor, self.offset))


_NAME: Final = re.compile(r"[A-Za-z0-9][-A-Za-z0-9:./_]*")
"""RFC 8428 section 4.5.1."""
_PART: Final = re.compile(
    rf"urn:dev:(?:mac|ow):[0-9a-fA-F]*[^0-9a-fA-F].*|.*[:_.](?:{'|'.join(QUANTITY_OF_LABEL)})"
)
"""A device and a part of it in one: after the hexadecimal of RFC 9039, or with a quantity at its end."""

_UCUM_OF: Final = {symbol: row.ucum for symbol, row in UNIT_OF_SENML.items()} | {"%EL": "%"}
_SPOKEN: Final = {
    "Cel": Unit.CEL,
    "K": Unit.KELVIN,
    "/": Unit.PCT,
    "/100": Unit.PCT,
    "ppm": Unit.PCT,
    "%EL": Unit.PCT,
    "V": Unit.VOLT,
    "mV": Unit.VOLT,
    "dBm": Unit.DBM,
    "dBW": Unit.DBM,
    "pH": Unit.PH,
}
"""SenML symbols and the unit their values are kept in."""

_IMPLIED: Final = {
    "Cel": Quantity.TEMPERATURE,
    "K": Quantity.TEMPERATURE,
    "%EL": Quantity.BATTERY,
    "dBm": Quantity.SIGNAL,
    "dBW": Quantity.SIGNAL,
    "pH": Quantity.PH,
}
"""Quantities a unit names by itself."""

_NAMING: Final = (
    f"name it probe/quantity with one of {', '.join(QUANTITY_OF_LABEL)}, or give the gateway an alias for it"
)
_FAHRENHEIT: Final = frozenset({"F", "degF", "[degF]", "\u00b0F", "\u2109", "Fahrenheit"})
_CELSIUS: Final = frozenset({"C", "degC", "\u00b0C", "\u2103", "Celsius", "cel", "CEL"})
_RATIO: Final = (
    "in SenML % is a ratio from 0 to 1 though it looks like a percentage (RFC 8428 section 12.1, note 2); "
    "send / for a ratio or /100 for a percentage"
)
_HUMIDITY: Final = "%RH is the relative humidity of air, which is no moisture; send moisture in / or /100"


def meaning_of(resolved: Resolved, aliases: Mapping[str, str]) -> Meaning | Refusal:
    """Return what a measurement's name and unit stand for, or why it cannot be told."""
    found = _named(resolved.name, resolved.unit, aliases)
    if isinstance(found, Refusal):
        return found
    serial, quantity = found
    symbol = resolved.unit or ("pH" if quantity is Quantity.PH else "")
    unit = _SPOKEN.get(symbol)
    if unit is None:
        return _unspoken(symbol, quantity)
    if symbol not in _symbols_of(quantity):
        detail = f"{quantity.label} is not told in {symbol}; use {', '.join(_symbols_of(quantity))}"
        return Refusal("u", "unit-does-not-fit", detail)
    return Meaning(serial, quantity, unit, *_LINE[symbol])


def _named(name: str, unit: str | None, aliases: Mapping[str, str]) -> tuple[str, Quantity] | Refusal:
    if not name:
        return Refusal("n", "no-name", f"is missing, and so is bn; {_NAMING}")
    if not _NAME.fullmatch(name):
        allowed = "letters, digits and -:./_ after a letter or digit (RFC 8428 section 4.5.1)"
        return Refusal("n", "bad-name", f"a name is made of {allowed}; got {show(name)}")
    alias = aliases.get(name)
    serial, _, label = (name if alias is None else alias).rpartition("/")
    quantity = QUANTITY_OF_LABEL.get(label)
    if quantity is not None and serial:
        found = serial, quantity
    elif alias is not None:
        detail = f"its alias is {show(alias)}, which is no probe/quantity; correct the gateway's aliases"
        return Refusal("n", "bad-alias", detail)
    elif serial or _PART.fullmatch(name) or unit not in _IMPLIED:
        return Refusal("n", "unknown-quantity", f"{show(name)} names no known quantity; {_NAMING}")
    else:
        found = name, _IMPLIED[unit]
    if not SERIAL.fullmatch(found[0]):
        return Refusal(
            "n", "bad-name", f"a serial has 1 to 100 visible ASCII characters; got {show(found[0])}"
        )
    return found


def _unspoken(symbol: str, quantity: Quantity) -> Refusal:
    use = f"use {', '.join(_symbols_of(quantity))}"
    if not symbol:
        return Refusal("u", "no-unit", f"is missing, and so is bu; {use}")
    if symbol == "%":
        return Refusal("u", "ambiguous-unit", _RATIO)
    if symbol == "%RH":
        return Refusal("u", "unit-does-not-fit", _HUMIDITY)
    if symbol in _FAHRENHEIT:
        detail = (
            "SenML has no degree Fahrenheit; convert to Cel, or send application/json or text/csv with [degF]"
        )
        return Refusal("u", "unknown-unit", detail)
    if symbol in _CELSIUS:
        return Refusal("u", "unknown-unit", f"{show(symbol)} is no SenML unit; write Cel")
    return Refusal("u", "unknown-unit", f"{show(symbol)} is not taken for {quantity.label}; {use}")


def _symbols_of(quantity: Quantity) -> list[str]:
    return [
        symbol
        for symbol, unit in _SPOKEN.items()
        if unit in UNITS_OF[quantity] and (symbol != "%EL" or quantity is Quantity.BATTERY)
    ]


def _line(symbol: str) -> tuple[Decimal, Decimal]:
    """Return factor and offset from a symbol to its kept unit, as the unit table has them."""
    zero, one = (convert(Fraction(n), _UCUM_OF[symbol], _SPOKEN[symbol].ucum) for n in (0, 1))
    return _decimal(one - zero), _decimal(zero)


def _decimal(value: Fraction) -> Decimal:
    found = EXACT.divide(Decimal(value.numerator), Decimal(value.denominator))
    if Fraction(found) != value:
        raise ValueError(value)
    return found


_LINE: Final = {symbol: _line(symbol) for symbol in _SPOKEN}
