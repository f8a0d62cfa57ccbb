"""Keeping readings: what the answer calls stored is on disk, and sending it again is harmless.

The one write path of the service: HTTP, file imports and the demo all come through :func:`ingest`.
"""

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import chain
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.log.seals import Kept, joined, seal
from service.domain.readings import Refusal
from service.domain.readings.clocks import TOLERANCE_S, is_skew_suspect
from service.domain.readings.quality import flag_on_arrival
from service.operations.packs import MOST_LISTED, Adopted, Dispute, Pack, Receipt
from service.operations.reopening import reopen_plain
from service.storage import readings as stored
from service.storage.readings import BatchHead, Columns, Instrument, Plain
from service.storage.tables import ProbeRow


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

    def forget(self) -> None:
        """Leave the rest of a block whose transaction did not commit: a server that crashed may hand it out again."""
        self._free = iter(())


def ingest(
    connection: Plain,
    organisation_id: int,
    packs: Sequence[Pack],
    instruments: Mapping[str, Instrument],
    numbers: BatchNumbers,
    *,
    expect_new: bool = False,
) -> list[Receipt]:
    """Keep the readings of one or more requests of one organisation in the open transaction.

    Parameters
    ----------
    instruments
        The known probes among the serials; the others' readings are held.
    expect_new
        Take the quicker way, which is lost with its transaction (``storage.readings.AlreadyThere``) if any reading
        was there before; the caller then tries again without.

    Returns
    -------
    list[Receipt]
        One for each pack, in order, true once the transaction has committed.
    """
    receipts = [
        Receipt(pack.received, refused=list(pack.refused), refused_count=len(pack.refused)) for pack in packs
    ]
    doubted = [_is_doubted(connection, organisation_id, pack) for pack in packs]
    batch_ids = [numbers.take(connection) for _ in packs]
    bulk = _gather(packs, batch_ids, instruments, doubted)
    if any(pack.caller.site_id is not None or pack.caller.gateway is not None for pack in packs):
        bulk = _without_strangers(bulk, packs, instruments, receipts)
    known = bulk.rows.probe > 0
    if known.all():
        seals = _seals(_keep(connection, organisation_id, bulk, receipts, expect_new=expect_new))
    else:
        seals = _seals(
            _keep(connection, organisation_id, bulk.take(known), receipts, expect_new=expect_new),
            _hold(connection, organisation_id, bulk.take(~known), receipts),
        )
    # Last, for only now is it known which readings were kept.
    heads = [_head(number, pack) for number, pack in zip(batch_ids, packs, strict=True)]
    stored.add_batches(connection, organisation_id, heads, seals)
    instants = [head.earliest_at for head in heads if head.earliest_at is not None]
    if instants:
        reopen_plain(connection, organisation_id, min(instants))
    return receipts


def _head(number: int, pack: Pack) -> BatchHead:
    earliest_at, latest_at = None, None
    if len(pack.observed_s):
        # In a small pack plain lists are quicker than arrays.
        least, most = (min, max) if isinstance(pack.observed_s, list) else (np.min, np.max)
        earliest_at = datetime.fromtimestamp(float(least(pack.observed_s)), UTC)
        latest_at = datetime.fromtimestamp(float(most(pack.observed_s)), UTC)
    return BatchHead(
        number,
        pack.received_at,
        pack.sent_at,
        pack.caller.credential_id,
        pack.gateway,
        earliest_at,
        latest_at,
        pack.promised_silence_s,
    )


def _seals(*parts: Columns | None) -> dict[int, bytes]:
    """Return what the log is to hold of the readings kept, by batch; no series of a batch is in two parts."""
    made = [
        seal(
            Kept(one.batch_id, one.probe, one.quantity, one.observed_us, one.value, one.unit, one.flag),
            os.urandom,
        )
        for one in parts
        if one is not None
    ]
    if len(made) == 1:
        return made[0]
    return {number: joined([one[number] for one in made if number in one]) for number in chain(*made)}


