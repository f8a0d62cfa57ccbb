"""Piles, their events and verdicts, listed and loaded."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Literal
from uuid import UUID

from sqlalchemy import text
from sqlmodel import Session, col, select

from service.domain.authority import Caller
from service.domain.calendars import SiteCalendar
from service.domain.compliance import RULES, Rule
from service.domain.piles import Event, Joining, bays_worked_in, fresh_material, in_force
from service.domain.quantities import Quantity
from service.domain.readings.corrected import Corrected
from service.domain.readings.quality import ReadSeries
from service.storage import calibrations, rules
from service.storage.as_of import as_they_stand_today, built_at_then
from service.storage.corrections import microseconds
from service.storage.lineages import joinings_of
from service.storage.pile_events import events_by_pile
from service.storage.probes import Stay, stays_in
from service.storage.records import Page, page
from service.storage.site_calendars import calendar_of
from service.storage.stretches import air_over, air_probe, entries_by_probe, plain_of, said_in, span_us
from service.storage.tables import (
    BayRow,
    CalibrationRow,
    PileEventRow,
    PileRow,
    RecipeRow,
    SiteRow,
)

_NOW: Final = text("select now()")
_AHEAD_US: Final = 86_400_000_000
MOST_BEFORE: Final = 60
"""Piles looked at to find what a pile's material was; one judgement follows at most 64 lines."""


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


def events_of(session: Session, organisation_id: int, pile_id: UUID) -> list[Event]:
    """Return every event of a pile as the domain's."""
    return events_by_pile(session, organisation_id, [pile_id]).get(pile_id, [])


@dataclass(frozen=True)
class Occupied:
    """One probe's stay in a pile and its temperatures there, corrections laid over."""

    stay: Stay
    readings: Corrected


@dataclass(frozen=True)
class Joined:
    """Material that came into a pile from another; ``loaded`` is that one up to then, None if it is not looked at."""

    at: datetime
    kind: Literal["merge", "split"]
    event_id: UUID
    loaded: "Loaded | None"


@dataclass(frozen=True)
class Loaded:
    """A pile with all that judging it needs, read in one transaction.

    Attributes
    ----------
    calendar
        When crews are at the site: as recorded, or what its work days stand for.
    air
        The air temperature at the site while the pile's probes spoke; None if nobody measures it.
    book
        The rules its organisation may be judged by.
    built_at
        Its build as it was known.
    worked_in
        The bays it stood in until it was set aside, None for a place nobody named.
    calibrations
        Of its probes, earliest first.
    joined
        What came into it from other piles, earliest first.
    given_at
        When it was put onto another, on whosever record that stands.
    caveats
        Facts that are taken as they stand today although the answer is of an instant past.
    """

    pile: PileRow
    site: SiteRow
    bay: BayRow | None
    recipe: RecipeRow | None
    events: Sequence[Event]
    occupied: Sequence[Occupied]
    calendar: SiteCalendar
    air: ReadSeries | None = None
    book: Mapping[str, Rule] = field(default_factory=lambda: RULES)
    built_at: datetime | None = None
    worked_in: Sequence[BayRow | None] = ()
    calibrations: Mapping[UUID, Sequence[CalibrationRow]] = field(default_factory=dict)
    joined: Sequence[Joined] = ()
    given_at: datetime | None = None
    caveats: Sequence[str] = ()


def load(
    session: Session, pile: PileRow, *, readings: bool = True, known_at: datetime | None = None
) -> Loaded:
    """Load a pile's site, bay, recipe and events, and its temperature readings unless not wanted.

    The piles its material was in before are loaded with it, each up to when it came, and theirs.

    Parameters
    ----------
    known_at
        Only what was on record by then: events, placements and corrections entered, calibrations, rules, readings that
        had come in. What a placement, the pile or its site said before it was changed is not kept, and is taken as it
        stands today; ``caveats`` names each.
    """
    return _Loading(session, pile.organisation_id, known_at, readings=readings).pile(pile)


