"""A crew's day worked out from what is on record; nothing is read or written here."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Final
from uuid import UUID

from service.domain.errors import Invalid
from service.domain.lines.request import Work
from service.domain.piles import Event, closing, in_force
from service.domain.schedules import local_instant
from service.domain.schedules.work_days import WORK_STARTS, spoken
from service.domain.today import (
    Done,
    Due,
    Fit,
    Item,
    PileToday,
    Sign,
    Stake,
    Task,
    fit,
    in_order,
    items_of,
    made_id,
    read_id,
    task_named,
)
from service.operations.standing import Standing, standing
from service.operations.today import AtPile, Day
from service.operations.today_told import hand_heat
from service.storage.handover import TICKED_OFF
from service.storage.piles import Loaded
from service.storage.schedules import local_date, plan_of
from service.storage.site_calendars import crew_days_of
from service.storage.tables import PileRow, PlanTaskRow

_NEXT_WITHIN_DAYS: Final = 60
_WORK: Final = Work()
_KIND: Final[Mapping[str, str]] = {"turn": "turn", "move": "move", "screen": "screen", "check": "observe"}
_TURNED_STAGES: Final = frozenset({"planned", "filling", "hot"})


@dataclass(frozen=True)
class TodayList:
    """A crew's day: what to do in order, whether it fits, and what could not be worked out."""

    day: Day
    items: Sequence[Item]
    fit: Fit
    next_crew_day: date | None
    notes: Sequence[str]
    rows: Mapping[UUID, PileRow] = field(default_factory=dict)


def today_list(day: Day) -> TodayList:
    """Work out a crew's day; nothing is written."""
    crew_days = crew_days_of(day.calendar, day.on, day.on)
    following = crew_days.next_crew_day(day.on + timedelta(1), within_days=_NEXT_WITHIN_DAYS)
    next_visit = None if following is None else local_instant(day.site.time_zone, following, WORK_STARTS)
    items: list[Item] = []
    notes: list[str] = []
    for one in day.piles:
        try:
            items += _items_at(one, day, next_visit)
        except Invalid as error:
            notes.append(f"{one.label}: {error}")
    if not day.is_today:
        notes.append("What piles show is known for today only; this is what is planned.")
    ordered = in_order(items)
    rows = {one.row.id: one.row for one in day.piles if one.row is not None}
    return TodayList(
        day,
        ordered,
        fit(ordered, _crew_minutes(day), on=day.on, next_crew_day=following),
        following,
        notes,
        rows,
    )


def _crew_minutes(day: Day) -> int:
    shifts = day.calendar.crews_on(day.on)
    # A calendar that is assumed does not know which of several crews comes.
    is_any = day.crew is None or day.calendar.is_assumed
    return sum(one.minutes for one in shifts if is_any or one.crew == day.crew)


def _items_at(pile: AtPile, day: Day, next_visit: datetime | None) -> list[Item]:
    events = in_force(pile.events)
    found = None if pile.loaded is None else standing(pile.loaded, now=day.now)
    shown = found if day.is_today else None
    made, ticked = _done_by_item(pile, events)
    due = list(_planned(pile, day, events, found, ticked))
    if found is not None and pile.loaded is not None and not pile.has_plan:
        due += _own(pile.loaded, day, found, events, made)
    told = PileToday(
        pile_id=None if pile.row is None else pile.row.id,
        label=pile.label,
        bay=_bay(pile, day, found),
        hottest_c=None
        if found is None or found.status.hottest is None
        else found.status.hottest.temperature_c,
        age_days=None if found is None else found.status.age_days,
        due=tuple(due),
        signs=() if shown is None else tuple(_signs(shown, events, day.now)),
        stakes=() if shown is None or pile.loaded is None else tuple(_stakes(shown, pile.loaded)),
    )
    of_day = {key: one for key, one in made.items() if key.startswith(f"{day.on.isoformat()}.")}
    minutes = minutes_of(pile.loaded, found)
    due_ids = {one.id for one in due}
    return items_of(
        told,
        day.on,
        next_visit=next_visit,
        minutes=minutes,
        done={key: one for key, one in of_day.items() if key not in due_ids},
    )


def _bay(pile: AtPile, day: Day, found: Standing | None) -> str | None:
    bay_id = found.status.bay_id if found is not None else None if pile.row is None else pile.row.bay_id
    return None if bay_id is None or bay_id not in day.bays else day.bays[bay_id].label


def _signs(found: Standing, events: Sequence[Event], now: datetime) -> Iterator[Sign]:
    for one in found.status.warnings:
        yield Sign(one.code, one.severity, one.text, one.remedy, one.position)
    # What a crew read by hand counts for no rule, and burns as well.
    by_hand = hand_heat(events, now)
    if by_hand is not None and by_hand.code not in {one.code for one in found.status.warnings}:
        yield by_hand


def _stakes(found: Standing, loaded: Loaded) -> Iterator[Stake]:
    for rule, verdict in found.verdicts.items():
        if verdict.state != "met":
            for one in verdict.at_risk:
                yield Stake(loaded.book[rule].title, one.what, one.at, one.detail, one.position)


