"""Calendars must learn of a task that was moved only because another was: its row says nothing of it otherwise."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from uuid import UUID

from sqlmodel import Session

from service.domain.calendars import Shown, shown
from service.storage.calendar_feeds import calendar_rows, calendar_task
from service.storage.site_calendars import calendar_of
from service.storage.tables import PlanTaskRow, SiteRow


@contextmanager
def calendars_follow(session: Session, site: SiteRow, *, now: datetime) -> Iterator[None]:
    """Raise the sequence of each task of which calendars show something else afterwards.

    The tasks of a day follow one another, each as long as its work divided by the people who come: what is done to one
    task, to the site's calendar, its zone or its name may shift others, whose rows nobody touched. A task whose
    sequence was raised meanwhile is left as it is.

    Parameters
    ----------
    site
        Locked, so that nobody else changes its plan meanwhile.
    """
    before = _faces(session, site, now)
    sequences = {row.id: row.sequence for row, _ in before.values()}
    yield
    session.flush()
    for task_id, (row, face) in _faces(session, site, now).items():
        was = before.get(task_id)
        if was is not None and was[1] != face and row.sequence == sequences[task_id]:
            row.sequence += 1
            row.changed_at = now
    session.flush()


def _faces(session: Session, site: SiteRow, now: datetime) -> dict[UUID, tuple[PlanTaskRow, Shown]]:
    rows = calendar_rows(session, site, now=now)
    if not rows:
        return {}
    tasks = [calendar_task(row) for row in rows]
    faces = shown(tasks, calendar_of(session, site), site.name, site.time_zone)
    return {row.id: (row, faces[row.id]) for row in rows}
