"""Figures in the words of a verdict: what a crew reads at the pile."""

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from fractions import Fraction
from functools import lru_cache
from typing import Final
from zoneinfo import ZoneInfo

from service.domain.compliance.demands import Hold
from service.domain.compliance.instants import HOUR_US, to_datetime
from service.domain.quantities import Unit, temperature_in

_SYMBOL: Final[Mapping[int, str]] = {Unit.CEL: "°C", Unit.DEG_F: "°F", Unit.KELVIN: "K"}
_MINUTE_US: Final = HOUR_US // 60
_IN_DAYS_FROM_H: Final = 72
"""Three days: beyond it crews think in days."""
_DAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_UNITS_AT_END: Final[Mapping[str, str]] = {
    "_mpn_4g": "MPN/4 g",
    "_mpn_g": "MPN/g",
    "_cfu_g": "CFU/g",
    "_mmol_kg_h": "mmol/kg/h",
    "_mg_kg": "mg/kg",
    "_g_kg": "g/kg",
    "_pct": "%",
    "_days": "days",
    "_m3": "m³",
    "_cm": "cm",
    "_mm": "mm",
    "_m": "m",
    "_c": "°C",
}
"""The longest that fits names the unit of a figure."""
_SPELT: Final[Mapping[str, str]] = {"ph": "pH", "pah16": "PAH16", "salmonella": "Salmonella"}
_IN_WORDS: Final[Mapping[str, str]] = {"<": "below", "<=": "at most", ">": "above", ">=": "at least"}


@lru_cache(maxsize=4096)
def value_in(value: float, unit: int) -> str:
    """Return a reading as it was recorded; a mean, with more digits than any probe writes, to a millionth, downward."""
    told = value if value == round(value, 9) else math.floor(value * 1e6) / 1e6
    return f"{told!r} {_SYMBOL[unit]}".replace(".0 ", " ")


def temperature(limit: Fraction, unit: Unit) -> str:
    """Return a limit in the unit of the text, with Celsius beside it."""
    said = f"{float(limit):g} {_SYMBOL[unit]}"
    if unit is Unit.CEL:
        return said
    return f"{said} ({float(temperature_in(limit, unit, Unit.CEL)):.4g} °C)"


def demanded(hold: Hold) -> str:
    """Return the temperature a hold asks for, to follow a verb: ``keep it at 55 °C or above``, ``above 40 °C``."""
    if hold.upper_limit is not None:
        low, high = (f"{float(one):g}" for one in (hold.threshold, hold.upper_limit))
        if hold.unit is Unit.CEL:
            return f"between {low} and {high} °C"
        low_c, high_c = (
            float(temperature_in(one, hold.unit, Unit.CEL)) for one in (hold.threshold, hold.upper_limit)
        )
        return f"between {low} and {high} {_SYMBOL[hold.unit]} ({low_c:.4g} to {high_c:.4g} °C)"
    limit = temperature(hold.threshold, hold.unit)
    return f"at {limit} or above" if hold.operator == ">=" else f"above {limit}"


def limits(hold: Hold) -> str:
    """Return the temperature a hold asks for, to stand by itself: ``55 °C or above``, ``more than 40 °C``."""
    said = demanded(hold)
    if said.startswith("between "):
        return said.removeprefix("between ").replace(" and ", " to ", 1)
    return said.removeprefix("at ") if hold.operator == ">=" else f"more than {said.removeprefix('above ')}"


def standing_to(operator: str, limit: str) -> str:
    """Return how a figure must stand to a limit: ``below 1,000 MPN/g``."""
    return f"{_IN_WORDS[operator]} {limit}"


def hours(span_us: float) -> str:
    """Return a length of time to the minute: ``40 min``, ``9 h 15 min``, from three days on ``14 days 21 h``."""
    minutes = round(span_us / _MINUTE_US)
    if minutes == 0:
        return "less than a minute" if span_us else "0 h"
    whole_h, left_min = divmod(minutes, 60)
    days, left_h = divmod(whole_h, 24) if whole_h >= _IN_DAYS_FROM_H else (0, whole_h)
    parts = [count(days, "day", "days")] if days else []
    if left_h:
        parts.append(f"{left_h} h")
    if left_min:
        parts.append(f"{left_min} min")
    return " ".join(parts)


def clock(instant_us: int, time_zone: ZoneInfo) -> str:
    """Return an instant as the site's clock shows it: ``Tue 12 May 2026, 08:00 CEST``."""
    return _clock(instant_us // _MINUTE_US, time_zone)


@lru_cache(maxsize=8192)
def _clock(minute: int, time_zone: ZoneInfo) -> str:
    local: datetime = to_datetime(minute * _MINUTE_US).astimezone(time_zone)
    # Not strftime: it speaks the language of the machine.
    day = f"{_DAYS[local.weekday()]} {local.day} {_MONTHS[local.month - 1]} {local.year}"
    return f"{day}, {local.hour:02}:{local.minute:02} {local.tzname()}"


def count(number: int, one: str, many: str) -> str:
    """Return a number with its noun."""
    return f"{number} {one if number == 1 else many}"


def spoken(name: str) -> str:
    """Return the name of a record or a duty as people say it."""
    return " ".join(_SPELT.get(one, one) for one in name.split("_"))


def listed(names: Sequence[str]) -> str:
    """Return names of records or duties, to end a sentence with."""
    return ", ".join(spoken(one) for one in names)


def figure(name: str) -> tuple[str, str]:
    """Return what a figure is called and the unit its name ends in, empty if it has none."""
    for end, unit in _UNITS_AT_END.items():
        if name.endswith(end) and len(name) > len(end):
            return spoken(name[: -len(end)]), unit
    return spoken(name), ""


def amount(value: float | Fraction, unit: str) -> str:
    """Return a figure with its unit."""
    number = float(value)
    said = f"{number:,.0f}" if number.is_integer() else f"{number:,.6g}"
    return f"{said} {unit}".rstrip()