def _is_doubted(connection: Plain, organisation_id: int, pack: Pack) -> bool:
    """Whether the clock behind a pack is to be doubted; the packs before it are asked only if its own lag is odd."""
    if pack.sent_at is None:
        return False
    lag_s = (pack.received_at - pack.sent_at).total_seconds()
    if abs(lag_s) <= TOLERANCE_S:
        return False
    recent = [] if pack.gateway is None else stored.recent_lags_s(connection, organisation_id, pack.gateway)
    return is_skew_suspect(lag_s, recent)


@dataclass(frozen=True)
class _Bulk:
    """Readings of several packs in one: ``owner`` is the pack's place among the packs, ``places`` the reading's."""

    rows: Columns
    serials: Sequence[str]
    places: NDArray[np.int64]
    owner: NDArray[np.int64]

    def take(self, wanted: NDArray[np.bool_]) -> "_Bulk":
        """Return some of the readings."""
        chosen = np.flatnonzero(wanted)
        return _Bulk(
            self.rows.take(chosen),
            [self.serials[row] for row in chosen.tolist()],
            self.places[chosen],
            self.owner[chosen],
        )


def _gather(
    packs: Sequence[Pack],
    batch_ids: Sequence[int],
    instruments: Mapping[str, Instrument],
    doubted: Sequence[bool],
) -> _Bulk:
    """Lay packs end to end and give each reading its probe's number, 0 where the probe is not known."""
    small = [n for n, pack in enumerate(packs) if isinstance(pack.value, list)]
    order = small + [n for n, pack in enumerate(packs) if not isinstance(pack.value, list)]
    lengths = [len(packs[n].serials) for n in order]

    def column(name: str, kind: type[np.generic]) -> NDArray[Any]:
        together = list(chain.from_iterable(getattr(packs[n], name) for n in small))
        large = [getattr(packs[n], name) for n in order[len(small) :]]
        parts = [np.array(together, kind)] if together else []
        return (
            np.concatenate([*parts, *(np.asarray(one, kind) for one in large)])
            if large or parts
            else np.array([], kind)
        )

    serials = list(chain.from_iterable(packs[n].serials for n in order))
    number_of = {serial: one.number for serial, one in instruments.items()}
    quantity, unit, value = (
        column("quantity", np.int16),
        column("unit", np.int16),
        column("value", np.float64),
    )
    observed_s = column("observed_s", np.float64)
    flag = flag_on_arrival(
        quantity,
        unit,
        value,
        observed_s,
        received_at=max(pack.received_at for pack in packs),
        skew_suspect=np.repeat(np.array([doubted[n] for n in order], np.bool_), lengths)
        if any(doubted)
        else False,
    )
    rows = Columns(
        np.array([number_of.get(serial, 0) for serial in serials], np.int32),
        quantity,
        np.rint(observed_s * 1e6).astype(np.int64),
        value,
        unit,
        flag,
        np.repeat(np.array([batch_ids[n] for n in order], np.int64), lengths),
    )
    return _Bulk(rows, serials, column("places", np.int64), np.repeat(np.array(order, np.int64), lengths))


def _without_strangers(
    bulk: _Bulk, packs: Sequence[Pack], instruments: Mapping[str, Instrument], receipts: Sequence[Receipt]
) -> _Bulk:
    """Refuse readings of probes that a key may not speak for: of another site, or of another gateway."""
    fits = np.ones(len(bulk.rows), np.bool_)
    for row, serial in enumerate(bulk.serials):
        owner = int(bulk.owner[row])
        refusal = _stranger(packs[owner].caller, serial, instruments.get(serial))
        if refusal is not None:
            fits[row] = False
            place = int(bulk.places[row])
            if receipts[owner].refused_count < MOST_LISTED:
                refusal = replace(refusal, line=packs[owner].line_of(place))
            receipts[owner].refused.append((place, refusal))
            receipts[owner].refused_count += 1
    for receipt in receipts:
        receipt.refused.sort(key=lambda item: item[0])
    return bulk if fits.all() else bulk.take(fits)


