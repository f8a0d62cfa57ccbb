"""Planned tasks follow the record: done when they were, missed when they were not, undone by a correction."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.schedules.handover import Planned, hand_over, is_missed
from service.storage import handover as stored
from service.storage.sites import zone_of
from service.storage.tables import PileRow


def follow_record(session: Session, pile: PileRow) -> None:
    """Bring a pile's planned tasks in step with what now holds of its record.

    Called in the transaction that adds to the record. Everything is matched again, so that a correction undoes what
    the entry it names did here; a task that is no longer done is planned until it is marked as missed. Calendars go on
    showing a done or missed task as it was planned: nothing is raised.
    """
    rows = stored.tasks_of_pile(session, pile)
    if not rows:
        return
    zone = zone_of(session, pile.organisation_id, pile.site_id)
    done = stored.done_of(session, pile.organisation_id, [pile], zone)[pile.id]
    planned = [Planned(row.id, row.task, row.on_date) for row in rows]
    matched = hand_over(planned, done).done
    for row in rows:
        act = matched.get(row.id)
        if act is not None:
            row.state, row.done_at, row.event_id = "done", act.at, act.event_id
        elif row.state == "done":
            row.state, row.done_at, row.event_id = "planned", None, None
        row.pile_id = pile.id
    session.flush()


def mark_missed(session: Session, organisation_id: int, *, now: datetime) -> int:
    """Mark an organisation's tasks that nobody did and that are too late to be done as themselves; return how many."""
    # No zone is a day ahead of tomorrow in UTC.
    marked = 0
    for row, time_zone in stored.overdue(session, organisation_id, before=now.date() + timedelta(1)):
        if is_missed(row.task, row.on_date, now.astimezone(ZoneInfo(time_zone)).date()):
            row.state = "missed"
            marked += 1
    session.flush()
    return marked
