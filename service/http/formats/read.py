"""What every format is read into: the usable readings as columns, the others with reasons."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from service.domain.authority import Caller
from service.domain.errors import Invalid, TooLarge
from service.domain.quantities import QUANTITY_OF_LABEL, UNIT_OF_UCUM, Quantity, Unit
from service.domain.readings import Refusal, refuse
from service.operations.packs import Column, Pack

QUANTITY_CODE: Final = {label: int(quantity) for label, quantity in QUANTITY_OF_LABEL.items()}
UNIT_CODE: Final = {code: int(unit) for code, unit in UNIT_OF_UCUM.items()}
"""Plain integers: turning an enum into one costs more than the look-up, a thousand times a bag."""

SHOWN: Final = 60


class Unreadable(Exception):
    """The body is not of its media type at all; the text says where it breaks."""


@dataclass(frozen=True)
class Sorted:
    """The usable items as columns, the rest with reasons; columns as in ``operations.packs.Pack``."""

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
    promised_silence_s: float | None = None
    lines: Sequence[int] = ()
    """Of bodies made of lines: where each usable reading began."""


def pack_of(bag: Sorted, caller: Caller, *, now: datetime, before: int = 0) -> Pack:
    """Return a bag as the write path takes it; ``before`` readings of the same sender came in earlier bags.

    Raises
    ------
    Invalid
        The bag names another gateway than the one its key belongs to.
    """
    speaker = caller.gateway
    if speaker is not None and bag.gateway not in {None, speaker.name}:
        raise Invalid.field(
            "/gateway", f"this key belongs to gateway {show(speaker.name)}; leave 'gateway' out or name that"
        )
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
        gateway=bag.gateway if speaker is None else speaker.name,
        promised_silence_s=bag.promised_silence_s,
        refused=[(place + before, refusal) for place, refusal in bag.refused],
        lines=bag.lines,
    )


def must_not_exceed(count: int, most: int) -> None:
    """Refuse a request that holds more readings than one may."""
    if count > most:
        raise TooLarge(f"one request takes at most {most} readings; halve it and send both halves")


class Sorting:
    """Sorts readings into the usable and the refused, one by one, for formats that have no quicker way.

    Parameters
    ----------
    now
        Aware; readings more than ten minutes ahead of it are refused.
    most
        Most readings in one request.
    """

    def __init__(self, *, now: datetime, most: int) -> None:
        self._now = now
        self._most = most
        self._serials: list[str] = []
        self._quantity: list[int] = []
        self._observed_s: list[float] = []
        self._value: list[float] = []
        self._unit: list[int] = []
        self._places: list[int] = []
        self._lines: list[int] = []
        self._refused: list[tuple[int, Refusal]] = []
        self.received = 0

    def add(
        self,
        serial: str,
        quantity: Quantity,
        observed_at: datetime,
        value: float,
        unit: Unit,
        *,
        line: int | None = None,
    ) -> None:
        """Take the next reading, unless it is unusable; then refuse it."""
        refusal = refuse(quantity, unit, value, observed_at, now=self._now)
        if refusal is not None:
            self.refuse(replace(refusal, line=line))
            return
        self._places.append(self._next())
        if line is not None:
            self._lines.append(line)
        self._serials.append(serial)
        self._quantity.append(int(quantity))
        self._observed_s.append(observed_at.timestamp())
        self._value.append(value)
        self._unit.append(int(unit))

    def refuse(self, refusal: Refusal) -> None:
        """Refuse the next reading."""
        self._refused.append((self._next(), refusal))

    def _next(self) -> int:
        place = self.received
        self.received += 1
        must_not_exceed(self.received, self._most)
        return place

    def done(
        self,
        *,
        gateway: str | None = None,
        sent_at: datetime | None = None,
        promised_silence_s: float | None = None,
    ) -> Sorted:
        """Return what was sorted."""
        return Sorted(
            self._serials,
            self._quantity,
            self._observed_s,
            self._value,
            self._unit,
            self._places,
            self._refused,
            self.received,
            gateway,
            sent_at,
            promised_silence_s,
            self._lines,
        )


SERIAL: Final = re.compile(r"[\x21-\x7e]{1,100}")
"""A probe's serial: visible ASCII."""


def show(value: object) -> str:
    """Return a value as a refusal may quote it: ASCII, and cut where it is long."""
    shown = ascii(value)
    return shown if len(shown) <= SHOWN else shown[:SHOWN] + "..."
