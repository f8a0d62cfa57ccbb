"""What happened to piles, as the domain speaks of it."""

from collections.abc import Iterable
from datetime import datetime
from uuid import UUID

from sqlmodel import Session, col, select

from service.domain.piles import Event
from service.storage.tables import PileEventRow


def events_by_pile(
    session: Session, organisation_id: int, pile_ids: Iterable[UUID], *, known_at: datetime | None = None
) -> dict[UUID, list[Event]]:
    """Return every event of each of some piles, or those recorded by ``known_at``; piles without any are left out."""
    wanted = list(pile_ids)
    if not wanted:
        return {}
    statement = select(PileEventRow).where(
        col(PileEventRow.organisation_id) == organisation_id, col(PileEventRow.pile_id).in_(wanted)
    )
    if known_at is not None:
        statement = statement.where(col(PileEventRow.recorded_at) <= known_at)
    found: dict[UUID, list[Event]] = {}
    for row in session.exec(statement).all():
        found.setdefault(row.pile_id, []).append(
            Event(
                id=row.id,
                kind=row.kind,
                at=row.at,
                recorded_at=row.recorded_at,
                details=row.details,
                crew=row.crew,
                note=row.note,
                corrects=row.corrects,
            )
        )
    return found
