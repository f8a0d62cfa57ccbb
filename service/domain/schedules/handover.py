"""From the plan to the record: which recorded act was which planned task, and which planned task nobody did."""

import datetime as dt
from collections import defaultdict
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, Generic, TypeVar
from uuid import UUID

from service.domain.schedules.following import MATCH_WITHIN_DAYS, match_turns

_LOOSE_DAYS: Final = 14
WITHIN_DAYS: Final[Mapping[str, int]] = {
    "build": _LOOSE_DAYS,
    "turn": MATCH_WITHIN_DAYS,
    "check": MATCH_WITHIN_DAYS,
    "move": _LOOSE_DAYS,
    "screen": _LOOSE_DAYS,
}
"""How far from its day a task may be done and still be that task [d]. Turns and checks come again within days, and one
done later is the next; building, moving and screening are done once. Common practice, no source."""
TASK_OF_KIND: Final[Mapping[str, str]] = {
    "turn": "turn",
    "observe": "check",
    "move": "move",
    "screen": "screen",
}
"""What a kind of event is the record of, unless it says so itself; a build's is the pile's own instant."""

Id = TypeVar("Id", bound=Hashable)


@dataclass(frozen=True)
class Planned(Generic[Id]):
    """A task of one pile, as it is planned now.

    Attributes
    ----------
    id
        Any name for it.
    task
        ``build``, ``turn``, ``check``, ``move`` or ``screen``.
    on
        Local date.
    """

    id: Id
    task: str
    on: dt.date


@dataclass(frozen=True)
class Done:
    """Something done to the same pile.

    Attributes
    ----------
    event_id
        The entry it stands in; None for a build, which is the pile's own.
    task
        Which task it is the record of; empty for one that only ``said_of`` says.
    at
        Instant, aware.
    on
        The local date of it.
    said_of
        The task whose doing it is said to be, when somebody ticked that off; None to let the dates say it.
    """

    event_id: UUID | None
    task: str
    at: dt.datetime
    on: dt.date
    said_of: UUID | None = None


@dataclass(frozen=True)
class Handover(Generic[Id]):
    """Plan and record of one pile held against each other.

    Attributes
    ----------
    done
        By the id of the planned task, what was done of it; a task that is not here was not done.
    unplanned
        What was done and belongs to no planned task, in order of time.
    """

    done: Mapping[Id, Done]
    unplanned: tuple[Done, ...]


def hand_over(planned: Sequence[Planned[Id]], done: Sequence[Done]) -> Handover[Id]:
    """Match the planned tasks of one pile with what was recorded of it.

    Parameters
    ----------
    planned
        Tasks that were not taken back, in any order.
    done
        What holds after corrections, in any order; the answer depends on nothing else, so that undoing an entry
        undoes what it did here.

    Notes
    -----
    What was said to be a task's doing is, whatever its kind and date. The rest is matched, each kind by
    :func:`~service.domain.schedules.following.match_turns`: as many pairs as possible, and of these the nearest in
    time.
    """
    found = _said(planned, done)
    named = {act.event_id for act in found.values()}
    unplanned: list[Done] = []
    for task, within_days in WITHIN_DAYS.items():
        tasks = [one for one in planned if one.task == task and one.id not in found]
        acts = _in_time(one for one in done if one.task == task and one.event_id not in named)
        matched, left = _matched(tasks, acts, within_days)
        found |= matched
        unplanned += left
    return Handover(found, tuple(_in_time(unplanned)))


def is_missed(task: str, on: dt.date, today: dt.date) -> bool:
    """Return whether a task nobody did can no longer be done as itself, ``today`` being the local date."""
    return (today - on).days > WITHIN_DAYS[task]


def _in_time(done: Iterable[Done]) -> list[Done]:
    return sorted(done, key=lambda one: (one.at, str(one.event_id)))


def _said(planned: Sequence[Planned[Id]], done: Sequence[Done]) -> dict[Id, Done]:
    """Return what was said to be the doing of a task; said of one twice, the first counts."""
    known: dict[Hashable, Id] = {one.id: one.id for one in planned}
    found: dict[Id, Done] = {}
    for act in _in_time(done):
        if act.said_of is not None and act.said_of in known:
            found.setdefault(known[act.said_of], act)
    return found


def _matched(
    tasks: Sequence[Planned[Id]], acts: Sequence[Done], within_days: int
) -> tuple[dict[Id, Done], list[Done]]:
    """Return what each task became, and what is left; of several acts of one date the first is taken."""
    wanted, there = _by_date(tasks), _by_date(acts)
    match = match_turns((one.on for one in tasks), (one.on for one in acts), within_days=within_days)
    found = {wanted[on].pop(0).id: there[at].pop(0) for on, at in match.matched}
    return found, [one for some in there.values() for one in some]


Dated = TypeVar("Dated", Planned[Any], Done)


def _by_date(some: Iterable[Dated]) -> dict[dt.date, list[Dated]]:
    found: dict[dt.date, list[Dated]] = defaultdict(list)
    for one in some:
        found[one.on].append(one)
    return found
