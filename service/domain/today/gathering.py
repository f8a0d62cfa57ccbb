"""A pile's work of one day, each task once: the plan, what the pile shows, and what a rule is about to lose."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

from service.domain.today.items import Done, Due, Item, PileToday, Sign, Stake, Urgency, made_id, read_id
from service.domain.today.practice import PRACTICE, Severity, Task, task_for

LATE_TURN_DAYS: Final = 2
"""A turn counts as the planned one if it is a day late (common practice, no source); after that it is missed."""

_SIGN_URGENCY: Final[dict[Severity, Urgency]] = {"danger": "now", "caution": "planned", "info": "can_wait"}
_GRAVE: Final[tuple[Urgency, ...]] = ("now", "today", "planned", "can_wait")
_RISKED: Final[dict[str, Task]] = {
    "gap": "read",
    "regain": "read",
    "recovery": "read",
    "turn_window": "turn",
}
_OPENS: Final[frozenset[Task]] = frozenset({"cool", "turn", "move", "mend", "build", "screen"})
_FIRE: Final = "Do not touch it: this pile may be on fire. Keep away."
_HOT: Final = "See to the heat first and measure again; then do this."


def items_of(
    pile: PileToday,
    on: dt.date,
    *,
    next_visit: dt.datetime | None,
    minutes: Mapping[Task, int] | None = None,
    done: Mapping[str, Done] | None = None,
) -> list[Item]:
    """Return the items of one pile, at most one open for each task.

    Parameters
    ----------
    pile
        What asks for work.
    on
        The local date of the list.
    next_visit
        When a crew comes next after that day; what is lost before then is due today. None when nobody knows.
    minutes
        Person-minutes of tasks no plan has [min]; what is not named takes the practice's.
    done
        What was done of items no plan has, by their ids; those that nothing asks for any more are listed too.
    """
    finished = [_planned(pile, due, on) for due in pile.due if due.done is not None]
    found = _open_planned(pile, on)
    for stake in sorted(pile.stakes, key=lambda one: (one.at, one.rule, one.position or "")):
        _join(found, _at_stake(pile, stake, on, next_visit))
    for sign in pile.signs:
        task = task_for(sign.code, sign.severity)
        if task is not None and not (sign.code == "no_readings" and "read" in found):
            _join(found, _shown(pile, sign, task, on))
    told, by_id = minutes or {}, done or {}
    items = [
        replace(
            one,
            minutes=one.minutes
            if one.minutes is not None or one.due is not None
            else told.get(one.task, PRACTICE[one.task].minutes),
            done=by_id.get(one.id),
        )
        for one in found.values()
    ]
    gone = set(by_id) - {one.id for one in (*items, *finished)}
    return [*finished, *_held_back(items), *(_was_done(pile, one, by_id[one], told) for one in sorted(gone))]


def _was_done(pile: PileToday, item_id: str, done: Done, minutes: Mapping[Task, int]) -> Item:
    """Return an item that was done and that nothing asks for any more."""
    read = read_id(item_id)
    assert read is not None, "only made items are done without a plan"
    on, task, _ = read
    made = _made(pile, task, on, "planned", "It was asked for on this day.")
    return replace(made, minutes=minutes.get(task, PRACTICE[task].minutes), done=done)


def _open_planned(pile: PileToday, on: dt.date) -> dict[Task, Item]:
    """Return what a plan still has open, each task once: its newest, which makes good those before it."""
    found: dict[Task, Item] = {}
    earlier: dict[Task, list[Due]] = {}
    for due in sorted(pile.due, key=lambda one: (-one.due.toordinal(), one.id)):
        if due.done is None and due.task in found:
            earlier.setdefault(due.task, []).append(due)
        elif due.done is None:
            found[due.task] = _planned(pile, due, on)
    for task, missed in earlier.items():
        one, oldest = found[task], _planned(pile, missed[-1], on)
        rest = (
            f" {len(missed)} such tasks are open; one done today makes them good." if len(missed) > 1 else ""
        )
        found[task] = replace(
            one,
            why=(*one.why, oldest.why[0] + rest),
            urgency=min(one.urgency, oldest.urgency, key=_GRAVE.index),
        )
    return found


def _planned(pile: PileToday, due: Due, on: dt.date) -> Item:
    late = (on - due.due).days
    why = [due.reason]
    urgency: Urgency = "can_wait" if due.task == "screen" else "planned"
    if late > 0:
        why.insert(
            0, f"It was planned for {due.due:%a %d %b} and is {late} {'day' if late == 1 else 'days'} late."
        )
        if due.task == "turn" and late >= LATE_TURN_DAYS:
            urgency = "today"
    return Item(
        id=due.id,
        task=due.task,
        pile_id=pile.pile_id,
        pile=pile.label,
        # Where it stands is on record; where it is to be built only the plan knows.
        bay=due.bay if due.task == "build" else pile.bay or due.bay,
        to_bay=due.to_bay,
        why=tuple(why),
        minutes=due.minutes,
        urgency=urgency,
        hottest_c=pile.hottest_c,
        age_days=pile.age_days,
        due=due.due,
        done=due.done,
    )


def _made(pile: PileToday, task: Task, on: dt.date, urgency: Urgency, why: str) -> Item:
    assert pile.pile_id is not None, "only a pile on record shows something"
    return Item(
        id=made_id(on, task, pile.pile_id),
        task=task,
        pile_id=pile.pile_id,
        pile=pile.label,
        bay=pile.bay,
        to_bay=None,
        why=(why,),
        minutes=None,
        urgency=urgency,
        hottest_c=pile.hottest_c,
        age_days=pile.age_days,
    )


def _at_stake(pile: PileToday, stake: Stake, on: dt.date, next_visit: dt.datetime | None) -> Item:
    urgency: Urgency = "today" if next_visit is None or stake.at <= next_visit else "planned"
    made = _made(pile, _RISKED[stake.what], on, urgency, f"{stake.text} Rule: {stake.rule}.")
    return replace(made, lost_at=stake.at, positions=() if stake.position is None else (stake.position,))


def _shown(pile: PileToday, sign: Sign, task: Task, on: dt.date) -> Item:
    urgency = _SIGN_URGENCY[sign.severity]
    if sign.code == "too_hot" and sign.severity == "caution":
        urgency = "today"
    made = _made(pile, task, on, urgency, sign.text)
    positions = () if sign.position is None else (sign.position,)
    return replace(made, positions=positions, remedies=(sign.remedy,))


def _join(found: dict[Task, Item], more: Item) -> None:
    """Add an item, or its reasons to the one of the same task; what a plan has keeps its id and its minutes."""
    one = found.get(more.task)
    if one is None:
        found[more.task] = more
        return
    grave = min(one.urgency, more.urgency, key=_GRAVE.index)
    first, second = (more, one) if grave != one.urgency else (one, more)
    instants = [at for at in (one.lost_at, more.lost_at) if at is not None]
    found[more.task] = replace(
        one,
        why=_once(first.why, second.why),
        urgency=grave,
        lost_at=min(instants, default=None),
        positions=_once(one.positions, more.positions),
        remedies=_once(first.remedies, second.remedies),
        to_bay=one.to_bay or more.to_bay,
    )


def _once(first: Sequence[str], second: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys([*first, *second]))


def _held_back(items: Sequence[Item]) -> list[Item]:
    """Hold work at a pile that may burn, and what would open a pile that has to be cooled first."""
    tasks = {one.task for one in items if one.done is None}
    return [
        replace(one, held=_FIRE)
        if "keep_away" in tasks and one.task != "keep_away" and one.done is None
        else replace(one, held=_HOT)
        if "cool" in tasks and one.task in _OPENS - {"cool"} and one.done is None
        else one
        for one in items
    ]
