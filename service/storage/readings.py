"""Readings on disk: one statement to keep many, one question for those that were there before."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from uuid import UUID

import msgspec
import numpy as np
import psycopg
from numpy.typing import NDArray

from service.storage.packing import BigInts, Doubles, Instants, Ints, SmallInts

Plain = psycopg.Connection[tuple[Any, ...]]
"""The driver's own connection, inside a transaction that has entered its organisation."""


AlreadyThere = psycopg.errors.UniqueViolation
"""A reading taken for new was not."""


@dataclass(frozen=True)
class Columns:
    """Readings of known probes, column by column; all of one length.

    Attributes
    ----------
    probe
        Probe numbers, int32.
    quantity, unit, flag
        ``Quantity``, ``Unit`` and ``QualityFlag`` codes, int16.
    observed_us
        Microseconds since 1970-01-01T00:00Z, int64.
    value
        As recorded, float64.
    batch_id
        Which request brought it, int64.
    """

    probe: NDArray[np.int32]
    quantity: NDArray[np.int16]
    observed_us: NDArray[np.int64]
    value: NDArray[np.float64]
    unit: NDArray[np.int16]
    flag: NDArray[np.int16]
    batch_id: NDArray[np.int64]

    def __len__(self) -> int:
        """Return the number of readings."""
        return len(self.value)

    def take(self, rows: NDArray[Any]) -> "Columns":
        """Return the readings at these places."""
        return Columns(
            self.probe[rows],
            self.quantity[rows],
            self.observed_us[rows],
            self.value[rows],
            self.unit[rows],
            self.flag[rows],
            self.batch_id[rows],
        )


@dataclass(frozen=True)
class InForce:
    """What stands on disk for each reading asked about, in the order asked."""

    value: NDArray[np.float64]
    unit: NDArray[np.int16]
    batch_id: NDArray[np.int64]


@dataclass(frozen=True)
class BatchHead:
    """Who sent a batch, and when."""

    batch_id: int
    received_at: datetime
    sent_at: datetime | None
    credential_id: UUID | None
    gateway: str | None
    earliest_at: datetime | None
    latest_at: datetime | None
    promised_silence_s: float | None


_NEXT_BLOCK: Final = "select nextval('reading_batch')"
BLOCK: Final = 1000
"""Batch numbers a process takes at a time; the sequence counts in these steps."""

_ADD_BATCHES: Final = """
insert into batch (organisation_id, batch_id, received_at, sent_at, credential_id, gateway, earliest_at, latest_at,
                   promised_silence_s, seal)
select %s, b.batch_id, b.received_at, b.sent_at, b.credential_id, b.gateway, b.earliest_at, b.latest_at,
       b.promised_silence_s, case when b.seal_bytes > 0 then substring(%b from b.seal_from for b.seal_bytes) end
from rows from (
  json_to_recordset(%s::json) as (
    batch_id int8, received_at timestamptz, sent_at timestamptz, credential_id uuid, gateway text,
    earliest_at timestamptz, latest_at timestamptz, promised_silence_s float8),
  unnest(%s, %s)) as b (
    batch_id, received_at, sent_at, credential_id, gateway, earliest_at, latest_at, promised_silence_s,
    seal_from, seal_bytes)
"""
"""One text for all: eight lists of values dumped one by one took longer than the readings themselves."""

_RECENT_LAGS: Final = """
select extract(epoch from received_at - sent_at)::float8 from batch
where organisation_id = %s and gateway = %s and sent_at is not null
order by received_at desc limit 15
"""

_INSERT: Final = """
with kept as (
  insert into reading (organisation_id, probe, quantity, observed_at, value, unit, flag, batch_id)
  select %s, * from unnest(%s, %s, %s, %s, %s, %s, %s)
  on conflict do nothing
  returning 1)
select count(*) from kept
"""

_INSERT_NEW: Final = """
insert into reading (organisation_id, probe, quantity, observed_at, value, unit, flag, batch_id)
select %s, * from unnest(%s, %s, %s, %s, %s, %s, %s)
"""

_IN_FORCE: Final = """
select i.place, r.value, r.unit, r.batch_id
from unnest(%s, %s, %s) with ordinality as i (probe, quantity, observed_at, place)
join reading r on r.organisation_id = %s and r.probe = i.probe and r.quantity = i.quantity
  and r.observed_at = i.observed_at
"""

_DISPUTE: Final = """
insert into disputed_reading (organisation_id, probe, quantity, observed_at, value, unit, batch_id)
select %s, * from unnest(%s, %s, %s, %s, %s, %s)
on conflict do nothing
"""

_HOLD: Final = """
insert into held_reading (organisation_id, serial, quantity, observed_at, value, unit, flag, batch_id)
select %s, * from unnest(%s::text[], %s, %s, %s, %s, %s, %s)
on conflict do nothing
"""

_ADOPT: Final = """
with taken as (
  delete from held_reading where organisation_id = %s and serial = %s
  returning organisation_id, quantity, observed_at, value, unit, flag, batch_id)
select t.quantity, t.observed_at, t.value, t.unit, t.flag, t.batch_id
from taken t join batch b on b.organisation_id = t.organisation_id and b.batch_id = t.batch_id
order by b.received_at, t.batch_id
"""
"""By arrival: batch numbers come in blocks, so of two processes the later may hand out the smaller."""


def next_block(connection: Plain) -> int:
    """Return the first of ``BLOCK`` batch numbers nobody else has."""
    row = connection.execute(_NEXT_BLOCK).fetchone()
    assert row is not None
    return int(row[0])


