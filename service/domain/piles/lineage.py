"""Where a pile's material came from: which piles were put onto it, and which it was split from.

Every function takes entries in force, as :func:`service.domain.piles.events.in_force` returns them.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal
from uuid import UUID

from service.domain.piles.events import Event, of_kind
from service.domain.piles.history import fresh_material


@dataclass(frozen=True)
class Joining:
    """Material of one pile that came into another.

    Attributes
    ----------
    at
        When; aware.
    kind
        ``merge``: the whole of a pile was put onto another; ``split``: part of it became another.
    parent_id, child_id
        Where the material was, and where it is.
    event_id
        The entry that says so; it may be on the record of either, or of a third.
    """

    at: datetime
    kind: Literal["merge", "split"]
    parent_id: UUID
    child_id: UUID
    event_id: UUID


def joinings(events_by_pile: Mapping[UUID, Sequence[Event]]) -> tuple[Joining, ...]:
    """Return every joining some piles' records speak of, by instant, each once.

    Parameters
    ----------
    events_by_pile
        By the pile on whose record they stand. An entry that names both ``with_pile_id`` and ``into_pile_id`` says that
        two piles were put together into a third; a merge that names nobody is fresh material of unknown origin and not
        told here.
    """
    found: dict[tuple[datetime, UUID, UUID], Joining] = {}
    for pile_id, events in events_by_pile.items():
        for event in of_kind(events, "merge", "split"):
            for parent_id, child_id in _moved(pile_id, event):
                kind: Literal["merge", "split"] = "merge" if event.kind == "merge" else "split"
                one = Joining(event.at, kind, parent_id, child_id, event.id)
                found.setdefault((event.at, parent_id, child_id), one)
    return tuple(found[key] for key in sorted(found))


def _moved(pile_id: UUID, event: Event) -> list[tuple[UUID, UUID]]:
    if event.kind == "split":
        halves = (UUID(str(one)) for one in event.details.get("into_pile_ids", ()))
        return [(pile_id, half) for half in halves if half != pile_id]
    into, other = event.identity("into_pile_id"), event.identity("with_pile_id")
    if into is None:
        return [] if other is None or other == pile_id else [(other, pile_id)]
    return [(one, into) for one in (pile_id, other) if one is not None and one != into]


def stood_alone(
    events: Sequence[Event],
    first_at: datetime,
    *,
    is_half: bool,
    built_at: datetime | None,
    first_probe_at: datetime | None,
) -> bool:
    """Say whether a pile was there before anything came into it from another, or was fed with more than that.

    Parameters
    ----------
    events
        Of the pile, without the merges that tell of other piles.
    first_at
        When material first came from another; aware.
    is_half
        Whether that was by a split. Then neither of the following proves anything: people give a half the build of the
        whole, and a probe may have been recorded a minute early.
    built_at, first_probe_at
        Its build, and when the first probe was put into it.
    """
    if any(at <= first_at for at in fresh_material(events)):
        return True
    return not is_half and any(at is not None and at < first_at for at in (built_at, first_probe_at))


def set_aside_since(
    events: Sequence[Event],
    purpose: Literal["curing", "storage"],
    parts: Sequence[tuple[datetime, datetime | None]] = (),
    *,
    own: bool = True,
) -> datetime | None:
    """Return since when all of a pile's material has been set aside; None while some of it has not.

    Parameters
    ----------
    events
        Of the pile, without the merges that ``parts`` stand for.
    purpose
        To cure, or to be stored.
    parts
        For each pile whose material is in it: when it came, and since when it had been set aside by then.
    own
        Whether the pile is more than those parts.
    """
    fresh = fresh_material(events)
    moves = [
        event.at
        for event in of_kind(events, "move")
        if event.details.get("purpose") == purpose and not (fresh and event.at < fresh[-1])
    ]
    found = [next(iter(moves), None)] if own or not parts else []
    for came_at, before in parts:
        kept = before is not None and not any(at >= came_at for at in fresh)
        found.append(before if kept else next((at for at in moves if at >= came_at), None))
    known = [at for at in found if at is not None]
    return max(known) if len(known) == len(found) else None
