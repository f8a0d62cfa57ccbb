"""Keeping readings: what the answer calls stored is on disk, and sending it again is harmless.

The one write path of the service: HTTP, file imports and the demo all come through :func:`ingest`.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.readings import Refusal, flag_by_range
from service.storage import readings as stored
from service.storage.readings import BatchHead, Columns, Instrument, Plain
from service.storage.tables import ProbeRow

MOST_LISTED: Final = 100


@dataclass(frozen=True)
class Pack:
    """The usable readings of one request, and what was refused of it.

    Attributes
    ----------
    serials
        Probe serials, one for each reading.
    quantity, observed_us, value, unit
        Columns of the same length: codes, microseconds since 1970, values as recorded.
    places
        Where each reading stood in the request, int64.
    refused
        Place and reason of each reading that is not among the columns.
    received
        How many readings the request held.
    """

    caller: Caller
    serials: Sequence[str]
    quantity: NDArray[np.int16]
    observed_us: NDArray[np.int64]
    value: NDArray[np.float64]
    unit: NDArray[np.int16]
    places: NDArray[np.int64]
    received: int
    received_at: datetime
    sent_at: datetime | None = None
    gateway: str | None = None
    refused: Sequence[tuple[int, Refusal]] = ()


@dataclass(frozen=True)
class Dispute:
    """A reading that contradicts the one in force."""

    place: int
    value_in_force: float
    unit_in_force: int


@dataclass
class Receipt:
    """What became of a request, reading by reading."""

    received: int
    stored: int = 0
    duplicate: int = 0
    held: int = 0
    disputes: list[Dispute] = field(default_factory=list)
    refused: list[tuple[int, Refusal]] = field(default_factory=list)


@dataclass(frozen=True)
class Adopted:
    """What became of readings that were held for a probe."""

    stored: int
    disputed: int


class BatchNumbers:
    """Hands out batch numbers from a block, so that a batch knows its number without a round trip."""

    def __init__(self) -> None:
        self._free: Iterator[int] = iter(())

    def take(self, connection: Plain) -> int:
        """Return a number no other batch has."""
        number = next(self._free, None)
        if number is None:
            first = stored.next_block(connection)
            self._free = iter(range(first, first + stored.BLOCK))
            number = next(self._free)
        return number


def ingest(
    connection: Plain,
    organisation_id: int,
    packs: Sequence[Pack],
    instruments: Mapping[str, Instrument],
    numbers: BatchNumbers,
) -> list[Receipt]:
    """Keep the readings of one or more requests of one organisation in the open transaction.

    Parameters
    ----------
    instruments
        The known probes among the serials; the others' readings are held.

    Returns
    -------
    list[Receipt]
        One for each pack, true once the transaction has committed.
    """
    receipts = [Receipt(pack.received, refused=list(pack.refused)) for pack in packs]
    heads = [
        BatchHead(
            numbers.take(connection), pack.received_at, pack.sent_at, pack.caller.credential_id, pack.gateway
        )
        for pack in packs
    ]
    stored.add_batches(connection, organisation_id, heads)
    parts = [
        _sort_out(pack, head, instruments, receipt)
        for pack, head, receipt in zip(packs, heads, receipts, strict=True)
    ]
    _keep(connection, organisation_id, parts, receipts)
    for pack, head, receipt, part in zip(packs, heads, receipts, parts, strict=True):
        if len(part.unknown):
            _hold(connection, organisation_id, pack, head, part, receipt)
    return receipts


@dataclass(frozen=True)
class _Sorted:
    """A pack divided: readings of known probes, and the rows of unknown ones."""

    rows: Columns
    places: NDArray[np.int64]
    unknown: NDArray[np.int64]


def _sort_out(
    pack: Pack, head: BatchHead, instruments: Mapping[str, Instrument], receipt: Receipt
) -> _Sorted:
    """Give each reading its probe's number; refuse those of probes the key may not speak for."""
    found = [instruments.get(serial) for serial in pack.serials]
    site_id = pack.caller.site_id
    strange = [
        row for row, probe in enumerate(found) if probe is not None and site_id not in {None, probe.site_id}
    ]
    for row in strange:
        detail = f"probe {pack.serials[row]} is not at this key's site; use that site's key"
        receipt.refused.append((int(pack.places[row]), Refusal("probe", "not-this-site", detail)))
    receipt.refused.sort(key=lambda item: item[0])
    number = np.array([0 if probe is None else probe.number for probe in found], np.int32)
    known = number > 0
    unknown = np.flatnonzero(~known)
    known[strange] = False
    flag = flag_by_range(pack.quantity, pack.unit, pack.value)
    batch_id = np.full(len(number), head.batch_id, np.int64)
    rows = Columns(number, pack.quantity, pack.observed_us, pack.value, pack.unit, flag, batch_id)
    if not known.all():
        return _Sorted(rows.take(known), pack.places[known], unknown)
    return _Sorted(rows, pack.places, unknown)


