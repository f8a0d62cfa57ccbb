"""What a caller can change of a site's work calendar."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.calendars import (
    SiteCalendar,
    chosen,
    kept_calendar,
    read_calendar,
    refuse_what_does_not_fit,
)
from service.domain.errors import FieldError, Invalid, StaleVersion
from service.operations.calendar_starts import calendars_follow
from service.operations.replanning import after_change
from service.operations.sites import site_of
from service.storage import records
from service.storage.site_calendars import calendar_row
from service.storage.tables import SiteCalendarRow, SiteRow


def asked_calendar(values: Mapping[str, Any]) -> SiteCalendar:
    """Return the calendar of a request, the public holidays it keeps turned into closures with their names.

    Raises
    ------
    Invalid
        A country, a part of it or a date is not among the public holidays, or is closed already.
    """
    calendar = read_calendar(values)
    choice = values.get("holidays")
    if choice is None:
        return calendar
    keep = [date.fromisoformat(on) for on in choice["keep"]]
    _must_be_new(keep, {closure.on for closure in calendar.closures})
    kept = chosen(choice["country"], choice.get("subdivision"), keep, at="/holidays")
    return replace(calendar, closures=(*calendar.closures, *kept))


def put_calendar(
    session: Session, caller: Caller, site_id: UUID, version: int, calendar: SiteCalendar, *, now: datetime
) -> tuple[SiteRow, SiteCalendarRow]:
    """Record a site's calendar in place of the one before, and bring the site's work days and closures in step.

    The site's ``work_days`` become the weekdays of the ordinary week, its ``closures`` those of the calendar; its
    version rises with them.

    Parameters
    ----------
    version
        Of the calendar as it was read; 0 while none is recorded.

    Raises
    ------
    Invalid
        It does not fit.
    StaleVersion
        Someone recorded another meanwhile.
    """
    site = site_of(session, caller, site_id, lock=True)
    refuse_what_does_not_fit(calendar, now.astimezone(ZoneInfo(site.time_zone)).date())
    with calendars_follow(session, site, now=now):
        row = _recorded(session, site, version, kept_calendar(calendar))
    in_step = {"work_days": list(calendar.work_days), "closures": sorted(one.on for one in calendar.closures)}
    records.change(session, site, site.version, in_step)
    after_change(session, caller.organisation_id, site_id, "the site's work calendar was changed", now=now)
    return site, row


def _recorded(session: Session, site: SiteRow, version: int, document: dict[str, Any]) -> SiteCalendarRow:
    row = calendar_row(session, site.organisation_id, site.id)
    if row is not None:
        return records.change(session, row, version, {"calendar": document})
    if version != 0:
        raise StaleVersion(f'If-Match names version {version} and no calendar is recorded yet; send "0"')
    return records.add(
        session,
        SiteCalendarRow(organisation_id=site.organisation_id, site_id=site.id, calendar=document),
    )


def _must_be_new(keep: Sequence[date], closed: set[date]) -> None:
    errors, seen = [], set(closed)
    for index, on in enumerate(keep):
        if on in seen:
            detail = f"{on} is closed already; leave it out here or among the closures"
            errors.append(FieldError(f"/holidays/keep/{index}", detail))
        seen.add(on)
    if errors:
        raise Invalid(*errors)
