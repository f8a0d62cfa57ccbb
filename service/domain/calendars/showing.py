"""Planned tasks as a calendar shows them: when in the day each begins and ends, and in which words."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from service.domain.calendars.calendar import SiteCalendar
from service.domain.schedules import local_instant
from service.domain.schedules.work_days import WORK_STARTS

SHORTEST_MIN: Final = 5
"""An event of no length is a dot in many calendar programs, and some leave it out."""
_PREFIX: Final = "CANCELLED: "
"""Some programs hide a cancelled event, some strike it through, some show it as if nothing had happened."""
_VERBS: Final = {"build": "Build", "turn": "Turn", "check": "Look at", "move": "Move", "screen": "Screen"}
_LATE: Final = (
    "Calendar programs may look for changes only once a day. Today's list of the site is what holds; the cautions stand"
    " there, too."
)


@dataclass(frozen=True)
class CalendarTask:
    """A planned task.

    Attributes
    ----------
    id
        For life: a calendar knows the task by it.
    on_date, task, number, pile, bay, to_bay, day_of_pile, crew, reason
        As in the plan; ``number`` says which of its kind in the pile's life.
    minutes
        Person-minutes [min].
    state
        ``planned``, ``done``, ``missed`` or ``cancelled``.
    sequence, changed_at
        How often what a calendar shows of it was changed, and when last; aware.
    """

    id: UUID
    on_date: dt.date
    task: str
    number: int
    pile: str
    bay: str
    to_bay: str | None
    day_of_pile: int
    minutes: int
    crew: str | None
    reason: str
    state: str
    sequence: int
    changed_at: dt.datetime

    @property
    def is_cancelled(self) -> bool:
        """Whether it was taken back."""
        return self.state == "cancelled"


@dataclass(frozen=True)
class Shown:
    """What people see of a task in their calendars.

    Attributes
    ----------
    begins, ends
        Aware, in the site's zone.
    """

    begins: dt.datetime
    ends: dt.datetime
    summary: str
    location: str
    description: str


def shown(
    tasks: Iterable[CalendarTask], calendar: SiteCalendar, site: str, time_zone: str
) -> dict[UUID, Shown]:
    """Return what a calendar shows of each task.

    The tasks of a day that are one crew's are laid one after the other from nine o'clock in the order of the plan, by
    bay; each takes its person-minutes divided by the people of that crew who come that day. Those of no crew are laid
    likewise, by all who come. A cancelled task takes nobody's time, and stands at nine.

    Parameters
    ----------
    tasks
        At least all of a day's tasks of a crew, or what is shown of them is not what the whole plan shows.
    calendar
        Says how many come; where nobody is said to come, one person is taken.
    site
        Its name.
    time_zone
        IANA name of the site's zone.
    """
    zone = ZoneInfo(time_zone)
    found = {}
    for (on, crew), lane in _lanes(tasks).items():
        begins = local_instant(time_zone, on, WORK_STARTS)
        people = _people(calendar, on, crew)
        for task in lane:
            takes = dt.timedelta(minutes=max(SHORTEST_MIN, ceil(task.minutes / people)))
            at = local_instant(time_zone, on, WORK_STARTS) if task.is_cancelled else begins
            found[task.id] = Shown(
                at.astimezone(zone),
                (at + takes).astimezone(zone),
                _summary(task),
                _location(task, site),
                _told(task),
            )
            begins += dt.timedelta(0) if task.is_cancelled else takes
    return found


def _lanes(tasks: Iterable[CalendarTask]) -> Mapping[tuple[dt.date, str | None], Sequence[CalendarTask]]:
    lanes: dict[tuple[dt.date, str | None], list[CalendarTask]] = defaultdict(list)
    for task in sorted(tasks, key=lambda one: (one.on_date, one.bay, one.pile, one.task, one.number)):
        lanes[task.on_date, task.crew].append(task)
    return lanes


def _people(calendar: SiteCalendar, on: dt.date, crew: str | None) -> int:
    return max(1, sum(one.people for one in calendar.crews_on(on) if crew in {None, one.crew}))


def _summary(task: CalendarTask) -> str:
    where = task.bay if task.to_bay is None else f"{task.bay} to {task.to_bay}"
    return f"{_PREFIX if task.is_cancelled else ''}{_VERBS[task.task]} {task.pile} ({where})"


def _location(task: CalendarTask, site: str) -> str:
    return f"{site}, {task.bay}"


def _told(task: CalendarTask) -> str:
    """Return the reason and the work; nobody's name, for a feed may be handed on."""
    work = f"Day {task.day_of_pile} of the pile; {task.minutes} person-minutes."
    return "\n".join((f"{task.reason[:1].upper()}{task.reason[1:]}.", work, _LATE))
