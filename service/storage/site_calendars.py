"""A site's work calendar from its row, or what its work days and closures stand for while it has none."""

from datetime import date, timedelta
from typing import Final
from uuid import UUID

from sqlmodel import Session, col, select

from service.domain.calendars import SiteCalendar, assumed_calendar, read_calendar, work_calendar
from service.domain.schedules import WorkCalendar
from service.storage.tables import SiteCalendarRow, SiteRow

_BEFORE_DAYS: Final = 60
_AFTER_DAYS: Final = 600
"""The longest pattern turns for a year; its move and its screening wait up to sixty days for a crew each."""


def calendar_row(session: Session, organisation_id: int, site_id: UUID) -> SiteCalendarRow | None:
    """Return a site's recorded calendar; a change of it locks the site first."""
    statement = select(SiteCalendarRow).where(
        col(SiteCalendarRow.organisation_id) == organisation_id, col(SiteCalendarRow.site_id) == site_id
    )
    return session.exec(statement).one_or_none()


def calendar_of(session: Session, site: SiteRow) -> SiteCalendar:
    """Return a site's calendar: the recorded one, or its work days with hours and people that are assumed."""
    row = calendar_row(session, site.organisation_id, site.id)
    return calendar_from(site, row)


def calendar_from(site: SiteRow, row: SiteCalendarRow | None) -> SiteCalendar:
    """Return the calendar of a site and its row, if it has one."""
    if row is None:
        return assumed_calendar(site.work_days, site.closures, site.crews)
    return read_calendar(row.calendar)


def crew_days_of(calendar: SiteCalendar, built_on: date, today: date) -> WorkCalendar:
    """Return the crew days the plan of a pile may look at, from before its build to after its screening."""
    first = min(built_on, today) - timedelta(_BEFORE_DAYS)
    return work_calendar(calendar, first, max(built_on, today) + timedelta(_AFTER_DAYS))
