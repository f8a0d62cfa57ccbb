"""Gateways, probes and placements, listed and resolved."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from uuid import UUID

from sqlmodel import Session, col, select

from service.domain.authority import Caller
from service.storage.records import Page, page
from service.storage.tables import GatewayRow, PlacementRow, ProbeRow


def gateways_page(session: Session, caller: Caller, *, limit: int, after: str | None) -> Page[GatewayRow]:
    """Return the gateways a key may see."""
    statement = select(GatewayRow).where(col(GatewayRow.organisation_id) == caller.organisation_id)
    if caller.site_id is not None:
        statement = statement.where(col(GatewayRow.site_id) == caller.site_id)
    return page(session, statement, [col(GatewayRow.id)], limit=limit, after=after)


def probes_page(session: Session, caller: Caller, *, limit: int, after: str | None) -> Page[ProbeRow]:
    """Return the probes a key may see."""
    statement = select(ProbeRow).where(col(ProbeRow.organisation_id) == caller.organisation_id)
    if caller.site_id is not None:
        statement = statement.where(col(ProbeRow.site_id) == caller.site_id)
    return page(session, statement, [col(ProbeRow.id)], limit=limit, after=after)


def placements_page(
    session: Session, organisation_id: int, probe_id: UUID, *, limit: int, after: str | None
) -> Page[PlacementRow]:
    """Return where a probe has been."""
    statement = select(PlacementRow).where(
        col(PlacementRow.organisation_id) == organisation_id, col(PlacementRow.probe_id) == probe_id
    )
    return page(session, statement, [col(PlacementRow.id)], limit=limit, after=after)


@dataclass(frozen=True)
class Stay:
    """A probe's stay in a pile, with the number its readings carry.

    ``accuracy_c`` is the maker's [Cel]; ``was_changed`` says that the placement, or the probe, was changed after it was
    first recorded.
    """

    probe_id: UUID
    number: int
    serial: str
    position: str
    depth_cm: float | None
    since: datetime
    until: datetime | None
    recorded_at: datetime
    accuracy_c: float | None = None
    was_changed: bool = False


def stays_in(session: Session, organisation_id: int, pile_id: UUID) -> list[Stay]:
    """Return every probe's stay in a pile, earliest first."""
    return stays_by_pile(session, organisation_id, [pile_id]).get(pile_id, [])


def stays_by_pile(session: Session, organisation_id: int, pile_ids: Iterable[UUID]) -> dict[UUID, list[Stay]]:
    """Return every probe's stay in each of some piles, earliest first; piles without any are left out."""
    statement = (
        select(ProbeRow, PlacementRow)
        .where(
            col(PlacementRow.organisation_id) == organisation_id,
            col(PlacementRow.pile_id).in_(pile_ids),
            col(ProbeRow.organisation_id) == organisation_id,
            col(ProbeRow.id) == col(PlacementRow.probe_id),
        )
        .order_by(col(PlacementRow.since), col(PlacementRow.id))
    )
    found: dict[UUID, list[Stay]] = {}
    for probe, stay in session.exec(statement).all():
        if probe.number is not None:
            found.setdefault(stay.pile_id, []).append(
                Stay(
                    probe.id,
                    probe.number,
                    probe.serial,
                    stay.position,
                    stay.depth_cm,
                    stay.since,
                    stay.until,
                    stay.created_at,
                    probe.accuracy_c,
                    stay.version > 1 or probe.version > 1,
                )
            )
    return found
