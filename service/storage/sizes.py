"""Piles of a site as their sizes are judged: those that were built, with their bays and events."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID

from sqlmodel import Session, col, select

from service.domain.piles import Event
from service.domain.readings.quality import ReadSeries
from service.storage.corrections import microseconds
from service.storage.pile_events import events_by_pile
from service.storage.stretches import air_over, air_probe, plain_of
from service.storage.tables import BayRow, PileRow

LOOKED_AT: Final = 300
"""Piles looked at, the newest: ten times what a chart shows, for crews that build seldom."""
AIR_FOR: Final = timedelta(days=28)


@dataclass(frozen=True)
class BuiltPiles:
    """The newest built piles of a site, oldest first."""

    piles: Sequence[PileRow]
    bays: Mapping[UUID, BayRow]
    events: Mapping[UUID, Sequence[Event]]


def built_piles(session: Session, organisation_id: int, site_id: UUID, *, now: datetime) -> BuiltPiles:
    """Return the newest piles of a site that were built by now."""
    rows = session.exec(
        select(PileRow)
        .where(
            col(PileRow.organisation_id) == organisation_id,
            col(PileRow.site_id) == site_id,
            col(PileRow.built_at) <= now,
        )
        .order_by(col(PileRow.built_at).desc(), col(PileRow.id).desc())
        .limit(LOOKED_AT)
    ).all()
    bays = session.exec(
        select(BayRow).where(col(BayRow.organisation_id) == organisation_id, col(BayRow.site_id) == site_id)
    ).all()
    piles = list(reversed(rows))
    return BuiltPiles(
        piles,
        {bay.id: bay for bay in bays},
        events_by_pile(session, organisation_id, [pile.id for pile in piles]),
    )


def air_after(
    session: Session, organisation_id: int, site_id: UUID, since: datetime, *, now: datetime
) -> ReadSeries | None:
    """Return the air at a site over a pile's first weeks, or as much of them as has passed; None if nobody measured."""
    since_us = microseconds(since)
    until_us = min(microseconds(since + AIR_FOR), microseconds(now))
    probe = air_probe(session, organisation_id, site_id, placed=[], since_us=since_us, until_us=until_us)
    if probe is None:
        return None
    return air_over(plain_of(session), organisation_id, probe, since_us=since_us, until_us=until_us)
