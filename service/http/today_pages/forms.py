"""What a crew typed into the form of an item, read with the patience a wet glove needs."""

import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any, Final
from urllib.parse import parse_qsl
from zoneinfo import ZoneInfo

from fastapi import Request
from pydantic import ValidationError

from service.domain.errors import Invalid
from service.http.today_models import DoneIn

_MOST_FIELDS: Final = 40
_NUMBER: Final = re.compile(r"-?(\d{1,9})([.,]\d{1,6})?|-?[.,]\d{1,6}")
_TIME: Final = re.compile(r"(\d{1,2})[:.](\d\d)(?::\d\d)?", re.ASCII)
_NUMBERS: Final = ("height_m", "temperature", "water_l", "mesh_mm", "fines_m3", "overs_m3")
_WORDS: Final = ("moisture_feel", "smell", "position", "note")
_TICKS: Final = ("turned", "watered")
_RANGE: Final = {
    "height_m": "give the height in metres, more than 0 and at most 20.",
    "temperature": "give what the thermometer shows, from -40 to 400 °C.",
    "water_l": "give litres, more than 0.",
    "mesh_mm": "give millimetres, more than 0.",
    "fines_m3": "give cubic metres, 0 or more.",
    "overs_m3": "give cubic metres, 0 or more.",
    "note": "write at most 4000 letters.",
    "done_at": "that time has not come yet. Leave it empty for now.",
}
LABELS: Final = {
    "done_at": "Time",
    "height_m": "Height",
    "temperature": "Temperature",
    "temperature_f": "Temperature",
    "unit": "Thermometer",
    "position": "Where you read it",
    "moisture_feel": "Handful",
    "smell": "Smell",
    "water_l": "Water",
    "watered": "Water",
    "mesh_mm": "Mesh",
    "fines_m3": "What fell through",
    "overs_m3": "What stayed on the sieve",
    "note": "Anything else",
}
_ONE_OF: Final = {"moisture_feel", "smell", "unit"}
_FIELD: Final = {"temperature_c": "temperature", "temperature_f": "temperature", "at": "done_at"}
ONCE: Final = re.compile(r"[A-Za-z0-9_-]{20,60}", re.ASCII)


@dataclass
class Typed:
    """What came in, field by field, what it means, and what is wrong with it."""

    fields: Mapping[str, str]
    body: DoneIn | None = None
    errors: dict[str, str] = field(default_factory=dict)

    @property
    def once(self) -> str | None:
        """What makes this sending known again, None when it is not one of ours."""
        once = self.fields.get("once", "")
        return once if ONCE.fullmatch(once) else None


async def fields_of(request: Request) -> dict[str, str]:
    """Return the fields of a browser's form, no more than any of ours has; of one sent twice the last."""
    body = (await request.body()).decode("utf-8", "replace")
    pairs = parse_qsl("&".join(body.split("&")[:_MOST_FIELDS]), keep_blank_values=True)
    # The record takes no nulls.
    return {name: value.replace("\x00", "").replace("\r\n", "\n") for name, value in pairs}


def read(fields: Mapping[str, str], *, crew: str | None, on: date, now: datetime, zone: ZoneInfo) -> Typed:
    """Read a form; what cannot be read is said field by field, and nothing typed is lost."""
    typed = Typed(fields)
    told: dict[str, Any] = {"crew": crew, "at": _at(fields.get("done_at", "").strip(), typed, on, now, zone)}
    for name in _NUMBERS:
        text = fields.get(name, "").strip()
        if text:
            told[_temperature_in(fields) if name == "temperature" else name] = _number(name, text, typed)
    for name in _WORDS:
        if fields.get(name, "").strip():
            told[name] = fields[name].strip()
    for name in _TICKS:
        if fields.get(name) == "yes":
            told[name] = True
    if fields.get("unit", "c") not in {"c", "f"}:
        typed.errors["unit"] = "choose °C or °F."
    unread = {_temperature_in(fields) if name == "temperature" else name for name in typed.errors}
    try:
        body = DoneIn.model_validate({name: value for name, value in told.items() if name not in unread})
        typed.body = None if typed.errors else body
    except ValidationError as error:
        names = [_name(one["loc"]) for one in error.errors()]
        typed.errors |= {name: _wrong(name, fields.get(name, "")) for name in names}
    return typed


def of_refusal(error: Invalid, fields: Mapping[str, str]) -> dict[str, str]:
    """Return a refusal of the record field by field, in the form's own words where it has them."""
    found: dict[str, str] = {}
    for one in error.errors:
        pointer = one.pointer.removeprefix("/").partition("/")[0]
        name = _FIELD.get(pointer, pointer)
        in_range = name == "done_at" or (name in _RANGE and fields.get(name, "").strip())
        found[name] = _wrong(name, fields.get(name, "")) if in_range else f"{one.detail}."
    return found


def blank(values: Mapping[str, str]) -> defaultdict[str, str]:
    """Return typed fields of which those not typed are empty."""
    return defaultdict(str, values)


def _name(loc: tuple[int | str, ...]) -> str:
    return _FIELD.get(str(loc[0]), str(loc[0])) if loc else "note"


def _wrong(name: str, text: str) -> str:
    if name in _ONE_OF:
        return "choose one of those shown."
    shown = text.strip()[:30]
    return (
        f"“{shown}”: {_RANGE.get(name, 'cannot be read.')}" if shown else _RANGE.get(name, "cannot be read.")
    )


def _number(name: str, text: str, typed: Typed) -> float | None:
    if _NUMBER.fullmatch(text) is None:
        typed.errors[name] = f"“{text[:30]}” is not a number. Write it with digits, like 1.10."
        return None
    return float(text.replace(",", "."))


def _temperature_in(fields: Mapping[str, str]) -> str:
    return "temperature_f" if fields.get("unit") == "f" else "temperature_c"


def _at(text: str, typed: Typed, on: date, now: datetime, zone: ZoneInfo) -> datetime:
    """Return when it was done; on the night the clocks go back the first of two like times is meant."""
    if not text:
        return now
    match = _TIME.fullmatch(text)
    try:
        clock = time(int(match[1]), int(match[2])) if match else None
    except ValueError:
        clock = None
    if clock is None:
        typed.errors["done_at"] = f"“{text[:30]}” is not a time. Write it like 09:40."
        return now
    local = datetime.combine(on, clock, zone)
    if local.astimezone(now.tzinfo).astimezone(zone).time() != clock:
        typed.errors["done_at"] = f"{text} did not come that day: the clocks went forward."
    return local.astimezone(now.tzinfo)
