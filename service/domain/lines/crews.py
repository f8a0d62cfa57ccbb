"""Who works how long: each day's planned work shared out to the crews that are there."""

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from service.domain.lines.answer import LineTask

HOW_SHARED: Final = (
    "Each day the longest task goes first, to the crew with most person-minutes left; what is more than it has left is"
    " done together with the next. Within a crew everybody works equally long."
)


@dataclass(frozen=True)
class CrewThere:
    """A crew on one date.

    Attributes
    ----------
    crew, people
        Its name, and how many come.
    minutes
        Person-minutes of all of them together.
    """

    crew: str
    people: int
    minutes: int


@dataclass(frozen=True)
class CrewWork:
    """A crew's work on one date.

    Attributes
    ----------
    planned_min, crew_min
        Person-minutes of work, and of the crew.
    each_min
        Minutes each of its people works.
    """

    date: dt.date
    crew: str
    people: int
    planned_min: int
    crew_min: int
    each_min: float


Shares = Mapping[LineTask, tuple[tuple[str, int], ...]]
"""By task, each crew that works on it with its person-minutes, the one that does most first."""


def shared_out(
    tasks: Sequence[LineTask], crews: Mapping[dt.date, Sequence[CrewThere]]
) -> tuple[tuple[CrewWork, ...], Shares]:
    """Share each day's tasks out to its crews.

    Parameters
    ----------
    tasks
        Of a plan, so that a day's fit into its crews' minutes; what would not is left with the last crew.
    crews
        Who is there on each date with a task.

    Returns
    -------
    tuple
        Each crew's work by date, and who does each task. See :data:`HOW_SHARED` for the rule.
    """
    by_day: dict[dt.date, list[LineTask]] = defaultdict(list)
    for task in tasks:
        by_day[task.date].append(task)
    works: list[CrewWork] = []
    shares: dict[LineTask, tuple[tuple[str, int], ...]] = {}
    for on in sorted(by_day):
        there = crews.get(on, ())
        left = {one.crew: one.minutes for one in there}
        for task in sorted(by_day[on], key=lambda one: (-one.minutes, one.bay, one.pile, one.task)):
            shares[task] = _share(task.minutes, left)
        works += [_work(on, one, one.minutes - left[one.crew]) for one in there]
    return tuple(works), shares


def _share(minutes: int, left: dict[str, int]) -> tuple[tuple[str, int], ...]:
    """Take a task's minutes from the crews with most left."""
    taken: list[tuple[str, int]] = []
    order = sorted(left, key=lambda crew: (-left[crew], crew))
    for place, crew in enumerate(order):
        part = minutes if place == len(order) - 1 else min(minutes, max(0, left[crew]))
        if part or not taken:
            taken.append((crew, part))
        left[crew] -= part
        minutes -= part
        if not minutes:
            break
    return tuple(sorted(taken, key=lambda one: (-one[1], one[0])))


def _work(on: dt.date, one: CrewThere, planned: int) -> CrewWork:
    return CrewWork(on, one.crew, one.people, planned, one.minutes, planned / one.people)
