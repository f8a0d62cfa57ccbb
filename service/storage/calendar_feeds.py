"""Calendar feeds, and the planned tasks they show."""

from dataclasses import fields
from datetime import datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session, col, select

from service.domain.calendars import SHOWN_AHEAD_DAYS, SHOWN_BACK_DAYS, CalendarTask
from service.storage.plans import IN_FORCE, tasks_of
from service.storage.records import Page, page
from service.storage.tables import CalendarFeedRow, PlanTaskRow, SiteRow

_COLUMNS = [field.name for field in fields(CalendarTask)]


def feed_by_digest(session: Session, organisation_id: int, digest: bytes) -> CalendarFeedRow | None:
    """Return the feed with this secret's digest, live or not."""
    return session.exec(
        select(CalendarFeedRow).where(
            col(CalendarFeedRow.organisation_id) == organisation_id, col(CalendarFeedRow.digest) == digest
        )
    ).one_or_none()


def feeds_page(
    session: Session, organisation_id: int, site_id: UUID, *, limit: int, after: str | None
) -> Page[CalendarFeedRow]:
    """Return a site's feeds, oldest first."""
    statement = select(CalendarFeedRow).where(
        col(CalendarFeedRow.organisation_id) == organisation_id, col(CalendarFeedRow.site_id) == site_id
    )
    return page(session, statement, [col(CalendarFeedRow.id)], limit=limit, after=after)


def calendar_rows(
    session: Session, site: SiteRow, *, now: datetime, crew: str | None = None
) -> list[PlanTaskRow]:
    """Return the tasks that calendars of a site show, or those of one crew and of none, cancelled ones among them."""
    today = now.astimezone(ZoneInfo(site.time_zone)).date()
    since, until = today - timedelta(SHOWN_BACK_DAYS), today + timedelta(SHOWN_AHEAD_DAYS)
    states = IN_FORCE | {"cancelled"}
    return list(tasks_of(session, site.organisation_id, site.id, since, until, crew, states=states))


def calendar_task(row: PlanTaskRow) -> CalendarTask:
    """Return a task as calendars know it."""
    return CalendarTask(**{name: getattr(row, name) for name in _COLUMNS})
