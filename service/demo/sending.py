"""Sends the scenario's readings through the service's one write path."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from service.demo.bags import Bag, in_chunks
from service.domain.authority import Caller
from service.operations.packs import Pack
from service.operations.readings import BatchNumbers, ingest
from service.storage import readings as stored
from service.storage.readings import Plain

READINGS_TOGETHER: Final = 5_000


@dataclass
class Sent:
    """What became of the readings sent."""

    received: int = 0
    stored: int = 0
    duplicate: int = 0
    disputed: int = 0
    held: int = 0
    refused: int = 0


def send(connection: Plain, caller: Caller, bags: Sequence[Bag], *, advance: Callable[[int], None]) -> Sent:
    """Keep bags in the open transaction, in order of arrival; ``advance`` is told how many readings are done."""
    total = Sent()
    numbers = BatchNumbers()
    serials = sorted({serial for bag in bags for serial in bag.serials})
    probes = stored.instruments(connection, caller.organisation_id, serials)
    for chunk in in_chunks(bags, READINGS_TOGETHER):
        packs = [_pack(caller, bag) for bag in chunk]
        for receipt in ingest(connection, caller.organisation_id, packs, probes, numbers):
            total.received += receipt.received
            total.stored += receipt.stored
            total.duplicate += receipt.duplicate
            total.disputed += len(receipt.disputes)
            total.held += receipt.held
            total.refused += len(receipt.refused)
        advance(sum(len(bag) for bag in chunk))
    return total


def _pack(caller: Caller, bag: Bag) -> Pack:
    return Pack(
        caller=caller,
        serials=bag.serials,
        quantity=bag.quantity,
        observed_s=bag.observed_us / 1_000_000,
        value=bag.value,
        unit=bag.unit,
        places=range(len(bag)),
        received=len(bag),
        received_at=bag.received_at,
        sent_at=bag.received_at,
        gateway=bag.gateway,
    )
