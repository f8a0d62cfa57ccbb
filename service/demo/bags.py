"""How readings reach the service: bags a gateway sends every few hours, late ones after an outage, some sent twice."""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from service.demo.instruments import Spoken
from service.demo.places import Gateway

DISPUTED: Final = 4
"""Readings of the bag sent twice whose value differs the second time."""
_SENT_AGAIN_AFTER: Final = dt.timedelta(minutes=7)
_DIFFERS_BY: Final = 3.4
_EPOCH: Final = dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
_US: Final = dt.timedelta(microseconds=1)


@dataclass(frozen=True, eq=False)
class Bag:
    """What one request brings.

    Attributes
    ----------
    gateway, received_at
        Who sent it, and when it came.
    serials
        One for each reading.
    quantity, observed_us, value, unit
        Columns of the same length: codes, microseconds since 1970-01-01T00:00Z, as recorded.
    """

    gateway: str
    received_at: dt.datetime
    serials: Sequence[str]
    quantity: NDArray[np.int16]
    observed_us: NDArray[np.int64]
    value: NDArray[np.float64]
    unit: NDArray[np.int16]

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.serials)


@dataclass(frozen=True)
class Silence:
    """When a gateway had no line, and whether what it heard then came ``late`` or is ``lost``."""

    since: dt.datetime
    until: dt.datetime
    readings: Literal["late", "lost"]


def bags_of(
    gateway: Gateway, spoken: Sequence[Spoken], silences: Sequence[Silence], *, now: dt.datetime
) -> tuple[Bag, ...]:
    """Pack what a gateway's probes said into the bags it sent, in order of arrival.

    Readings of a silence that lost them are left out; those of one that kept them come together at its end.
    """
    whole = _joined(gateway.name, spoken, now)
    kept = np.ones(len(whole), np.bool_)
    arrival = _next_sending(whole.observed_us, gateway, now)
    for silence in silences:
        since, until = _us_of(silence.since), _us_of(silence.until)
        if silence.readings == "lost":
            kept &= (whole.observed_us < since) | (whole.observed_us >= until)
        else:
            arrival[(arrival >= since) & (arrival < until)] = until
    order = np.flatnonzero(kept)[np.lexsort((whole.observed_us[kept], arrival[kept]))]
    starts = np.flatnonzero(np.diff(arrival[order], prepend=-1))
    parts = np.split(order, starts[1:]) if len(order) else []
    return tuple(_taken(whole, part, _EPOCH + int(arrival[part[0]]) * _US) for part in parts)


def sent_twice(bag: Bag) -> Bag:
    """Return a bag as its gateway sends it again: the same readings, a few of them with another value."""
    value = bag.value.copy()
    value[:DISPUTED] += _DIFFERS_BY
    return replace(bag, value=value, received_at=bag.received_at + _SENT_AGAIN_AFTER)


def _joined(gateway: str, spoken: Sequence[Spoken], now: dt.datetime) -> Bag:
    return Bag(
        gateway,
        now,
        [serial for one in spoken for serial in [one.probe.serial] * len(one.value)],
        np.concatenate([np.full(len(one.value), one.quantity, np.int16) for one in spoken]),
        np.concatenate([one.observed_us for one in spoken]),
        np.concatenate([one.value for one in spoken]),
        np.concatenate([np.full(len(one.value), one.probe.unit, np.int16) for one in spoken]),
    )


def _next_sending(observed_us: NDArray[np.int64], gateway: Gateway, now: dt.datetime) -> NDArray[np.int64]:
    """Return when each reading would be sent: at the gateway's next hour, the last ones now."""
    every = gateway.sends_every // _US
    late = (120 + len(gateway.name)) * 1_000_000
    sending: NDArray[np.int64] = (observed_us // every + 1) * every + late
    sending[sending > _us_of(now)] = _us_of(now)
    return sending


def _us_of(moment: dt.datetime) -> int:
    return (moment - _EPOCH) // _US


def _taken(whole: Bag, rows: NDArray[np.int64], received_at: dt.datetime) -> Bag:
    return Bag(
        whole.gateway,
        received_at,
        [whole.serials[row] for row in rows.tolist()],
        whole.quantity[rows],
        whole.observed_us[rows],
        whole.value[rows],
        whole.unit[rows],
    )


def in_chunks(bags: Sequence[Bag], most_readings: int) -> Iterator[list[Bag]]:
    """Yield bags together while they hold no more than so many readings, one bag at least."""
    chunk: list[Bag] = []
    size = 0
    for bag in bags:
        if chunk and size + len(bag) > most_readings:
            yield chunk
            chunk, size = [], 0
        chunk.append(bag)
        size += len(bag)
    if chunk:
        yield chunk
