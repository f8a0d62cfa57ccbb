"""What a crew says of an item it has done: recorded once, whoever says it how often."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Conflict, NotFound
from service.domain.piles import in_force
from service.domain.quantities import Unit
from service.domain.today import Done, Item, Task, read_id, task_named
from service.operations import piles
from service.operations.hand_readings import keep_hand_reading
from service.operations.piles import Happening
from service.operations.sites import site_of
from service.operations.today_told import BESIDE, Told, happenings, heat_words, must_fit, words_of
from service.storage import today as stored
from service.storage.handover import TICKED_OFF
from service.storage.piles import events_of
from service.storage.records import find
from service.storage.schedules import local_date
from service.storage.tables import PileEventRow, PileRow, PlanTaskRow, SiteRow

KEPT_DAYS: Final = 31
"""How long after its day an item made for one may be told of; a phone may have been offline."""


@dataclass(frozen=True)
class Completed:
    """An item as it was done, the entry that says so, and what the crew should know of it."""

    item: Item
    event: PileEventRow
    notes: Sequence[str]


@dataclass(frozen=True)
class _Wanted:
    """An item that somebody says was done."""

    id: str
    task: Task
    site: SiteRow
    pile: PileRow | None
    label: str
    row: PlanTaskRow | None


def complete(
    session: Session, caller: Caller, site_id: UUID, item_id: str, told: Told, *, now: datetime
) -> Completed:
    """Record that an item was done; told again in the same words nothing is added.

    Raises
    ------
    NotFound
        The site has no such item.
    Invalid
        It was not done yet, or something told does not belong to this task.
    Conflict
        It is on record as done, in other words.
    """
    wanted = _wanted(session, caller, site_id, item_id, now)
    must_fit(wanted.task, told)
    pile, notes = _pile(session, caller, wanted)
    happened = happenings(wanted.id, wanted.task, told, _move(session, wanted))
    event = _on_record(session, wanted, pile, happened)
    if event is None:
        rows = [piles.record_event(session, caller, pile.id, one, now=now) for one in happened]
        event = rows[0]
        notes += _follow(session, caller, wanted, pile, told, event, now)
    done = Done(event.at, event.crew, event.id)
    item = replace(named_item(session, caller, site_id, item_id, now=now), done=done)
    return Completed(item, event, [*heat_words(told.celsius), *notes])


def named_item(session: Session, caller: Caller, site_id: UUID, item_id: str, *, now: datetime) -> Item:
    """Return an item by its id alone, whether anything still asks for it or not.

    Raises
    ------
    NotFound
        The site has no such item.
    """
    wanted = _wanted(session, caller, site_id, item_id, now)
    row, pile = wanted.row, wanted.pile
    if row is not None:
        pile = _planned_pile(session, wanted.site, row)
    return Item(
        id=wanted.id,
        task=wanted.task,
        pile_id=None if pile is None else pile.id,
        pile=wanted.label,
        bay=None if row is None else row.bay,
        to_bay=None if row is None else row.to_bay,
        why=("It was asked for on this day.",) if row is None else (row.reason,),
        minutes=None if row is None else row.minutes,
        urgency="planned",
        due=None if row is None else row.on_date,
    )


def _planned_pile(session: Session, site: SiteRow, row: PlanTaskRow) -> PileRow | None:
    """Return the pile of a planned task; before it is on record its label is all there is."""
    if row.pile_id is None:
        return stored.pile_named(session, site.organisation_id, site.id, row.pile)
    return find(session, PileRow, site.organisation_id, row.pile_id)


def _wanted(session: Session, caller: Caller, site_id: UUID, item_id: str, now: datetime) -> _Wanted:
    site = site_of(session, caller, site_id)
    unknown = NotFound("no item with this id on the list of this site; GET /v1/sites/{id}/today lists them")
    read = read_id(item_id)
    if read is not None:
        on, task, pile_id = read
        today = local_date(now, ZoneInfo(site.time_zone))
        try:
            pile = piles.pile_of(session, caller, pile_id)
        except NotFound:
            raise unknown from None
        if pile.site_id != site.id or not timedelta(0) <= today - on <= timedelta(KEPT_DAYS):
            raise unknown
        return _Wanted(item_id, task, site, pile, pile.label, None)
    try:
        task_id = UUID(item_id)
    except ValueError:
        raise unknown from None
    row = stored.planned_task(session, caller.organisation_id, site.id, task_id)
    if row is None:
        raise unknown
    return _Wanted(str(row.id), task_named(row.task), site, None, row.pile, row)


def _pile(session: Session, caller: Caller, wanted: _Wanted) -> tuple[PileRow, list[str]]:
    """Return the pile of an item, locked; a pile that was only planned comes on record with its build."""
    row = wanted.row
    known = wanted.pile if row is None else _planned_pile(session, wanted.site, row)
    if known is not None:
        return piles.pile_of(session, caller, known.id, lock=True), []
    if wanted.task != "build" or row is None:
        raise Conflict(
            f"pile {wanted.label} is not on record yet; say first that it was built, or register it"
        )
    bays = stored.bays_at(session, caller.organisation_id, wanted.site.id)
    bay = next((one for one in bays if one.label == row.bay), None)
    made = piles.create_pile(
        session,
        caller,
        {"site_id": wanted.site.id, "label": row.pile, "bay_id": None if bay is None else bay.id},
    )
    words = f"Pile {row.pile} is on record now; give it its recipe, rules and turning pattern."
    return piles.pile_of(session, caller, made.id, lock=True), [words]


def _on_record(
    session: Session, wanted: _Wanted, pile: PileRow, happened: Sequence[Happening]
) -> PileEventRow | None:
    """Return the entry that has the item done already, if there is one in the same words.

    Raises
    ------
    Conflict
        It is on record in other words: what is new would be lost.
    """
    recorded = events_of(session, pile.organisation_id, pile.id)
    holding = {one.id for one in in_force(recorded)}
    own = [one for one in recorded if one.id in holding and one.details.get(TICKED_OFF) == wanted.id]
    row = wanted.row
    if not own and row is not None and row.state == "done" and row.event_id in holding:
        own = [one for one in recorded if one.id == row.event_id]
    if not own:
        return None
    beside = [one for one in recorded if one.id in holding and one.details.get(BESIDE) == wanted.id]
    first = min(own, key=lambda one: (one.recorded_at, one.id))
    if words_of(first, *beside) != words_of(*happened):
        by = f" by {first.crew}" if first.crew else ""
        at = first.at.astimezone(ZoneInfo(wanted.site.time_zone))
        raise Conflict(
            f"it is on record as done{by} at {at:%H:%M on %d %B}, in other words; to change that, correct event"
            f" {first.id}, or add what you saw as an observation"
        )
    return find(session, PileEventRow, pile.organisation_id, first.id)


def _follow(
    session: Session,
    caller: Caller,
    wanted: _Wanted,
    pile: PileRow,
    told: Told,
    event: PileEventRow,
    now: datetime,
) -> list[str]:
    """Let the plan, the pile's build and its readings follow what was done."""
    row, notes = wanted.row, []
    if row is not None and row.state != "done":
        # The crew has named the task; matched by its date alone it may lie too far off.
        row.state, row.done_at, row.event_id, row.pile_id = "done", event.at, event.id, pile.id
        session.flush()
    if wanted.task == "build" and (pile.built_at is None or pile.built_at > now):
        piles.change_pile(session, caller, pile.id, pile.version, {"built_at": told.at})
    value = told.temperature_c if told.temperature_f is None else told.temperature_f
    if value is not None:
        unit = Unit.CEL if told.temperature_f is None else Unit.DEG_F
        notes.append(
            keep_hand_reading(session, caller, pile, told.position, value, unit, at=told.at, now=now)
        )
    return notes


def _move(session: Session, wanted: _Wanted) -> dict[str, str] | None:
    """Return the details of a pile's move to another bay, None if it stays."""
    row = wanted.row
    if row is None or row.to_bay in {None, row.bay}:
        return {} if wanted.task == "move" else None
    bays = stored.bays_at(session, wanted.site.organisation_id, wanted.site.id)
    bay = next((one for one in bays if one.label == row.to_bay), None)
    purpose = {"purpose": "turning"} if row.task == "turn" else {}
    return purpose | ({} if bay is None else {"bay_id": str(bay.id)})
