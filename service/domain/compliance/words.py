"""Figures in the words of a verdict."""

from collections.abc import Mapping
from datetime import datetime
from fractions import Fraction
from typing import Final
from zoneinfo import ZoneInfo

from service.domain.compliance.demands import Hold
from service.domain.compliance.instants import HOUR_US, to_datetime
from service.domain.quantities import Unit, temperature_in

_SYMBOL: Final[Mapping[int, str]] = {Unit.CEL: "°C", Unit.DEG_F: "°F", Unit.KELVIN: "K"}


def value_in(value: float, unit: int) -> str:
    """Return a reading as it was recorded, unrounded."""
    return f"{value!r} {_SYMBOL[unit]}".replace(".0 ", " ")


def temperature(limit: Fraction, unit: Unit) -> str:
    """Return a limit in the unit of the text, with Celsius beside it."""
    said = f"{float(limit):g} {_SYMBOL[unit]}"
    if unit is Unit.CEL:
        return said
    return f"{said} ({float(temperature_in(limit, unit, Unit.CEL)):.4g} °C)"


def demanded(hold: Hold) -> str:
    """Return the temperature a hold asks for, in words."""
    limit = temperature(hold.threshold, hold.unit)
    low = f"{limit} or above" if hold.operator == ">=" else f"above {limit}"
    if hold.upper_limit is None:
        return low
    return f"{low} and not above {temperature(hold.upper_limit, hold.unit)}"


def hours(span_us: float) -> str:
    """Return a length of time in hours, or days once it is long."""
    length_h = span_us / HOUR_US
    if length_h >= 72:  # noqa: PLR2004 - three days: beyond it crews think in days
        return f"{length_h:.4g} h ({length_h / 24:.1f} days)"
    return f"{length_h:.4g} h"


def clock(instant_us: int, time_zone: ZoneInfo) -> str:
    """Return an instant as the site's clock shows it."""
    local: datetime = to_datetime(instant_us).astimezone(time_zone)
    return local.strftime("%a %d %b %Y %H:%M %Z")


def count(number: int, one: str, many: str) -> str:
    """Return a number with its noun."""
    return f"{number} {one if number == 1 else many}"