def _stranger(caller: Caller, serial: str, probe: Instrument | None) -> Refusal | None:
    speaker = caller.gateway
    if speaker is not None and speaker.serials and serial not in speaker.serials:
        detail = f"gateway {speaker.name} does not speak for probe {serial}; add it to the gateway's serials"
        return Refusal("probe", "not-this-gateway", detail)
    if probe is not None and caller.site_id not in {None, probe.site_id}:
        detail = f"probe {serial} is not at this key's site; use that site's key"
        return Refusal("probe", "not-this-site", detail)
    return None


def _keep(
    connection: Plain,
    organisation_id: int,
    bulk: _Bulk,
    receipts: Sequence[Receipt],
    *,
    expect_new: bool = False,
) -> Columns | None:
    """Insert the readings in one statement, tell each receipt what came of its own, and return those kept, by key."""
    if not len(bulk.rows):
        return None
    # Sorted by key, concurrent inserts lock in one order and the index is filled where it is warm;
    # the sort is stable, so of two values for one instant the first to arrive stays in force.
    order = np.lexsort((bulk.rows.observed_us, bulk.rows.quantity, bulk.rows.probe))
    rows, places, owner = bulk.rows.take(order), bulk.places[order], bulk.owner[order]
    if expect_new:
        stored.insert_new(connection, organisation_id, rows)
        _count(receipts, owner, "stored")
        return rows
    if stored.insert(connection, organisation_id, rows) == len(rows):
        _count(receipts, owner, "stored")
        return rows
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
    _count(receipts, owner[new], "stored")
    _count(receipts, owner[same], "duplicate")
    if disputed.any():
        stored.dispute(connection, organisation_id, rows.take(disputed))
        for row in np.flatnonzero(disputed):
            receipts[owner[row]].disputed += 1
            receipts[owner[row]].disputes.append(
                Dispute(int(places[row]), float(standing.value[row]), int(standing.unit[row]))
            )
        for receipt in receipts:
            receipt.disputes.sort(key=lambda dispute: dispute.place)
    return rows.take(np.flatnonzero(new))


def _count(receipts: Sequence[Receipt], owner: NDArray[np.int64], name: str) -> None:
    for receipt, count in zip(receipts, np.bincount(owner, minlength=len(receipts)).tolist(), strict=True):
        setattr(receipt, name, getattr(receipt, name) + count)


def _hold(
    connection: Plain, organisation_id: int, bulk: _Bulk, receipts: Sequence[Receipt]
) -> Columns | None:
    """Hold readings of unknown probes; keep and return those whose probe was registered while we looked away."""
    serials = sorted(set(bulk.serials))
    stored.lock_serials(connection, organisation_id, serials)
    late = stored.instruments(connection, organisation_id, serials)
    number = np.array([late[serial].number if serial in late else 0 for serial in bulk.serials], np.int32)
    bulk = replace(bulk, rows=replace(bulk.rows, probe=number))
    kept = _keep(connection, organisation_id, bulk.take(number > 0), receipts) if late else None
    waiting = bulk.take(number == 0)
    if len(waiting.rows):
        stored.hold(connection, organisation_id, waiting.serials, waiting.rows)
        _count(receipts, waiting.owner, "held")
    return kept


def adopt_held(session: Session, organisation_id: int, probe: ProbeRow) -> Adopted:
    """Make the readings held for a probe's serial its own, in the transaction that registers it."""
    connection: Plain = session.connection().connection.driver_connection  # type: ignore[assignment]
    assert probe.number is not None
    stored.lock_serials(connection, organisation_id, [probe.serial])
    rows = stored.take_held(connection, organisation_id, probe.serial, probe.number)
    receipt = Receipt(len(rows))
    owner = np.zeros(len(rows), np.int64)
    kept = _keep(
        connection, organisation_id, _Bulk(rows, [probe.serial] * len(rows), owner, owner), [receipt]
    )
    stored.seal_adopted(connection, organisation_id, probe.id, _seals(kept))
    return Adopted(receipt.stored, receipt.disputed)
