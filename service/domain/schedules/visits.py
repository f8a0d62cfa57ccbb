"""Everything a crew does at one pile, laid out on its crew days around the turns."""

import datetime as dt
import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from service.domain.schedules.answer import PlannedReminder, PlannedTask, PlanWarning, Task
from service.domain.schedules.pattern import Pattern
from service.domain.schedules.reminding import planned_reminders
from service.domain.schedules.request import PlanRequest
from service.domain.schedules.turn_constraint import TurnConstraint
from service.domain.schedules.work_days import WorkCalendar, hours_between, spoken

_FIRST_CHECK_BY_DAY: Final = 3
"""A good pile heats in 24 to 48 hours (Raabe, *The Rapid Composting Method*); one day more is still in time."""

_LATEST_AFTER_DAYS: Final = 60
"""How long a move or a screening waits for a crew day before the plan says there is none."""

_ORDER: Final[dict[Task, int]] = {"build": 0, "turn": 1, "move": 2, "check": 3, "screen": 4}


@dataclass(frozen=True)
class Layout:
    """A pile's build and turns, to be laid out with the visits between and after them.

    Attributes
    ----------
    request, calendar
        What was asked for, and its crew days.
    built_on
        Day 0.
    turns, reasons
        Days of the pile on which it is turned, and why then.
    """

    request: PlanRequest
    calendar: WorkCalendar
    built_on: dt.date
    turns: tuple[int, ...]
    reasons: tuple[str, ...]

    @property
    def hot_until(self) -> int:
        """Day of the pile on which the hot phase is over: the pattern's, or later if the rule's heat lasts longer."""
        over = self.request.pattern.hot_phase_over(self.turns[-1])
        return max(over, self.request.rule.hot_until_day) if self.request.rule else over

    def tasks(self) -> tuple[PlannedTask, ...]:
        """Return all tasks in order of date."""
        found = [
            self._task(
                "build", 0, f"build and fill it; day 0 of a pile turned {self.request.pattern.described}"
            )
        ]
        for turn, (day, reason) in enumerate(zip(self.turns, self.reasons, strict=True), start=1):
            found.append(self._task("turn", day, reason))
            if self.request.pattern.move_on_turning:
                found.append(
                    self._task(
                        "move", day, f"turn {turn} forks the pile into the next bay; have that bay empty"
                    )
                )
        found += [self._task("check", day, self._check_reason(day)) for day in self.check_days()]
        found += self._afterwards()
        return tuple(sorted(found, key=lambda task: (task.date, _ORDER[task.task])))

    def reminders(self) -> tuple[PlannedReminder, ...]:
        """Return when to cover and to wet, by date."""
        return planned_reminders(self.request.pattern.reminders, self.tasks(), self.calendar, self.built_on)

    def check_days(self) -> list[int]:
        """Return the days of the pile with a heat check: crew days without a turn while the pile is hot."""
        turned = set(self.turns)
        every = check_interval(self.request.pattern, self.request.rule)
        found: list[int] = []
        last = 0
        for day in range(1, self.hot_until):
            if day in turned:
                last = day
            elif self.calendar.is_crew_day(self._on(day)):
                first = last == 0 and day <= _FIRST_CHECK_BY_DAY
                if first or day - last >= every:
                    found.append(day)
                    last = day
        return found

    def warnings(self) -> tuple[PlanWarning, ...]:
        """Return what has to be arranged beforehand, in order of date."""
        found = [*self._no_heat_check(), *self._reading_gaps(), *self._turn_hours(), *self._no_crew_after()]
        return tuple(sorted(found, key=lambda warning: (warning.from_date, warning.kind)))

    def _on(self, day: int) -> dt.date:
        """Return the date of a day of the pile."""
        return self.built_on + dt.timedelta(day)

    def _task(self, task: Task, day: int, reason: str) -> PlannedTask:
        """Return a task on a day of the pile."""
        return PlannedTask(self._on(day), task, day, reason)

    def _check_reason(self, day: int) -> str:
        """Return why the heat is looked at on a day."""
        if day <= _FIRST_CHECK_BY_DAY:
            return "is it heating? A good pile is hot in one to two days; if not, look at water, air and nitrogen"
        if day < self.turns[0]:
            return "heat check in the rest"
        return (
            "heat and moisture check between turns"
            if day < self.turns[-1]
            else "heat check after the last turn"
        )

    def _after(self, day: int) -> int | None:
        """Return the first day of the pile from ``day`` on that has a crew."""
        on = self.calendar.next_crew_day(self._on(day), within_days=_LATEST_AFTER_DAYS)
        return None if on is None else (on - self.built_on).days

    def _afterwards_due(self) -> Iterator[tuple[Task, int, str]]:
        """Yield the tasks after the hot phase with the day they are due and why."""
        pattern, due = self.request.pattern, self.hot_until
        if pattern.curing_days is not None:
            yield (
                "move",
                due,
                f"the hot phase is over; move it to cure {pattern.curing_days} days (not a turn)",
            )
            moved = self._after(due)
            due = (due if moved is None else moved) + pattern.curing_days
        if pattern.screen:
            cured = "cured" if pattern.curing_days is not None else "out of the hot phase, not cured"
            yield "screen", due, f"{cured}; screen it when it is no longer wet"

    def _afterwards(self) -> list[PlannedTask]:
        """Return the move to curing and the screening, where asked for and where a crew comes."""
        found = []
        for task, due, reason in self._afterwards_due():
            day = self._after(due)
            if day is not None:
                found.append(self._task(task, day, reason))
        return found

    def _no_crew_after(self) -> Iterator[PlanWarning]:
        """Yield a warning for each task after the hot phase that finds no crew."""
        for task, due, _ in self._afterwards_due():
            if self._after(due) is None:
                last = due + _LATEST_AFTER_DAYS
                due_on = spoken(self._on(due))
                detail = (
                    f"no crew day for the {task} due on {due_on} within {_LATEST_AFTER_DAYS} days; add one"
                )
                yield PlanWarning("no_crew_after", self._on(due), self._on(last), detail)

    def _no_heat_check(self) -> Iterator[PlanWarning]:
        """Yield a warning if nobody is there while the pile should be heating."""
        first, last = self._on(1), self._on(min(_FIRST_CHECK_BY_DAY, self.hot_until))
        if next(self.calendar.crew_days(first, last), None) is None:
            detail = (
                "no crew on the days the pile should heat; leave a logging probe in it or let somebody pass"
            )
            yield PlanWarning("no_heat_check", first, last, detail)

    def _reading_gaps(self) -> Iterator[PlanWarning]:
        """Yield a warning for each stretch whose visits are too far apart for hand readings to prove its heat."""
        rule = self.request.rule
        limit = None if rule is None else rule.longest_reading_gap_h
        if rule is None or limit is None:
            return
        end = self._after(self.hot_until)
        visits = sorted({0, *self.turns, *self.check_days(), self.hot_until if end is None else end})
        gaps = [(a, b, self._hours(a, b)) for a, b in itertools.pairwise(visits)]
        for too_long, stretch in itertools.groupby(gaps, key=lambda gap: gap[2] > limit):
            if too_long:
                found = list(stretch)
                first, last = self._on(found[0][0]), self._on(found[-1][1])
                detail = (
                    f"from {spoken(first)} to {spoken(last)} visits are up to {max(gap[2] for gap in found):g} h"
                    f" apart; {rule.named} is proven by readings at most {limit:g} h apart:"
                    " leave a logger in the pile"
                )
                yield PlanWarning("reading_gap", first, last, detail)

    def _hours(self, before: int, after: int) -> float:
        """Return the hours [h] between the same hour on two days of the pile."""
        return hours_between(self.request.time_zone, self._on(before), self._on(after))

    def _turn_hours(self) -> Iterator[PlanWarning]:
        """Yield a warning where turns enough days apart are not the hours apart, the clocks having changed."""
        rule = self.request.rule
        if rule is None:
            return
        wanted = max(rule.spacing_h, rule.heat_before_turn_h)
        for before, after in itertools.pairwise(self.turns):
            first, last = self._on(before), self._on(after)
            hours = self._hours(before, after)
            if after - before >= rule.spacing_days and hours < wanted:
                detail = (
                    f"the clocks change: the same hour on {spoken(first)} and {spoken(last)} is {hours:g} h apart"
                    f" and {rule.named} asks for {wanted:g} h; start the second turn {wanted - hours:g} h later in"
                    " the day"
                )
                yield PlanWarning("turn_hour", first, last, detail)


def check_interval(pattern: Pattern, rule: TurnConstraint | None) -> int:
    """Return the days between visits while hot [d]: every crew day if unsaid or if a rule counts readings."""
    if pattern.check_every_days is None or (rule is not None and rule.longest_reading_gap_h is not None):
        return 1
    return pattern.check_every_days
