"""One reading as JSON: in a bag, or alone on its line; decoded whole when all are good, one by one when one is not."""

import math
from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Annotated, Any, Final

import msgspec
import numpy as np
from msgspec import Meta, Struct

from service.domain.quantities import QUANTITY_OF_LABEL, UNIT_OF_UCUM
from service.domain.readings import Refusal, refuse, usable
from service.http.formats.read import QUANTITY_CODE, SERIAL, UNIT_CODE, Sorted, Sorting, show
from service.http.values import QuantityLabel, UnitCode

Serial = Annotated[str, Meta(min_length=1, max_length=100, pattern=r"^[\x21-\x7e]+$")]
Zoned = Annotated[datetime, Meta(tz=True)]


class QuickItem(Struct, forbid_unknown_fields=True, gc=False):
    """One reading; its serial is looked at once for all readings that carry it (a third of the decoding saved)."""

    probe: str
    observed_at: Zoned
    quantity: QuantityLabel
    value: float
    unit: UnitCode


class Item(Struct, forbid_unknown_fields=True, gc=False):
    """One reading, looked at alone."""

    probe: Serial
    observed_at: Zoned
    quantity: QuantityLabel
    value: float
    unit: UnitCode


ITEM: Final = msgspec.json.Decoder(Item)
QUICK_ITEM: Final = msgspec.json.Decoder(QuickItem)
_ANYTHING: Final = msgspec.json.Decoder()
REMEDIES: Final = {
    "probe": "give the probe's serial, 1 to 100 visible ASCII characters",
    "observed_at": "give an RFC 3339 time with an offset, such as 2026-05-04T09:00:00-05:00",
    "quantity": f"use one of {', '.join(QUANTITY_OF_LABEL)}",
    "value": "give a finite JSON number",
    "unit": f"use a UCUM code: {', '.join(UNIT_OF_UCUM)}",
}

SMALL: Final = 16
"""Up to this many readings plain lists are quicker than arrays (measured)."""


def sort_good(
    items: Sequence[QuickItem],
    *,
    now: datetime,
    gateway: str | None = None,
    sent_at: datetime | None = None,
) -> Sorted | None:
    """Return items as columns if every one is usable; None when they must be looked at one by one."""
    serials = [item.probe for item in items]
    if not all(map(SERIAL.fullmatch, set(serials))):
        return None
    if len(items) <= SMALL and any(_is_unusable(item, now) for item in items):
        return None
    quantity = [QUANTITY_CODE[item.quantity] for item in items]
    observed_s = [item.observed_at.timestamp() for item in items]
    value = [item.value for item in items]
    unit = [UNIT_CODE[item.unit] for item in items]
    count = len(items)
    if count <= SMALL:
        return Sorted(serials, quantity, observed_s, value, unit, range(count), [], count, gateway, sent_at)
    columns = (
        np.array(quantity, np.int16),
        np.array(unit, np.int16),
        np.array(value, np.float64),
        np.array(observed_s, np.float64),
    )
    if not usable(*columns, now=now).all():
        return None
    quantities, units, values, instants = columns
    return Sorted(serials, quantities, instants, values, units, range(count), [], count, gateway, sent_at)


def _is_unusable(item: QuickItem, now: datetime) -> bool:
    quantity, unit = QUANTITY_OF_LABEL[item.quantity], UNIT_OF_UCUM[item.unit]
    return refuse(quantity, unit, item.value, item.observed_at, now=now) is not None


def sort_one_by_one(
    raws: Iterable[bytes], *, now: datetime, most: int, lines: Sequence[int] | None = None
) -> Sorted:
    """Return items as columns, those that are unusable with their reason, and their line if there are lines."""
    sorting = Sorting(now=now, most=most)
    for place, raw in enumerate(raws):
        line = None if lines is None else lines[place]
        item = read_item(raw, line)
        if isinstance(item, Refusal):
            sorting.refuse(item)
        else:
            sorting.add(
                item.probe,
                QUANTITY_OF_LABEL[item.quantity],
                item.observed_at,
                item.value,
                UNIT_OF_UCUM[item.unit],
                line=line,
            )
    return sorting.done()


def read_item(raw: bytes, line: int | None = None) -> Item | Refusal:
    """Return one item, or why it is none."""
    try:
        try:
            return ITEM.decode(raw)
        except msgspec.ValidationError as error:
            # What fits ill so far may yet turn out to be no JSON further on.
            return _misfit(_ANYTHING.decode(raw), member_of(error), line)
    except RecursionError:
        return Refusal("", "not-a-reading", "nested too deeply; send a flat object", line)
    except msgspec.DecodeError as error:
        return Refusal("", "not-a-reading", f"cannot be read: {error}", line)


def _misfit(values: object, member: str, line: int | None) -> Refusal:
    """Say what is wrong with an item that is JSON but no reading."""
    if not isinstance(values, dict):
        remedy = "each reading is an object with probe, observed_at, quantity, value, unit"
        return Refusal("", "not-a-reading", remedy, line)
    if not member:
        return _missing_or_unknown(values, line)
    value = values[member]
    code = f"bad-{member.replace('_', '-')}"
    if member == "value" and isinstance(value, float | int) and not math.isfinite(value):
        code = "not-a-number"
    return Refusal(member, code, f"{REMEDIES[member]}; got {show(value)}", line)


def _missing_or_unknown(values: dict[str, Any], line: int | None) -> Refusal:
    for member, remedy in REMEDIES.items():
        if member not in values:
            return Refusal(member, f"no-{member.replace('_', '-')}", f"is missing; {remedy}", line)
    member = next(iter(values.keys() - REMEDIES.keys()), "")
    return Refusal(member, "unknown-member", f"{show(member)} is not a known member; leave it out", line)


def member_of(error: Exception) -> str:
    """Return the member a msgspec message points at: ``… - at `$.value```."""
    _, found, path = str(error).rpartition("`$.")
    return path.rstrip("`").split(".")[0].split("[")[0] if found else ""
