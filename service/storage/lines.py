"""What a site's line is planned from, as it is on record: calendar, bays, piles and what happened to them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session, col, select

from service.domain.calendars import SiteCalendar
from service.domain.compliance import Rule
from service.domain.piles import Event, PileFacts, Stage, built_volume, current_bay, in_force, stage, turns
from service.storage import rules
from service.storage.pile_events import events_by_pile
from service.storage.site_calendars import calendar_of
from service.storage.tables import BayRow, PileRow, SiteRow


@dataclass(frozen=True)
class PileThere:
    """A pile of the site as a plan needs it.

    Attributes
    ----------
    bay
        The label of the bay it stands in; None when it stands in none.
    built_on, turned_on
        Local dates; ``built_on`` is None before the build.
    volume_m3
        As built; None when nobody told.
    """

    row: PileRow
    stage: Stage
    bay: str | None
    built_on: date | None
    turned_on: tuple[date, ...]
    volume_m3: float | None


@dataclass(frozen=True)
class LineFacts:
    """A site as a plan needs it; ``piles`` are all it ever had, by label."""

    site: SiteRow
    calendar: SiteCalendar
    bays: Sequence[BayRow]
    piles: Mapping[str, PileThere]
    book: Mapping[str, Rule]
    today: date

    @property
    def zone(self) -> ZoneInfo:
        """The site's zone."""
        return ZoneInfo(self.site.time_zone)


def line_facts(session: Session, organisation_id: int, site_id: UUID, *, now: datetime) -> LineFacts:
    """Load a site's line; readings are not looked at."""
    site = session.get_one(SiteRow, (organisation_id, site_id))
    zone = ZoneInfo(site.time_zone)
    bays = session.exec(
        select(BayRow)
        .where(col(BayRow.organisation_id) == organisation_id, col(BayRow.site_id) == site_id)
        .order_by(col(BayRow.label))
    ).all()
    rows = session.exec(
        select(PileRow)
        .where(col(PileRow.organisation_id) == organisation_id, col(PileRow.site_id) == site_id)
        .order_by(col(PileRow.id))
    ).all()
    events = events_by_pile(session, organisation_id, [row.id for row in rows])
    by_id = {bay.id: bay for bay in bays}
    return LineFacts(
        site=site,
        calendar=calendar_of(session, site),
        bays=bays,
        piles={row.label: _there(row, events.get(row.id, []), by_id, zone, now) for row in rows},
        book=rules.book(session, organisation_id),
        today=now.astimezone(zone).date(),
    )


def _there(
    row: PileRow, recorded: Sequence[Event], bays: Mapping[UUID, BayRow], zone: ZoneInfo, now: datetime
) -> PileThere:
    events = in_force(recorded)
    stands_in = current_bay(row.bay_id, events)
    first = None if row.bay_id is None else bays.get(row.bay_id)
    is_built = row.built_at is not None and row.built_at <= now
    told = built_volume(events, row.built_at)
    return PileThere(
        row=row,
        stage=stage(
            PileFacts(row.built_at, row.bay_id, None, row.design_volume_m3, tuple(recorded)), now=now
        ),
        bay=bays[stands_in].label if stands_in is not None and stands_in in bays else None,
        built_on=row.built_at.astimezone(zone).date() if is_built and row.built_at else None,
        turned_on=tuple(
            sorted(
                at.astimezone(zone).date()
                for at in turns(events)
                if row.built_at is not None and row.built_at <= at <= now
            )
        ),
        volume_m3=told.volume_m3
        if told is not None
        else row.design_volume_m3 or (None if first is None else first.volume_m3),
    )