class _Loading:
    """One loading of a pile with those before it."""

    def __init__(
        self, session: Session, organisation_id: int, known_at: datetime | None, *, readings: bool
    ) -> None:
        self._session = session
        self._organisation_id = organisation_id
        self._known_at = known_at
        self._readings = readings
        self._book = rules.book(session, organisation_id, known_at=known_at)
        self._left = MOST_BEFORE
        self._calendars: dict[UUID, SiteCalendar] = {}

    def pile(
        self, pile: PileRow, *, until: datetime | None = None, path: frozenset[UUID] = frozenset()
    ) -> Loaded:
        """Load a pile, up to an instant if given; ``path`` are those it came into at that very instant."""
        session, organisation_id, known_at = self._session, self._organisation_id, self._known_at
        recorded = events_of(session, organisation_id, pile.id)
        events = [one for one in recorded if known_at is None or one.recorded_at <= known_at]
        told = joinings_of(session, organisation_id, pile.id, events, known_at=known_at)
        if until is not None:
            events = [one for one in in_force(events) if one.at <= until]
        occupied = _occupied(session, pile, known_at, until) if self._readings else []
        site = session.get_one(SiteRow, (organisation_id, pile.site_id))
        calendar = self._calendars.get(site.id) or calendar_of(session, site)
        self._calendars[site.id] = calendar
        bay = self._bay(pile.bay_id)
        joined = self._joined(pile, told, until, path) if self._readings else []
        stays = [one.stay for one in occupied]
        caveats = () if known_at is None else as_they_stand_today(session, pile, site, bay, stays, known_at)
        return Loaded(
            pile=pile,
            site=site,
            bay=bay,
            recipe=None
            if pile.recipe_id is None
            else session.get_one(RecipeRow, (organisation_id, pile.recipe_id)),
            events=events,
            occupied=occupied,
            calendar=calendar,
            air=_air_beside(session, pile, occupied, known_at),
            book=self._book,
            built_at=built_at_then(pile, recorded, known_at),
            worked_in=[bay, *map(self._bay, bays_worked_in(in_force(events)))],
            calibrations=calibrations.by_probe(
                session, organisation_id, list({one.probe_id for one in stays}), known_at=known_at
            ),
            joined=joined,
            given_at=_given_at(pile.id, told, events),
            caveats=tuple(
                dict.fromkeys(
                    [*caveats, *(said for one in joined if one.loaded for said in one.loaded.caveats)]
                )
            ),
        )

    def _bay(self, bay_id: UUID | None) -> BayRow | None:
        return None if bay_id is None else self._session.get_one(BayRow, (self._organisation_id, bay_id))

    def _joined(
        self, pile: PileRow, told: Sequence[Joining], until: datetime | None, path: frozenset[UUID]
    ) -> list[Joined]:
        """Load what came into a pile.

        Each step back lies earlier, or at the same instant and in a pile not on the way here, so that there is an end.
        """
        found = []
        for one in told:
            if one.child_id != pile.id or (until is not None and one.at > until):
                continue
            here = (path if one.at == until else frozenset()) | {pile.id}
            if one.parent_id not in here:
                found.append(Joined(one.at, one.kind, one.event_id, self._parent(one, here)))
        return found

    def _parent(self, joining: Joining, path: frozenset[UUID]) -> Loaded | None:
        if self._left == 0:
            return None
        self._left -= 1
        pile = self._session.get(PileRow, (self._organisation_id, joining.parent_id))
        return None if pile is None else self.pile(pile, until=joining.at, path=path)


def _given_at(pile_id: UUID, told: Sequence[Joining], events: Sequence[Event]) -> datetime | None:
    """Return when a pile was put onto another and nothing came into it since."""
    came = [one.at for one in told if one.child_id == pile_id] + list(fresh_material(in_force(events)))
    left = [one.at for one in told if one.kind == "merge" and one.parent_id == pile_id]
    return next((at for at in left if not came or at > max(came)), None)


def _occupied(
    session: Session, pile: PileRow, known_at: datetime | None, until: datetime | None
) -> list[Occupied]:
    organisation_id = pile.organisation_id
    stays = [
        stay
        for stay in stays_in(session, organisation_id, pile.id)
        if (known_at is None or stay.recorded_at <= known_at) and (until is None or stay.since < until)
    ]
    if not stays:
        return []
    entries = entries_by_probe(session, organisation_id, [stay.probe_id for stay in stays], known_at=known_at)
    plain = plain_of(session)
    # No reading lies ahead of the clock by more than minutes, and each month that comes costs to plan for.
    ahead_us = microseconds(session.execute(_NOW).scalar_one()) + _AHEAD_US
    if until is not None:
        ahead_us = min(ahead_us, microseconds(until) + 1)
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
        known_at=known_at,
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
