"""Piles, their events and verdicts, listed and loaded."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlalchemy import text
from sqlmodel import Session, col, select

from service.domain.authority import Caller
from service.domain.compliance import RULES, Rule
from service.domain.piles import Event
from service.domain.quantities import Quantity
from service.domain.readings.corrected import Corrected
from service.domain.readings.quality import ReadSeries
from service.storage import rules
from service.storage.corrections import microseconds
from service.storage.probes import Stay, stays_in
from service.storage.records import Page, page
from service.storage.stretches import air_over, air_probe, entries_by_probe, plain_of, said_in, span_us
from service.storage.tables import BayRow, PileEventRow, PileRow, RecipeRow, SiteRow, VerdictRow

_NOW: Final = text("select now()")
_AHEAD_US: Final = 86_400_000_000


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
    return events_by_pile(session, organisation_id, [pile_id]).get(pile_id, [])


def events_by_pile(
    session: Session, organisation_id: int, pile_ids: Iterable[UUID]
) -> dict[UUID, list[Event]]:
    """Return every event of each of some piles as the domain's; piles without any are left out."""
    rows = session.exec(
        select(PileEventRow).where(
            col(PileEventRow.organisation_id) == organisation_id, col(PileEventRow.pile_id).in_(pile_ids)
        )
    ).all()
    found: dict[UUID, list[Event]] = {}
    for row in rows:
        found.setdefault(row.pile_id, []).append(
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
        )
    return found


@dataclass(frozen=True)
class Occupied:
    """One probe's stay in a pile and its temperatures there, corrections laid over."""

    stay: Stay
    readings: Corrected


@dataclass(frozen=True)
class Loaded:
    """A pile with all that judging it needs, read in one transaction.

    ``air`` is the air temperature at the site while the pile's probes spoke; None if nobody measures it. ``book`` has
    the rules its organisation may be judged by.
    """

    pile: PileRow
    site: SiteRow
    bay: BayRow | None
    recipe: RecipeRow | None
    events: Sequence[Event]
    occupied: Sequence[Occupied]
    air: ReadSeries | None = None
    book: Mapping[str, Rule] = field(default_factory=lambda: RULES)


def load(
    session: Session, pile: PileRow, *, readings: bool = True, known_at: datetime | None = None
) -> Loaded:
    """Load a pile's site, bay, recipe and events, and its temperature readings unless not wanted.

    Parameters
    ----------
    known_at
        Only what was on record by then: events, placements and corrections entered, readings that had come in. What
        a placement, the pile or its site said before it was changed is not kept, and is taken as it stands today.
    """
    organisation_id = pile.organisation_id
    occupied = _occupied(session, pile, known_at) if readings else []
    events = events_of(session, organisation_id, pile.id)
    if known_at is not None:
        events = [event for event in events if event.recorded_at <= known_at]
    return Loaded(
        pile=pile,
        site=session.get_one(SiteRow, (organisation_id, pile.site_id)),
        bay=None if pile.bay_id is None else session.get_one(BayRow, (organisation_id, pile.bay_id)),
        recipe=None
        if pile.recipe_id is None
        else session.get_one(RecipeRow, (organisation_id, pile.recipe_id)),
        events=events,
        occupied=occupied,
        air=_air_beside(session, pile, occupied, known_at),
        book=rules.book(session, organisation_id),
    )


def _occupied(session: Session, pile: PileRow, known_at: datetime | None) -> list[Occupied]:
    organisation_id = pile.organisation_id
    stays = stays_in(session, organisation_id, pile.id)
    if known_at is not None:
        stays = [stay for stay in stays if stay.recorded_at <= known_at]
    if not stays:
        return []
    entries = entries_by_probe(session, organisation_id, [stay.probe_id for stay in stays], known_at=known_at)
    plain = plain_of(session)
    # No reading lies ahead of the clock by more than minutes, and each month that comes costs to plan for.
    ahead_us = microseconds(session.execute(_NOW).scalar_one()) + _AHEAD_US
    found = []
    for stay in stays:
        since_us, until_us = span_us(stay.since, stay.until)
        _, laid = said_in(
            plain,
            organisation_id,
            stay.number,
            Quantity.TEMPERATURE,
            entries.get(stay.probe_id, ()),
            since_us=since_us,
            until_us=max(since_us, min(until_us, ahead_us)),
            known_at=known_at,
        )
        found.append(Occupied(stay, laid))
    return found


def _air_beside(
    session: Session, pile: PileRow, occupied: Sequence[Occupied], known_at: datetime | None
) -> ReadSeries | None:
    spoken = [one.readings.columns.observed_us for one in occupied if one.readings.columns.observed_us.size]
    if not spoken:
        return None
    since_us, until_us = min(int(at[0]) for at in spoken), max(int(at[-1]) for at in spoken)
    probe = air_probe(
        session,
        pile.organisation_id,
        pile.site_id,
        placed=[one.stay.number for one in occupied],
        since_us=since_us,
        until_us=until_us,
    )
    if probe is None:
        return None
    return air_over(
        plain_of(session),
        pile.organisation_id,
        probe,
        since_us=since_us,
        until_us=until_us,
        known_at=known_at,
    )
