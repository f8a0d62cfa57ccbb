"""What a record tells of an instant past, and which facts it only holds as they stand today."""

from collections.abc import Iterable, Sequence
from datetime import datetime

from sqlmodel import Session

from service.domain.piles import Event
from service.storage import rules
from service.storage.probes import Stay
from service.storage.tables import BayRow, PileRow, SiteRow


def built_at_then(pile: PileRow, events: Iterable[Event], known_at: datetime | None) -> datetime | None:
    """Return a pile's build as it was on record at an instant: each change of it left its trace among the events.

    Parameters
    ----------
    events
        All of the pile, those recorded later among them.
    """
    if known_at is None:
        return pile.built_at
    later = [event for event in events if event.recorded_at > known_at and "built_at_was" in event.details]
    first = min(later, key=lambda event: (event.recorded_at, event.id), default=None)
    if first is None:
        return pile.built_at
    was = first.details["built_at_was"]
    return None if was is None else datetime.fromisoformat(was)


def as_they_stand_today(
    session: Session,
    pile: PileRow,
    site: SiteRow,
    bay: BayRow | None,
    stays: Sequence[Stay],
    known_at: datetime,
) -> tuple[str, ...]:
    """Say in words which facts an answer of an instant past takes from today, for no history of them is kept.

    A record that was never changed says what it said then. When a changed one was changed is not on record, so each is
    named.
    """
    told = []
    if pile.created_at > known_at:
        told.append(
            f"pile {pile.label} was registered only at {pile.created_at.isoformat()}; its own facts are those of today"
        )
    elif pile.version > 1:
        told.append(
            f"pile {pile.label} was changed after it was registered: its bay, recipe, rules, pattern and size are"
            " taken as they stand today"
        )
    if site.version > 1:
        told.append(
            f"site {site.name} was changed after it was registered: its time zone and crew days are taken as they"
            " stand today"
        )
    if bay is not None and bay.version > 1:
        told.append(
            f"bay {bay.label} was changed after it was registered: its kind and volume are taken as they stand today"
        )
    told += [
        f"probe {stay.serial} at {stay.position} or its placement was changed after it was first recorded: place,"
        " depth, end and accuracy are taken as they stand today"
        for stay in stays
        if stay.was_changed
    ]
    late = set(rules.written_after(session, pile.organisation_id, known_at)) & set(pile.rules)
    told += [f"rule {rule} was first written later; its first version is used" for rule in sorted(late)]
    return tuple(dict.fromkeys(told))
