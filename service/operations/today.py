"""A site's day as it is on record, loaded in one transaction."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.calendars import SiteCalendar
from service.domain.calendars.calendar import CREW
from service.domain.errors import Invalid
from service.domain.piles import Event, closing, in_force
from service.operations.sites import site_of
from service.storage import today as stored
from service.storage.pile_events import events_by_pile
from service.storage.piles import Loaded, load
from service.storage.plans import tasks_of
from service.storage.schedules import local_date
from service.storage.site_calendars import calendar_of
from service.storage.tables import BayRow, PileRow, PlanTaskRow, SiteRow

_OVERDUE_DAYS: Final = 30
_EARLY_DAYS: Final = 8
_BACK_DAYS: Final = 31
_AHEAD_DAYS: Final = 92


@dataclass(frozen=True)
class AtPile:
    """What is on record of one pile for a day's list; ``row`` is None while it is only planned."""

    label: str
    row: PileRow | None
    loaded: Loaded | None
    events: Sequence[Event]
    tasks: Sequence[PlanTaskRow]
    has_plan: bool


@dataclass(frozen=True)
class Day:
    """A site's day as it is on record."""

    site: SiteRow
    zone: ZoneInfo
    on: date
    crew: str | None
    now: datetime
    calendar: SiteCalendar
    piles: Sequence[AtPile]
    bays: Mapping[UUID, BayRow]

    @property
    def is_today(self) -> bool:
        """Whether it is the present day at the site."""
        return self.on == local_date(self.now, self.zone)


def load_day(
    session: Session,
    caller: Caller,
    site_id: UUID,
    *,
    on: date | None,
    crew: str | None,
    now: datetime,
    only: UUID | str | None = None,
) -> Day:
    """Load what a day's list is made from.

    Parameters
    ----------
    on
        The local date at the site; the present one when None.
    crew
        Only its tasks and those that are no crew's.
    only
        One pile, by id or, while it is only planned, by label.

    Raises
    ------
    Invalid
        The date lies too far off, or nobody knows a crew of that name.
    """
    site = site_of(session, caller, site_id)
    zone = ZoneInfo(site.time_zone)
    today = local_date(now, zone)
    wanted = today if on is None else on
    _must_be_near(wanted, today)
    calendar = calendar_of(session, site)
    organisation_id = caller.organisation_id
    since, until = wanted - timedelta(_OVERDUE_DAYS), wanted + timedelta(_EARLY_DAYS)
    tasks = tasks_of(session, organisation_id, site_id, since, until)
    _must_be_known(crew, site, calendar, tasks)
    if crew is not None:
        tasks = [one for one in tasks if one.crew in {None, crew}]
    piles = [
        one
        for one in _piles(session, organisation_id, site_id, tasks)
        if only is None or only == one.label or (one.row is not None and one.row.id == only)
    ]
    if wanted >= today:
        piles = [_with_readings(session, one) for one in piles]
    bays = {one.id: one for one in stored.bays_at(session, organisation_id, site_id)}
    return Day(site, zone, wanted, crew, now, calendar, piles, bays)


def _must_be_near(wanted: date, today: date) -> None:
    if not -_BACK_DAYS <= (wanted - today).days <= _AHEAD_DAYS:
        raise Invalid.field(
            "/on",
            f"{wanted} lies too far off; give a date from {today - timedelta(_BACK_DAYS)} to"
            f" {today + timedelta(_AHEAD_DAYS)}",
        )


def crews_of(site: SiteRow, calendar: SiteCalendar) -> frozenset[str]:
    """Return the names of the crews a site knows."""
    weeks = (calendar.week, *(season.week for season in calendar.seasons))
    shifts = [shift for week in weeks for one in week.values() for shift in one]
    shifts += [one.shift for one in calendar.extra_days]
    return frozenset({*site.crews, *(shift.crew for shift in shifts)})


def _must_be_known(
    crew: str | None, site: SiteRow, calendar: SiteCalendar, tasks: Sequence[PlanTaskRow]
) -> None:
    known = crews_of(site, calendar) | {CREW} | {one.crew for one in tasks if one.crew is not None}
    if crew is not None and crew not in known:
        raise Invalid.field(
            "/crew", f"{crew} is no crew of this site; use one of {', '.join(sorted(known))}, or leave it out"
        )


def _piles(
    session: Session, organisation_id: int, site_id: UUID, tasks: Sequence[PlanTaskRow]
) -> Iterator[AtPile]:
    rows = stored.piles_at(session, organisation_id, site_id)
    labels = {one.label for one in rows}
    events = events_by_pile(session, organisation_id, [one.id for one in rows])
    planned = stored.planned_labels(session, organisation_id, site_id)
    for row in rows:
        # A pile that was planned before it was on record is known by its label.
        its = [
            one for one in tasks if row.id == one.pile_id or (one.pile_id is None and one.pile == row.label)
        ]
        yield AtPile(row.label, row, None, events.get(row.id, ()), its, bool(its) or row.label in planned)
    for label in sorted({one.pile for one in tasks if one.pile_id is None} - labels):
        yield AtPile(label, None, None, (), [one for one in tasks if one.pile == label], has_plan=True)


def _with_readings(session: Session, pile: AtPile) -> AtPile:
    if pile.row is None or closing(in_force(pile.events)) is not None:
        return pile
    return replace(pile, loaded=load(session, pile.row))
