"""Work calendars of sites, day by day, and the public holidays to choose closures from."""

from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, Final
from uuid import UUID

from fastapi import APIRouter, Query, Response

from service.domain.calendars import (
    SiteCalendar,
    assumed_figures,
    crew_minutes,
    kept_calendar,
    offered,
)
from service.domain.errors import Invalid
from service.domain.schedules import weekday_of
from service.http.authority import CanRead, CanWrite, Database
from service.http.calendar_models import (
    CalendarCrewOut,
    CalendarDayOut,
    CalendarDaysOut,
    CalendarIn,
    CalendarOut,
    CountryPartOut,
    HolidaysOut,
    PublicHolidayOut,
)
from service.http.exchange import IfMatch, answer
from service.http.values import Day
from service.operations import site_calendars
from service.operations.sites import site_of
from service.storage.site_calendars import calendar_from, calendar_of, calendar_row

router = APIRouter(tags=["sites"])

_MOST_DAYS: Final = 800


@router.get("/sites/{site_id}/calendar", response_model=CalendarOut)
def get_calendar(site_id: UUID, caller: CanRead, database: Database, response: Response) -> object:
    """Return a site's work calendar; while none is recorded, what its work days stand for, under ETag "0"."""
    with database.begin(caller.organisation_id) as session:
        site = site_of(session, caller, site_id)
        row = calendar_row(session, caller.organisation_id, site_id)
        shown = _shown(site.time_zone, calendar_from(site, row))
    return answer(shown, response, 0 if row is None else row.version)


@router.put("/sites/{site_id}/calendar", response_model=CalendarOut)
def put_calendar(
    site_id: UUID,
    body: CalendarIn,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Record a site's work calendar in place of the one before; If-Match "0" for the first.

    The site's ``work_days`` become the weekdays of the ordinary week and its ``closures`` those of the calendar, and
    can no longer be changed apart from it.
    """
    caller.must_reach_site(site_id, "site")
    calendar = site_calendars.asked_calendar(body.model_dump(mode="json", by_alias=True))
    with database.begin(caller.organisation_id) as session:
        site, row = site_calendars.put_calendar(
            session, caller, site_id, version, calendar, now=datetime.now(UTC)
        )
        shown = _shown(site.time_zone, calendar_from(site, row))
    return answer(shown, response, row.version)


@router.get("/sites/{site_id}/calendar/days", response_model=CalendarDaysOut)
def get_calendar_days(
    site_id: UUID,
    since: Annotated[Day, Query(alias="from", description="The first local date.")],
    until: Annotated[Day, Query(alias="to", description="The local date after the last.")],
    caller: CanRead,
    database: Database,
) -> object:
    """Return who works when at a site, day by day, and why nobody does on the other days."""
    days = (until - since).days
    if not 0 < days <= _MOST_DAYS:
        raise Invalid.field("/to", f"{until} is {days} days after {since}; give 1 to {_MOST_DAYS} days")
    with database.begin(caller.organisation_id) as session:
        site = site_of(session, caller, site_id)
        calendar, time_zone = calendar_of(session, site), site.time_zone
    last = until - timedelta(1)
    minutes = crew_minutes(calendar, since, last)
    return {
        "time_zone": time_zone,
        "is_assumed": calendar.is_assumed,
        "items": [_day(calendar, since + timedelta(one), minutes) for one in range(days)],
        "minutes": sum(minutes.values()),
    }


@router.get("/holidays", response_model=HolidaysOut)
def get_holidays(
    caller: CanRead,  # noqa: ARG001 - the key is what is checked
    country: Annotated[str, Query(max_length=64, description="ISO 3166-1 code of two letters, such as PT.")],
    year: Annotated[int, Query(ge=1, le=9999)],
    subdivision: Annotated[
        str | None,
        Query(
            max_length=64,
            description="Second half of an ISO 3166-2 code, such as 11; the whole country if left out.",
        ),
    ] = None,
) -> object:
    """Offer the public holidays of a country or a part of it in a year, to choose closures from."""
    offer = offered(country, subdivision, year)
    return HolidaysOut(
        country=offer.country,
        subdivision=offer.subdivision,
        year=offer.year,
        source=offer.source,
        items=[PublicHolidayOut(date=one.on, name=one.name, name_en=one.name_en) for one in offer.days],
        subdivisions=[CountryPartOut(code=code, name=name) for code, name in offer.subdivisions.items()],
    )


def _shown(time_zone: str, calendar: SiteCalendar) -> CalendarOut:
    assumed: list[dict[str, Any]] = []
    if calendar.is_assumed:
        assumed = [{"figure": name, **_figure(name)} for name in assumed_figures()]
    return CalendarOut.model_validate(
        {
            "time_zone": time_zone,
            "is_assumed": calendar.is_assumed,
            "assumed": assumed,
            **kept_calendar(calendar),
        }
    )


def _figure(name: str) -> dict[str, Any]:
    figure = assumed_figures()[name]
    return {part: getattr(figure, part) for part in ("value", "low", "high", "source", "status", "note")}


def _day(calendar: SiteCalendar, on: date, minutes: dict[date, int]) -> CalendarDayOut:
    closure, season = calendar.closure_on(on), calendar.season_on(on)
    return CalendarDayOut.model_validate(
        {
            "date": on,
            "weekday": weekday_of(on),
            "state": "closed" if closure else "crew" if on in minutes else "no_crew",
            "minutes": minutes.get(on, 0),
            "crews": [CalendarCrewOut.model_validate(shift) for shift in calendar.crews_on(on)],
            "season": None if season is None else season.name,
            "is_extra": calendar.is_extra(on),
            "closed_because": None if closure is None else closure.reason,
            "holiday": None if closure is None or closure.holiday is None else vars(closure.holiday),
        }
    )
