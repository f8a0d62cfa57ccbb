"""A bag of readings as JSON: decoded whole when every item is good, item by item when one is not."""

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from typing import Annotated, Any, Final

import msgspec
import numpy as np
from msgspec import Meta, Struct

from service.domain.errors import FieldError, Invalid
from service.domain.quantities import QUANTITY_OF_LABEL, UNIT_OF_UCUM
from service.domain.readings import Refusal, refuse, usable
from service.http.formats.read import QUANTITY_CODE, UNIT_CODE, Sorted, Unreadable, must_not_exceed, show
from service.http.values import QuantityLabel, UnitCode

Serial = Annotated[str, Meta(min_length=1, max_length=100, pattern=r"^[\x21-\x7e]+$")]
Zoned = Annotated[datetime, Meta(tz=True)]


class Item(Struct, forbid_unknown_fields=True, gc=False):
    """One reading."""

    probe: Serial
    observed_at: Zoned
    quantity: QuantityLabel
    value: float
    unit: UnitCode


class Bag(Struct, forbid_unknown_fields=True):
    """What a gateway posts."""

    readings: list[Item]
    gateway: Annotated[str, Meta(min_length=1, max_length=200)] | None = None
    sent_at: Zoned | None = None


class RawBag(Struct, forbid_unknown_fields=True):
    """The same, with the items left as they came."""

    readings: list[msgspec.Raw]
    gateway: Annotated[str, Meta(min_length=1, max_length=200, pattern=r"^[^\x00]+$")] | None = None
    sent_at: Zoned | None = None


_WHOLE: Final = msgspec.json.Decoder(Bag)
_ENVELOPE: Final = msgspec.json.Decoder(RawBag)
_ITEM: Final = msgspec.json.Decoder(Item)
_ANYTHING: Final = msgspec.json.Decoder()
_REMEDIES: Final = {
    "probe": "give the probe's serial, 1 to 100 visible ASCII characters",
    "observed_at": "give an RFC 3339 time with an offset, such as 2026-05-04T09:00:00-05:00",
    "quantity": f"use one of {', '.join(QUANTITY_OF_LABEL)}",
    "value": "give a finite JSON number",
    "unit": f"use a UCUM code: {', '.join(UNIT_OF_UCUM)}",
}

SMALL: Final = 16
"""Up to this many readings plain lists are quicker than arrays (measured)."""


def read_bag(body: bytes, *, now: datetime, most: int) -> Sorted:
    """Read a JSON bag of readings.

    Raises
    ------
    Invalid
        The envelope is not of the form, or holds more than ``most`` readings.
    Unreadable
        The body is not JSON, or nested too deeply.
    """
    try:
        return _read(body, now=now, most=most)
    except RecursionError as error:
        raise Unreadable("nested too deeply; send a flat bag") from error


def _read(body: bytes, *, now: datetime, most: int) -> Sorted:
    try:
        bag = _WHOLE.decode(body)
    except msgspec.ValidationError:
        return _one_by_one(body, now=now, most=most)
    except msgspec.DecodeError as error:
        raise Unreadable(f"not JSON: {error}") from error
    items = bag.readings
    must_not_exceed(len(items), most)
    if len(items) <= SMALL:
        if any(_refusal(item, now) is not None for item in items):
            return _one_by_one(body, now=now, most=most)
        return _columns(items, range(len(items)), [], bag)
    columns = _columns(items, range(len(items)), [], bag)
    arrays = replace(
        columns,
        quantity=np.array(columns.quantity, np.int16),
        observed_s=np.array(columns.observed_s, np.float64),
        value=np.array(columns.value, np.float64),
        unit=np.array(columns.unit, np.int16),
    )
    fits = usable(arrays.quantity, arrays.unit, arrays.value, arrays.observed_s, now=now)  # type: ignore[arg-type]
    return arrays if fits.all() else _one_by_one(body, now=now, most=most)


def _columns(
    items: Sequence[Item], places: Sequence[int], refused: list[tuple[int, Refusal]], bag: Bag | RawBag
) -> Sorted:
    return Sorted(
        [item.probe for item in items],
        [QUANTITY_CODE[item.quantity] for item in items],
        [item.observed_at.timestamp() for item in items],
        [item.value for item in items],
        [UNIT_CODE[item.unit] for item in items],
        places,
        refused,
        len(bag.readings),
        bag.gateway,
        bag.sent_at,
    )


def _refusal(item: Item, now: datetime) -> Refusal | None:
    return refuse(
        QUANTITY_OF_LABEL[item.quantity], UNIT_OF_UCUM[item.unit], item.value, item.observed_at, now=now
    )


def _one_by_one(body: bytes, *, now: datetime, most: int) -> Sorted:
    try:
        bag = _ENVELOPE.decode(body)
    except msgspec.ValidationError as error:
        raise Invalid(_envelope_error(error)) from error
    must_not_exceed(len(bag.readings), most)
    good, places = [], []
    refused: list[tuple[int, Refusal]] = []
    for place, raw in enumerate(bag.readings):
        item = _read_item(bytes(raw))
        if isinstance(item, Item):
            refusal = _refusal(item, now)
            if refusal is None:
                good.append(item)
                places.append(place)
                continue
        else:
            refusal = item
        refused.append((place, refusal))
    return _columns(good, places, refused, bag)


def _read_item(raw: bytes) -> Item | Refusal:
    try:
        return _ITEM.decode(raw)
    except msgspec.ValidationError as error:
        member = _member_of(error)
        values = _ANYTHING.decode(raw)
        if not isinstance(values, dict):
            return Refusal(
                "",
                "not-a-reading",
                "each reading is an object with probe, observed_at, quantity, value, unit",
            )
        if not member:
            return _missing_or_unknown(values)
        if (
            member == "value"
            and isinstance(values["value"], float | int)
            and not math.isfinite(values["value"])
        ):
            return Refusal(member, "not-a-number", f"{_REMEDIES[member]}; got {show(values[member])}")
        return Refusal(
            member, f"bad-{member.replace('_', '-')}", f"{_REMEDIES[member]}; got {show(values[member])}"
        )
    except msgspec.DecodeError as error:
        return Refusal("", "not-a-reading", f"cannot be read: {error}")


def _missing_or_unknown(values: dict[str, Any]) -> Refusal:
    for member, remedy in _REMEDIES.items():
        if member not in values:
            return Refusal(member, f"no-{member.replace('_', '-')}", f"is missing; {remedy}")
    member = next(iter(values.keys() - _REMEDIES.keys()), "")
    return Refusal(member, "unknown-member", f"{show(member)} is not a known member; leave it out")


def _member_of(error: Exception) -> str:
    """Return the member a msgspec message points at: ``… - at `$.value```."""
    _, found, path = str(error).rpartition("`$.")
    return path.rstrip("`").split(".")[0].split("[")[0] if found else ""


def _envelope_error(error: Exception) -> FieldError:
    member = _member_of(error)
    text = str(error).partition(" - at ")[0]
    if member == "sent_at":
        return FieldError("/sent_at", _REMEDIES["observed_at"])
    return FieldError(f"/{member}" if member else "", f'{text}; send {{"readings": [...]}}')