def _keep(
    connection: Plain, organisation_id: int, parts: Sequence[_Sorted], receipts: Sequence[Receipt]
) -> None:
    """Insert all parts in one statement and tell each receipt what came of its own."""
    rows = _join([part.rows for part in parts])
    if not len(rows):
        return
    places = np.concatenate([part.places for part in parts])
    owner = np.repeat(np.arange(len(parts)), [len(part.rows) for part in parts])
    # Sorted by key, concurrent inserts lock in one order and the index is filled where it is warm;
    # the sort is stable, so of two values for one instant the first to arrive stays in force.
    order = np.lexsort((rows.observed_us, rows.quantity, rows.probe))
    rows, places, owner = rows.take(order), places[order], owner[order]
    if stored.insert(connection, organisation_id, rows) == len(rows):
        for number, count in enumerate(np.bincount(owner, minlength=len(parts))):
            receipts[number].stored += int(count)
        return
    standing = stored.in_force(connection, organisation_id, rows)
    repeated = np.zeros(len(rows), np.bool_)
    repeated[1:] = (
        (rows.probe[1:] == rows.probe[:-1])
        & (rows.quantity[1:] == rows.quantity[:-1])
        & (rows.observed_us[1:] == rows.observed_us[:-1])
    )
    new = (standing.batch_id == rows.batch_id) & ~repeated
    same = ~new & (standing.value == rows.value) & (standing.unit == rows.unit)
    disputed = ~new & ~same
    for mask, name in ((new, "stored"), (same, "duplicate")):
        for number, count in enumerate(np.bincount(owner[mask], minlength=len(parts))):
            setattr(receipts[number], name, getattr(receipts[number], name) + int(count))
    if disputed.any():
        stored.dispute(connection, organisation_id, rows.take(disputed))
        for row in np.flatnonzero(disputed):
            receipts[owner[row]].disputes.append(
                Dispute(int(places[row]), float(standing.value[row]), int(standing.unit[row]))
            )


def _join(parts: Sequence[Columns]) -> Columns:
    if len(parts) == 1:
        return parts[0]
    return Columns(
        np.concatenate([part.probe for part in parts]),
        np.concatenate([part.quantity for part in parts]),
        np.concatenate([part.observed_us for part in parts]),
        np.concatenate([part.value for part in parts]),
        np.concatenate([part.unit for part in parts]),
        np.concatenate([part.flag for part in parts]),
        np.concatenate([part.batch_id for part in parts]),
    )


def _hold(
    connection: Plain, organisation_id: int, pack: Pack, head: BatchHead, part: _Sorted, receipt: Receipt
) -> None:
    """Hold readings of unknown probes, unless the probe was registered while we looked away."""
    serials = sorted({pack.serials[row] for row in part.unknown})
    stored.lock_serials(connection, organisation_id, serials)
    late = stored.instruments(connection, organisation_id, serials)
    flag = flag_by_range(pack.quantity, pack.unit, pack.value)
    number = np.array([late[serial].number if serial in late else 0 for serial in pack.serials], np.int32)
    rows = Columns(
        number,
        pack.quantity,
        pack.observed_us,
        pack.value,
        pack.unit,
        flag,
        np.full(len(number), head.batch_id, np.int64),
    )
    adopted = part.unknown[number[part.unknown] > 0]
    if len(adopted):
        _keep(
            connection,
            organisation_id,
            [_Sorted(rows.take(adopted), pack.places[adopted], part.unknown[:0])],
            [receipt],
        )
    waiting = part.unknown[number[part.unknown] == 0]
    if len(waiting):
        held = rows.take(waiting)
        stored.hold(connection, organisation_id, [pack.serials[row] for row in waiting], held)
        receipt.held += len(waiting)


def adopt_held(session: Session, organisation_id: int, probe: ProbeRow) -> Adopted:
    """Make the readings held for a probe's serial its own, in the transaction that registers it."""
    connection: Plain = session.connection().connection.driver_connection  # type: ignore[assignment]
    assert probe.number is not None
    stored.lock_serials(connection, organisation_id, [probe.serial])
    rows = stored.take_held(connection, organisation_id, probe.serial, probe.number)
    receipt = Receipt(len(rows))
    part = _Sorted(rows, np.arange(len(rows)), np.zeros(0, np.int64))
    _keep(connection, organisation_id, [part], [receipt])
    return Adopted(receipt.stored, len(receipt.disputes))
