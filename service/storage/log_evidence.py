"""What a proof over a pile rests on: the sealed batches its probes' readings came in, and the readings as they are."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Final
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import text
from sqlmodel import Session

from service.domain.log.seals import Seal, read_seal
from service.storage.corrections import moment_of
from service.storage.log import SOURCES
from service.storage.packing import POSTGRES_EPOCH_US
from service.storage.probes import Stay

_FOREVER: Final = datetime(9999, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class SealedBatch:
    """A batch, or what was adopted of one, with its seal; ``kind`` and ``ref`` name its leaf."""

    kind: str
    ref: str
    batch_id: int
    seal: Seal


_BATCHES: Final = text("""
with sat as (
  select * from unnest(cast(:numbers as int[]), cast(:sinces as timestamptz[]), cast(:untils as timestamptz[]))
    as s (number, since, until)),
named as (
  select r.batch_id from sat s
  join reading r on r.organisation_id = :organisation_id and r.probe = s.number
    and r.observed_at >= s.since and r.observed_at < s.until
  union
  select b.batch_id from sat s
  join batch b on b.organisation_id = :organisation_id and b.received_at >= s.since - interval '1 day'
    and b.earliest_at < s.until and b.latest_at >= s.since and position(int4send(s.number) in b.seal) > 0)
select b.batch_id, b.seal from batch b
where b.organisation_id = :organisation_id and b.seal is not null and b.batch_id in (select batch_id from named)
order by b.batch_id
""")
"""By the readings that are there, and by the seals that speak of the probe: of a batch whose readings are all gone only
its seal is left. (Found by bytes, a seal may turn out to speak of another probe.)"""
_ADOPTED: Final = text("""
select a.batch_id, a.probe_id, a.seal from adopted_batch a
where a.organisation_id = :organisation_id and a.probe_id = any(cast(:probes as uuid[]))
order by a.batch_id, a.probe_id
""")


def sealed_batches(session: Session, organisation_id: int, stays: Sequence[Stay]) -> list[SealedBatch]:
    """Return the batches that hold, or held, readings of probes while they sat in a pile, and some others."""
    if not stays:
        return []
    asked = {
        "organisation_id": organisation_id,
        "numbers": [stay.number for stay in stays],
        "sinces": [stay.since for stay in stays],
        "untils": [stay.until or _FOREVER for stay in stays],
        "probes": list({stay.probe_id for stay in stays}),
    }
    found = [
        SealedBatch("batch", str(number), number, read_seal(bytes(seal)))
        for number, seal in session.execute(_BATCHES, asked)
    ]
    return found + [
        SealedBatch("adoption", f"{number}/{probe_id}", number, read_seal(bytes(seal)))
        for number, probe_id, seal in session.execute(_ADOPTED, asked)
    ]


@dataclass(frozen=True)
class Found:
    """Readings of one probe and quantity that name one batch, ascending."""

    observed_us: NDArray[np.int64]
    value: NDArray[np.float64]
    unit: NDArray[np.int16]
    flag: NDArray[np.int16]


_READINGS: Final = text("""
select batch_id, quantity, string_agg(
  timestamptz_send(observed_at) || float8send(value) || int2send(unit) || int2send(flag), ''::bytea
  order by observed_at)
from reading
where organisation_id = :organisation_id and probe = :probe and observed_at >= :since and observed_at < :until
group by batch_id, quantity
""")
_RECORD: Final = np.dtype([("at", ">i8"), ("value", ">f8"), ("unit", ">i2"), ("flag", ">i2")])


def readings_between(
    session: Session, organisation_id: int, probe: int, since_us: int, until_us: int
) -> dict[tuple[int, int], Found]:
    """Return a probe's readings over some time as they are on record now, by batch and quantity."""
    asked = {
        "organisation_id": organisation_id,
        "probe": probe,
        "since": moment_of(since_us),
        "until": moment_of(until_us),
    }
    found = {}
    for batch_id, quantity, records in session.execute(_READINGS, asked):
        packed = np.frombuffer(bytes(records), _RECORD)
        found[batch_id, quantity] = Found(
            packed["at"].astype(np.int64) + POSTGRES_EPOCH_US,
            packed["value"].astype(np.float64),
            packed["unit"].astype(np.int16),
            packed["flag"].astype(np.int16),
        )
    return found


def probe_ids(stays: Sequence[Stay]) -> list[UUID]:
    """Return which probes sat in a pile."""
    return list({stay.probe_id: None for stay in stays})


def rows_of(
    session: Session, organisation_id: int, kind: str, about: Sequence[UUID]
) -> dict[str, dict[str, Any]]:
    """Return the rows of a kind about some piles or probes as they are on record now, by what names them."""
    source = next(one for one in SOURCES if one.kind == kind)
    statement = text(
        f"select {source.ref} as ref_, r.* from {source.table} r"  # noqa: S608 - constants of ours
        f" where r.organisation_id = :organisation_id and {source.about} = any(cast(:about as uuid[]))"
    )
    asked = {"organisation_id": organisation_id, "about": list(about)}
    return {row["ref_"]: dict(row) for row in session.execute(statement, asked).mappings()}


def serials_of(session: Session, organisation_id: int, numbers: Iterable[int]) -> Mapping[int, str]:
    """Return the serials of probes by the number their readings carry."""
    rows = session.execute(
        text(
            "select number, serial from probe where organisation_id = :organisation_id and number = any(:n)"
        ),
        {"organisation_id": organisation_id, "n": list(set(numbers))},
    ).all()
    return dict(map(tuple, rows))
