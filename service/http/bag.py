"""A bag of readings as JSON: decoded whole when every item is good, item by item when one is not."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Annotated, Any, Final, Literal

import msgspec
import numpy as np
from msgspec import Meta, Struct

from service.domain.authority import Caller
from service.domain.errors import FieldError, Invalid
from service.domain.quantities import QUANTITY_OF_LABEL, UNIT_OF_UCUM
from service.domain.readings import Refusal, refuse, usable
from service.operations.readings import Column, Pack

Serial = Annotated[str, Meta(min_length=1, max_length=100, pattern=r"^[\x21-\x7e]+$")]
Zoned = Annotated[datetime, Meta(tz=True)]
QuantityLabel = Literal[
    "temperature",
    "moisture",
    "oxygen",
    "carbon_dioxide",
    "ambient_temperature",
    "battery",
    "signal",
    "ph",
]
UnitCode = Literal["Cel", "[degF]", "K", "%", "V", "dB[mW]", "[pH]"]


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
_SHOWN: Final = 60
_QUANTITY: Final = {label: int(quantity) for label, quantity in QUANTITY_OF_LABEL.items()}
_UNIT: Final = {code: int(unit) for code, unit in UNIT_OF_UCUM.items()}
"""Plain integers: turning an enum into one costs more than the look-up, a thousand times a bag."""


SMALL: Final = 16
"""Up to this many readings plain lists are quicker than arrays (measured)."""


@dataclass(frozen=True)
class Sorted:
    """The usable items as columns, the rest with reasons; columns as in ``operations.readings.Pack``."""

    serials: Sequence[str]
    quantity: Column
    observed_s: Column
    value: Column
    unit: Column
    places: Sequence[int]
    refused: list[tuple[int, Refusal]]
    received: int
    gateway: str | None
    sent_at: datetime | None


def read_bag(body: bytes, *, now: datetime, most: int) -> Sorted:
    """Read a JSON bag of readings.

    Raises
    ------
    Invalid
        The envelope is not of the form, or holds more than ``most`` readings.
    msgspec.DecodeError
        The body is not JSON.
    """
    try:
        bag = _WHOLE.decode(body)
    except msgspec.ValidationError:
        return _one_by_one(body, now=now, most=most)
    items = bag.readings
    _must_not_exceed(len(items), most)
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


def pack_of(bag: Sorted, caller: Caller, *, now: datetime, before: int = 0) -> Pack:
    """Return a bag as the write path takes it; ``before`` readings of the same sender came in earlier bags."""
    return Pack(
        caller=caller,
        serials=bag.serials,
        quantity=bag.quantity,
        observed_s=bag.observed_s,
        value=bag.value,
        unit=bag.unit,
        places=[place + before for place in bag.places] if before else bag.places,
        received=bag.received,
        received_at=now,
        sent_at=bag.sent_at,
        gateway=bag.gateway,
        refused=[(place + before, refusal) for place, refusal in bag.refused],
    )


def _must_not_exceed(count: int, most: int) -> None:
    if count > most:
        raise Invalid.field("/readings", f"holds {count} readings; send at most {most} in one request")


def _columns(
    items: Sequence[Item], places: Sequence[int], refused: list[tuple[int, Refusal]], bag: Bag | RawBag
) -> Sorted:
    return Sorted(
        [item.probe for item in items],
        [_QUANTITY[item.quantity] for item in items],
        [item.observed_at.timestamp() for item in items],
        [item.value for item in items],
        [_UNIT[item.unit] for item in items],
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
    _must_not_exceed(len(bag.readings), most)
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
            return Refusal(member, "not-a-number", f"{_REMEDIES[member]}; got {_show(values[member])}")
        return Refusal(
            member, f"bad-{member.replace('_', '-')}", f"{_REMEDIES[member]}; got {_show(values[member])}"
        )
    except msgspec.DecodeError as error:
        return Refusal("", "not-a-reading", f"cannot be read: {error}")


def _missing_or_unknown(values: dict[str, Any]) -> Refusal:
    for member, remedy in _REMEDIES.items():
        if member not in values:
            return Refusal(member, f"no-{member.replace('_', '-')}", f"is missing; {remedy}")
    member = next(iter(values.keys() - _REMEDIES.keys()), "")
    return Refusal(member, "unknown-member", f"{_show(member)} is not a known member; leave it out")


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


def _show(value: object) -> str:
    shown = ascii(value)
    return shown if len(shown) <= _SHOWN else shown[:_SHOWN] + "..."
