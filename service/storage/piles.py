"""Piles, their events and verdicts, listed and loaded."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import text
from sqlmodel import Session, col, select

from service.domain.authority import Caller
from service.domain.piles import Event
from service.domain.quantities import Quantity
from service.storage.probes import Stay, stays_in
from service.storage.readings import Plain
from service.storage.records import Page, make_cursor, page, read_cursor
from service.storage.stretches import Stretch, stretch
from service.storage.tables import BayRow, PileEventRow, PileRow, RecipeRow, SiteRow, VerdictRow


def piles_page(
    session: Session, caller: Caller, site_id: UUID | None, *, limit: int, after: str | None
) -> Page[PileRow]:
    """Return the piles a key may see, of one site if asked."""
    statement = select(PileRow).where(col(PileRow.organisation_id) == caller.organisation_id)
    for wanted in (caller.site_id, site_id):
        if wanted is not None:
            statement = statement.where(col(PileRow.site_id) == wanted)
    return page(session, statement, [col(PileRow.id)], limit=limit, after=after)


def events_page(
    session: Session, organisation_id: int, pile_id: UUID, *, limit: int, after: str | None
) -> Page[PileEventRow]:
    """Return what happened to a pile, in the order it was recorded."""
    statement = select(PileEventRow).where(
        col(PileEventRow.organisation_id) == organisation_id, col(PileEventRow.pile_id) == pile_id
    )
    return page(session, statement, [col(PileEventRow.id)], limit=limit, after=after)


def verdicts_page(
    session: Session, organisation_id: int, pile_id: UUID, *, limit: int, after: str | None
) -> Page[VerdictRow]:
    """Return the verdicts issued on a pile, oldest first."""
    statement = select(VerdictRow).where(
        col(VerdictRow.organisation_id) == organisation_id, col(VerdictRow.pile_id) == pile_id
    )
    return page(session, statement, [col(VerdictRow.id)], limit=limit, after=after)


def events_of(session: Session, organisation_id: int, pile_id: UUID) -> list[Event]:
    """Return every event of a pile as the domain's."""
    rows = session.exec(
        select(PileEventRow).where(
            col(PileEventRow.organisation_id) == organisation_id, col(PileEventRow.pile_id) == pile_id
        )
    ).all()
    return [
        Event(
            id=row.id,
            kind=row.kind,
            at=row.at,
            recorded_at=row.recorded_at,
            details=row.details,
            crew=row.crew,
            note=row.note,
            corrects=row.corrects,
        )
        for row in rows
    ]


@dataclass(frozen=True)
class Occupied:
    """One probe's stay in a pile and its temperature readings there."""

    stay: Stay
    readings: Stretch


@dataclass(frozen=True)
class Loaded:
    """A pile with all that judging it needs, read in one transaction."""

    pile: PileRow
    site: SiteRow
    bay: BayRow | None
    recipe: RecipeRow | None
    events: Sequence[Event]
    occupied: Sequence[Occupied]


def load(session: Session, pile: PileRow, *, readings: bool = True) -> Loaded:
    """Load a pile's site, bay, recipe and events, and its temperature readings unless not wanted."""
    organisation_id = pile.organisation_id
    plain: Plain = session.connection().connection.driver_connection  # type: ignore[assignment]
    occupied = [
        Occupied(
            stay,
            stretch(
                plain,
                organisation_id,
                stay.number,
                Quantity.TEMPERATURE,
                since=stay.since,
                until=stay.until,
            ),
        )
        for stay in (stays_in(session, organisation_id, pile.id) if readings else ())
    ]
    return Loaded(
        pile=pile,
        site=session.get_one(SiteRow, (organisation_id, pile.site_id)),
        bay=None if pile.bay_id is None else session.get_one(BayRow, (organisation_id, pile.bay_id)),
        recipe=None
        if pile.recipe_id is None
        else session.get_one(RecipeRow, (organisation_id, pile.recipe_id)),
        events=events_of(session, organisation_id, pile.id),
        occupied=occupied,
    )


@dataclass(frozen=True)
class PileReading:
    """One reading of a pile as recorded."""

    probe: str
    position: str
    depth_cm: float | None
    observed_at: datetime
    quantity: int
    value: float
    unit: int
    flag: int


_READINGS = text("""
select p.serial, s.position, s.depth_cm, r.observed_at, r.quantity, r.value, r.unit, r.flag, r.probe
from placement s
join probe p on p.organisation_id = s.organisation_id and p.id = s.probe_id
join reading r on r.organisation_id = s.organisation_id and r.probe = p.number
  and r.observed_at >= s.since and r.observed_at < coalesce(s.until, 'infinity')
where s.organisation_id = :organisation_id and s.pile_id = :pile_id and r.organisation_id = :organisation_id
  and r.quantity = :quantity and r.observed_at >= :since and r.observed_at < :until
  and (cast(:position as text) is null or s.position = :position)
  and (r.observed_at, r.probe) > (:last_at, :last_probe)
order by r.observed_at, r.probe
limit :most
""")


def readings_page(
    session: Session,
    organisation_id: int,
    pile_id: UUID,
    *,
    quantity: Quantity,
    position: str | None,
    since: datetime,
    until: datetime,
    limit: int,
    after: str | None,
) -> tuple[list[PileReading], str | None]:
    """Return readings taken while their probe sat in the pile, in order of time, and the next cursor."""
    last_at: Any = datetime(1969, 1, 1, tzinfo=UTC)
    last_probe: Any = 0
    if after is not None:
        last_at, last_probe = read_cursor(after, [datetime, int])
    rows = session.execute(
        _READINGS,
        {
            "organisation_id": organisation_id,
            "pile_id": pile_id,
            "quantity": int(quantity),
            "position": position,
            # The cursor's instant is a bound too, so that months before it are not opened.
            "since": max(since, last_at),
            "until": until,
            "last_at": last_at,
            "last_probe": last_probe,
            "most": limit + 1,
        },
    ).all()
    items = [PileReading(*row[:8]) for row in rows[:limit]]
    more = len(rows) > limit
    return items, make_cursor([rows[limit - 1][3], rows[limit - 1][8]]) if more else None
