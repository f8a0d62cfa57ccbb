"""What a plan answers, in the contract's words."""

import datetime as dt
from dataclasses import dataclass
from typing import Literal, Self

from service.domain.schedules.reminders import Reminder

Task = Literal["build", "turn", "move", "check", "screen"]
Cause = Literal["no_crew", "closed", "too_few_turns", "window", "spacing", "before_heat"]


@dataclass(frozen=True)
class PlannedTask:
    """One task on one local date.

    Attributes
    ----------
    date
        Local date on the site.
    task
        ``build``, ``turn``, ``move``, ``check`` or ``screen``.
    day_of_pile
        Days since the build [d]; 0 is the build day.
    reason
        Why it stands there.
    """

    date: dt.date
    task: Task
    day_of_pile: int
    reason: str


@dataclass(frozen=True)
class Misfit:
    """A build or turn of the plan as asked that cannot stand where it stands; at most one for each of them.

    Attributes
    ----------
    date, task, day_of_pile, weekday
        Which one; ``weekday`` is a word of ``mon`` to ``sun``.
    causes
        ``no_crew``, ``closed``, ``spacing`` (too soon after the turn before), ``before_heat`` (the rule's
        heat cannot have been held yet), ``window`` (the turn that falls out of the rule's window),
        ``too_few_turns`` (the last turn, after which the rule's number is still missing).
    because, remedy
        The same as sentences, and what would mend it.
    """

    date: dt.date
    task: Task
    day_of_pile: int
    weekday: str
    causes: tuple[Cause, ...]
    because: str
    remedy: str


@dataclass(frozen=True)
class PlanWarning:
    """Something that does not break the plan but needs an answer before it starts.

    Attributes
    ----------
    kind
        ``no_heat_check`` (nobody sees the pile on days 1 to 3), ``reading_gap`` (longer without a visit than
        the rule accepts between readings), ``turn_hour`` (the clocks change between two turns that must be a
        number of hours apart), ``no_crew_after`` (no crew day for a move or a screening).
    from_date, to_date
        The stretch concerned, local dates.
    detail
        What it means and what to do.
    """

    kind: Literal["no_heat_check", "reading_gap", "turn_hour", "no_crew_after"]
    from_date: dt.date
    to_date: dt.date
    detail: str


@dataclass(frozen=True)
class PlannedReminder:
    """A pattern's reminder on its date; without date and day of the pile where only its condition says when."""

    date: dt.date | None
    day_of_pile: int | None
    reminder: Reminder


@dataclass(frozen=True)
class Plan:
    """The plan of one pile.

    Attributes
    ----------
    state
        ``planned``: every task has a crew and the rule's turns are kept. ``cannot_be_kept``: ``days`` shows
        what was asked, ``misfits`` what is wrong with it.
    built_on
        Day 0 of this plan.
    days
        Tasks in order of date.
    misfits
        Empty when planned.
    nearest
        The keepable plan that deviates least, or None when planned or when there is none.
    moved_days
        Days moved in all [d] against what was asked: those of the build, plus, for each turn, those between
        its day of the pile and the pattern's. None for a plan that cannot be kept.
    warnings, cautions
        What to arrange beforehand, and what keeps the crew unharmed.
    hot_until_day
        Day of the pile on which the hot phase is over [d], and the pile may move or be screened.
    reminders
        To cover and to wet, by date.
    """

    state: Literal["planned", "cannot_be_kept"]
    built_on: dt.date
    days: tuple[PlannedTask, ...]
    misfits: tuple[Misfit, ...]
    nearest: Self | None
    moved_days: int | None
    warnings: tuple[PlanWarning, ...]
    cautions: tuple[str, ...]
    hot_until_day: int
    reminders: tuple[PlannedReminder, ...] = ()

    @property
    def hot_until(self) -> dt.date:
        """The date on which the hot phase is over."""
        return self.built_on + dt.timedelta(self.hot_until_day)

    @property
    def turn_dates(self) -> tuple[dt.date, ...]:
        """The dates on which the pile is turned, in order."""
        return tuple(task.date for task in self.days if task.task == "turn")
