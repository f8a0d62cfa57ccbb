"""What the latest packs of gateways tell of them, for a page of gateways in one question."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final
from uuid import UUID

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session, col, select

from service.storage.packing import POSTGRES_EPOCH_US
from service.storage.readings import Plain
from service.storage.tables import GatewayStateRow

LATEST: Final = 200
"""Packs of each gateway that are looked at: a day and more of one every ten minutes, weeks of a crew's visits."""

_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

_PACKS: Final = """
select g.name, p.*
from unnest(%s::text[]) as g (name)
cross join lateral (
  select string_agg(timestamptz_send(received_at), ''::bytea order by received_at) as received_at,
         array_agg(extract(epoch from received_at - sent_at)::float8 order by received_at)
           filter (where sent_at is not null) as lag_s,
         (array_agg(promised_silence_s order by received_at desc) filter (where promised_silence_s is not null))[1]
  from (select received_at, sent_at, promised_silence_s from batch
        where organisation_id = %s and gateway = g.name
        order by received_at desc limit %s) latest) p
where p.received_at is not null
"""
"""One row for a gateway, its arrivals packed: no Python object for a pack."""


def _no_arrivals() -> NDArray[np.int64]:
    return np.array([], np.int64)


@dataclass(frozen=True, eq=False)
class Packs:
    """A gateway's latest packs, oldest first.

    Attributes
    ----------
    received_us
        When each was received [us since 1970-01-01T00:00Z].
    lags_s
        Received less sent, of those that say when they were sent [s].
    promised_silence_s
        The longest silence promised by the newest that promises one [s].
    """

    received_us: NDArray[np.int64] = field(default_factory=_no_arrivals)
    lags_s: Sequence[float] = ()
    promised_silence_s: float | None = None

    @property
    def last_heard_at(self) -> datetime | None:
        """When the last was received."""
        if not self.received_us.size:
            return None
        return _EPOCH + timedelta(microseconds=int(self.received_us[-1]))


def packs_of(session: Session, organisation_id: int, names: Sequence[str]) -> Mapping[str, Packs]:
    """Return the latest packs of each named gateway that was ever heard."""
    session.flush()
    plain: Plain = session.connection().connection.driver_connection  # type: ignore[assignment]
    rows = plain.execute(_PACKS, (list(names), organisation_id, LATEST), binary=True).fetchall()
    return {
        name: Packs(np.frombuffer(received, ">i8").astype(np.int64) + POSTGRES_EPOCH_US, lags or (), promised)
        for name, received, lags, promised in rows
    }


def states_of(
    session: Session, organisation_id: int, gateway_ids: Sequence[UUID]
) -> Mapping[UUID, GatewayStateRow]:
    """Return what each gateway last told of itself over the broker, where it did."""
    statement = select(GatewayStateRow).where(
        col(GatewayStateRow.organisation_id) == organisation_id,
        col(GatewayStateRow.gateway_id).in_(gateway_ids),
    )
    return {row.gateway_id: row for row in session.exec(statement).all()}