def add_batches(
    connection: Plain, organisation_id: int, heads: Sequence[BatchHead], seals: Mapping[int, bytes]
) -> None:
    """Record who sent what and when, and what the log is to hold of the readings kept, by batch number.

    The seals go as one row of bytes: in the JSON each would cost as much again as to make it.
    """
    sealed = [seals.get(head.batch_id, b"") for head in heads]
    lengths = np.fromiter(map(len, sealed), np.int32, len(sealed))
    firsts = np.cumsum(lengths) - lengths + 1
    values = (
        organisation_id,
        b"".join(sealed),
        msgspec.json.encode(heads).decode(),
        Ints(firsts),
        Ints(lengths),
    )
    connection.execute(_ADD_BATCHES, values, prepare=True)


def recent_lags_s(connection: Plain, organisation_id: int, gateway: str) -> list[float]:
    """Return by how much a gateway's latest packs were received after they say they were sent [s], oldest first."""
    rows = connection.execute(_RECENT_LAGS, (organisation_id, gateway)).fetchall()
    return [row[0] for row in reversed(rows)]


def insert(connection: Plain, organisation_id: int, rows: Columns) -> int:
    """Keep the readings that are new, and return how many were.

    Counted through ``returning``: on a distributed server the command tag counts rows offered, not kept.
    """
    row = connection.execute(_INSERT, _values(organisation_id, rows), prepare=True).fetchone()
    assert row is not None
    return int(row[0])


def insert_new(connection: Plain, organisation_id: int, rows: Columns) -> None:
    """Keep readings that are expected to be new: half the work of :func:`insert`, near that of COPY (measured).

    Asking the index before each row, as ``on conflict`` must, costs as much again as the row itself.

    Raises
    ------
    AlreadyThere
        Some were there before; the transaction is lost.
    """
    connection.execute(_INSERT_NEW, _values(organisation_id, rows), prepare=True)


def _values(organisation_id: int, rows: Columns) -> tuple[object, ...]:
    return (
        organisation_id,
        Ints(rows.probe),
        SmallInts(rows.quantity),
        Instants(rows.observed_us),
        Doubles(rows.value),
        SmallInts(rows.unit),
        SmallInts(rows.flag),
        BigInts(rows.batch_id),
    )


def in_force(connection: Plain, organisation_id: int, rows: Columns) -> InForce:
    """Return what stands on disk under the keys of ``rows``, all of which are there."""
    found = connection.execute(
        _IN_FORCE,
        (Ints(rows.probe), SmallInts(rows.quantity), Instants(rows.observed_us), organisation_id),
    ).fetchall()
    value = np.empty(len(rows))
    unit = np.empty(len(rows), np.int16)
    batch_id = np.empty(len(rows), np.int64)
    for place, v, u, b in found:
        value[place - 1], unit[place - 1], batch_id[place - 1] = v, u, b
    return InForce(value, unit, batch_id)


def dispute(connection: Plain, organisation_id: int, rows: Columns) -> None:
    """Keep readings that contradict the ones in force, beside them."""
    connection.execute(
        _DISPUTE,
        (
            organisation_id,
            Ints(rows.probe),
            SmallInts(rows.quantity),
            Instants(rows.observed_us),
            Doubles(rows.value),
            SmallInts(rows.unit),
            BigInts(rows.batch_id),
        ),
    )


@dataclass(frozen=True)
class Instrument:
    """A probe as the write path needs it."""

    number: int
    site_id: UUID | None


def instruments(connection: Plain, organisation_id: int, serials: Sequence[str]) -> dict[str, Instrument]:
    """Return the known probes among ``serials``."""
    rows = connection.execute(
        "select serial, number, site_id from probe where organisation_id = %s and serial = any(%s::text[])",
        (organisation_id, list(serials)),
        prepare=True,
    ).fetchall()
    return {serial: Instrument(number, site_id) for serial, number, site_id in rows}


def lock_serials(connection: Plain, organisation_id: int, serials: Sequence[str]) -> None:
    """Keep registration of these serials and holding of their readings from passing each other."""
    connection.execute(
        "select pg_advisory_xact_lock(%s, hashtext(serial)) from unnest(%s::text[]) as serial",
        (organisation_id, sorted(serials)),
    )


def hold(connection: Plain, organisation_id: int, serials: Sequence[str], rows: Columns) -> None:
    """Keep readings whose probe is not known yet."""
    connection.execute(
        _HOLD,
        (
            organisation_id,
            list(serials),
            SmallInts(rows.quantity),
            Instants(rows.observed_us),
            Doubles(rows.value),
            SmallInts(rows.unit),
            SmallInts(rows.flag),
            BigInts(rows.batch_id),
        ),
    )


_SEAL_ADOPTED: Final = """
insert into adopted_batch (organisation_id, batch_id, probe_id, seal) values (%s, %s, %s, %s)
"""


def seal_adopted(connection: Plain, organisation_id: int, probe_id: UUID, seals: Mapping[int, bytes]) -> None:
    """Keep the seals of readings that were held until now, by the batch they came in."""
    for batch_id, seal in seals.items():
        connection.execute(_SEAL_ADOPTED, (organisation_id, batch_id, probe_id, seal))


def take_held(connection: Plain, organisation_id: int, serial: str, probe: int) -> Columns:
    """Take out the readings held for a serial, as readings of its probe, first come first."""
    rows = connection.execute(_ADOPT, (organisation_id, serial)).fetchall()
    return Columns(
        np.full(len(rows), probe, np.int32),
        np.array([row[0] for row in rows], np.int16),
        np.array([round(row[1].timestamp() * 1e6) for row in rows], np.int64),
        np.array([row[2] for row in rows], np.float64),
        np.array([row[3] for row in rows], np.int16),
        np.array([row[4] for row in rows], np.int16),
        np.array([row[5] for row in rows], np.int64),
    )
