"""What happened to a pile, with its corrections folded in: everything else about a pile follows from this."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final
from uuid import UUID

from service.domain.errors import Invalid

CLOCK_TOLERANCE: Final = timedelta(minutes=10)
"""A clock that runs fast may put a record this far ahead; it was taken in, so it counts already."""

_OF_EVERY_EVENT: Final = frozenset({"kind", "at", "crew", "note"})


@dataclass(frozen=True)
class Event:
    """One entry of a pile's record.

    Attributes
    ----------
    id
        Of the entry; after folding, of the original entry.
    kind
        ``load``, ``water``, ``cover``, ``turn``, ``move``, ``merge``, ``split``, ``observe``, ``sample``,
        ``screen``, ``release``, ``close`` or ``correct``.
    at
        When it happened; aware.
    recorded_at
        When the statement in force was written down; aware.
    details
        What is particular to the kind, in JSON values; a key that is not there is unknown.
    crew, note
        As recorded.
    corrects
        For a ``correct``: the original entry. Its details are ``reason`` and ``replacement``: null withdraws
        the original, a mapping with ``kind``, ``at`` and the details of that kind says what holds instead.
    corrected_by
        After folding: the correction this entry now stands on; None for an entry nobody corrected.
    """

    id: UUID
    kind: str
    at: datetime
    recorded_at: datetime
    details: Mapping[str, Any]
    crew: str | None = None
    note: str | None = None
    corrects: UUID | None = None
    corrected_by: UUID | None = None

    def number(self, key: str) -> float | None:
        """Return a figure of the details, None when it was not told."""
        value = self.details.get(key)
        return float(value) if isinstance(value, (int, float)) and not isinstance(value, bool) else None

    def identity(self, key: str) -> UUID | None:
        """Return an id of the details, None when it was not told."""
        value = self.details.get(key)
        return value if value is None or isinstance(value, UUID) else UUID(str(value))


def in_force(events: Iterable[Event]) -> tuple[Event, ...]:
    """Fold corrections into the entries they name.

    Parameters
    ----------
    events
        Entries as recorded, corrections among them, in any order; an entry given twice counts once. What was
        folded before may be folded again.

    Returns
    -------
    tuple[Event, ...]
        What holds now, by ``(at, id)``, without ``correct`` entries. Of several corrections of one original the
        newest by ``(recorded_at, id)`` holds. A correction of a correction, or of an entry that is not here,
        changes nothing. Crew and note stay with the original when the replacement names none.

    Raises
    ------
    Invalid
        If a replacement carries a time that cannot be read, or one without an offset.
    """
    originals: dict[UUID, Event] = {}
    newest: dict[UUID, Event] = {}
    for event in events:
        if event.kind != "correct":
            originals[event.id] = event
        elif event.corrects is not None:
            standing = newest.get(event.corrects)
            if standing is None or _recorded(event) > _recorded(standing):
                newest[event.corrects] = event
    holding = (_folded(original, newest.get(key)) for key, original in originals.items())
    return tuple(sorted((event for event in holding if event is not None), key=_happened))


def up_to(events: Iterable[Event], now: datetime) -> tuple[Event, ...]:
    """Fold corrections and leave out what has not happened by ``now``, give or take ``CLOCK_TOLERANCE``."""
    return tuple(event for event in in_force(events) if event.at <= now + CLOCK_TOLERANCE)


def of_kind(events: Sequence[Event], *kinds: str) -> tuple[Event, ...]:
    """Return the entries of these kinds, in the order given."""
    return tuple(event for event in events if event.kind in kinds)


def _recorded(event: Event) -> tuple[datetime, UUID]:
    return event.recorded_at, event.id


def _happened(event: Event) -> tuple[datetime, UUID]:
    return event.at, event.id


def _folded(original: Event, correction: Event | None) -> Event | None:
    if correction is None:
        return original
    instead = correction.details.get("replacement")
    if instead is None:
        return None
    return replace(
        original,
        kind=instead.get("kind", original.kind),
        at=_instant(instead.get("at", original.at), correction.id),
        recorded_at=correction.recorded_at,
        details={key: value for key, value in instead.items() if key not in _OF_EVERY_EVENT},
        crew=instead.get("crew", original.crew),
        note=instead.get("note", original.note),
        corrected_by=correction.id,
    )


def _instant(told: datetime | str, correction_id: UUID) -> datetime:
    try:
        at = datetime.fromisoformat(told) if isinstance(told, str) else told
    except ValueError:
        at = None
    if at is None or at.tzinfo is None:
        raise Invalid.field(
            "/replacement/at",
            f"{told} in correction {correction_id} is no time with an offset; write it as 2026-05-04T09:00:00Z",
        )
    return at