def minutes_of(loaded: Loaded | None, found: Standing | None) -> dict[Task, int]:
    """Return how long tasks take that no plan has, from the pile's volume [person-min]; others keep the practice's."""
    volume_m3 = None
    if found is not None and (known := found.status.volume or found.status.built_volume) is not None:
        volume_m3 = known.volume_m3
    if volume_m3 is None and loaded is not None:
        volume_m3 = loaded.pile.design_volume_m3 or (None if loaded.bay is None else loaded.bay.volume_m3)
    minutes: dict[Task, int] = {"check": _WORK.check_min}
    if volume_m3 is not None:
        turn = math.ceil(60 * volume_m3 / _WORK.turn_m3_per_person_h)
        minutes |= {"turn": turn, "move": turn, "cool": turn, "mend": turn}
        minutes["build"] = math.ceil(60 * volume_m3 / _WORK.build_m3_per_person_h)
        minutes["screen"] = math.ceil(60 * volume_m3 / _WORK.screen_m3_per_person_h)
    return minutes


def _done_by_item(pile: AtPile, events: Sequence[Event]) -> tuple[dict[str, Done], dict[str, Done]]:
    """Return what was done of items made for this pile, and of planned ones, by item; withdrawn entries are left out.

    An entry that was corrected stays the completion of its item: the first entry says of which.
    """
    holding = {one.id: one for one in events}
    made, planned = {}, {}
    for one in sorted(pile.events, key=lambda event: (event.recorded_at, event.id)):
        item_id = one.details.get(TICKED_OFF)
        if item_id is None or one.id not in holding:
            continue
        now = holding[one.id]
        done = Done(now.at, now.crew, now.id)
        read = read_id(str(item_id))
        if read is None:
            planned[str(item_id)] = done
        elif pile.row is not None and read[2] == pile.row.id:
            made[str(item_id)] = done
    return made, planned


def _planned(
    pile: AtPile, day: Day, events: Sequence[Event], found: Standing | None, ticked: Mapping[str, Done]
) -> Iterator[Due]:
    """Yield the planned tasks of a day: its own, those overdue, and those done on it."""
    taken = {one.event_id for one in pile.tasks} | {one.event_id for one in ticked.values()}
    stage = None if found is None else found.status.stage
    is_closed = pile.row is not None and closing(events) is not None
    for row in pile.tasks:
        done = ticked.get(str(row.id)) or _done_of(row, pile, day, events, taken)
        if done is not None and done.event_id is not None:
            taken.add(done.event_id)
        if done is None:
            moot = is_closed or _is_overtaken(row, day, events)
            moot = moot or (row.task == "turn" and stage is not None and stage not in _TURNED_STAGES)
            if moot or row.on_date > day.on:
                continue
        elif day.on not in {local_date(done.at, day.zone), row.on_date}:
            continue
        yield Due(
            str(row.id), task_named(row.task), row.on_date, row.minutes, row.reason, row.bay, row.to_bay, done
        )


def _is_overtaken(row: PlanTaskRow, day: Day, events: Sequence[Event]) -> bool:
    """Return whether the like was done since an overdue task's day, for another task: it is not made up for."""
    kind = _KIND.get(row.task)
    done = [local_date(one.at, day.zone) for one in events if one.kind == kind]
    return row.on_date < day.on and any(row.on_date <= on <= day.on for on in done)


def _done_of(
    row: PlanTaskRow, pile: AtPile, day: Day, events: Sequence[Event], taken: set[UUID | None]
) -> Done | None:
    """Return how a planned task was done: as the plan has it, else by an entry nobody took it for yet."""
    if row.state == "done":
        if row.event_id is None:
            return None if row.done_at is None else Done(row.done_at, row.crew, None)
        own = next((one for one in events if one.id == row.event_id), None)
        return None if own is None else Done(own.at, own.crew, own.id)
    if row.task == "build" and pile.row is not None and pile.row.built_at is not None:
        built_at = pile.row.built_at
        return Done(built_at, None, None) if built_at <= day.now else None
    early = timedelta(0) if row.task == "check" else timedelta(1)
    for one in events:
        is_of_it = one.kind == _KIND.get(row.task) and one.id not in taken
        if is_of_it and row.on_date - early <= local_date(one.at, day.zone) <= day.on:
            return Done(one.at, one.crew, one.id)
    return None


def _own(
    loaded: Loaded, day: Day, found: Standing, events: Sequence[Event], made: Mapping[str, Done]
) -> Iterator[Due]:
    """Yield a day's tasks of a pile that no plan of the line has, from its own turning pattern."""
    pile, minutes = loaded.pile, minutes_of(loaded, found)
    if pile.built_at is None:
        return
    tasks = {one.task: one.reason for one in _own_tasks(loaded, day)}
    turn = found.turn
    if turn is not None and day.is_today:
        tasks.pop("turn", None)
        if turn.catch_up_on == day.on and turn.missed_on is not None:
            tasks["turn"] = f"The turn of {spoken(turn.missed_on)} is not on record; today makes it good."
        elif turn.next_on == day.on:
            tasks["turn"] = "Its turning pattern has a turn today."
    for task, reason in tasks.items():
        item_id = made_id(day.on, task, pile.id)
        done = made.get(item_id)
        if done is None and task in _KIND and task != "turn":
            done = next(
                (
                    Done(one.at, one.crew, one.id)
                    for one in events
                    if one.kind == _KIND[task] and local_date(one.at, day.zone) == day.on
                ),
                None,
            )
        yield Due(item_id, task, day.on, minutes.get(task), reason, done=done)


@dataclass(frozen=True)
class _OwnTask:
    task: Task
    reason: str


def _own_tasks(loaded: Loaded, day: Day) -> Iterator[_OwnTask]:
    plan = plan_of(loaded, now=day.now)
    for one in () if plan is None else (plan.nearest or plan).days:
        if one.date == day.on:
            yield _OwnTask(one.task, one.reason)
