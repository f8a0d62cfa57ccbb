"""Which piles a pile's material was in before, found in the records of all that speak of it."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy import text
from sqlmodel import Session

from service.domain.piles import Joining, in_force, joinings
from service.domain.piles.events import Event
from service.storage.pile_events import events_by_pile

_SPEAK_OF: Final = text("""
select distinct pile_id from pile_event
where organisation_id = :organisation_id and pile_id <> :pile_id and kind in ('merge', 'split', 'correct')
  and position(cast(:pile_id as text) in details::text) > 0
""")
"""Corrections too: what one puts in place of an entry, or takes back, may name the pile."""


def joinings_of(
    session: Session,
    organisation_id: int,
    pile_id: UUID,
    events: Sequence[Event],
    *,
    known_at: datetime | None = None,
) -> tuple[Joining, ...]:
    """Return every joining a pile had part in, as child or as parent, earliest first.

    Parameters
    ----------
    events
        Of the pile itself, those known.
    known_at
        Of the others, only what was on record by then.
    """
    asked = {"organisation_id": organisation_id, "pile_id": pile_id}
    speaking = [row.pile_id for row in session.execute(_SPEAK_OF, asked)]
    told = {pile_id: in_force(events)}
    for other, theirs in events_by_pile(session, organisation_id, speaking, known_at=known_at).items():
        told[other] = in_force(theirs)
    return tuple(one for one in joinings(told) if pile_id in {one.parent_id, one.child_id})
