"""A plan mended after a missed, late or extra turn: what was done stays done, what is left moves least."""

import datetime as dt
import itertools
from collections.abc import Collection
from dataclasses import dataclass, replace

from service.domain.schedules.answer import Cause, Misfit, Plan
from service.domain.schedules.cautions import TURNING_CAUTIONS
from service.domain.schedules.following import MATCH_WITHIN_DAYS, match_turns
from service.domain.schedules.nearest import (
    earliest_days,
    first_turns,
    open_days,
    spacing_between,
    turns_needed,
    window_of,
)
from service.domain.schedules.placing import LONGEST_MOVE_DAYS, Placing
from service.domain.schedules.planning import moved_reasons
from service.domain.schedules.request import PlanRequest
from service.domain.schedules.visits import Layout
from service.domain.schedules.work_days import WorkCalendar, spoken, weekday_of


def repair(request: PlanRequest, built_on: dt.date, turns_done: Collection[dt.date], today: dt.date) -> Plan:
    """Plan what is left of a pile that was built and perhaps turned.

    Turns to come stay where they are unless a crew day, the spacing or the rule's window moves them; as in a new
    plan they are moved least. The last missed turn is made good on the first crew day from today on, if the pile
    was not turned since and the next turn is more than a day later. Turns still owed are done at the end, by
    carrying the pattern on: several turns on end would only cool the pile. A turn that was done but not planned
    stands for a missed one; an extra one (the pile ran hot) takes none away from those to come. Where the rule's
    window was lost, as many more turns are carried on as it takes to fill another.

    Parameters
    ----------
    request
        The request of the plan, with the crew days as they now are.
    built_on
        The date the pile was built.
    turns_done
        Local dates of the recorded turns, up to today.
    today
        The local date on the site.

    Returns
    -------
    Plan
        Tasks from today on. ``cannot_be_kept`` if the turns left cannot be placed: then they stand where the
        pattern has them, or today if they are past, and the first carries the misfit.

    Raises
    ------
    Invalid
        If the request does not fit.
    """
    request = replace(request, build_on=built_on, earliest_build_on=None)
    request.refuse_what_does_not_fit()
    done = tuple(sorted({(on - built_on).days for on in turns_done}))
    history = _History(request, done, (today - built_on).days)
    left, placed = history.left_and_placed()
    turns = tuple(max(day, history.today) for day in left) if placed is None else placed
    reasons = moved_reasons(request, history.calendar, built_on, (*done, *turns), (*done, *left))
    layout = Layout(request, history.calendar, built_on, (*done, *turns), reasons)
    already = {("build", 0), *(("turn", day) for day in done), *(("move", day) for day in done)}
    return Plan(
        "planned" if placed is not None else "cannot_be_kept",
        built_on,
        tuple(
            task
            for task in layout.tasks()
            if task.date >= today and (task.task, task.day_of_pile) not in already
        ),
        () if placed is not None else (_misfit(request, turns[0]),),
        None,
        None if placed is None else sum(abs(day - wanted) for day, wanted in zip(turns, left, strict=True)),
        tuple(warning for warning in layout.warnings() if warning.to_date >= today),
        TURNING_CAUTIONS,
        layout.hot_until,
        tuple(one for one in layout.reminders() if one.date is None or one.date >= today),
    )


@dataclass(frozen=True)
class _History:
    """A pile's turns so far and its age, in days of the pile."""

    request: PlanRequest
    done: tuple[int, ...]
    today: int

    @property
    def calendar(self) -> WorkCalendar:
        """The site's crew days."""
        return self.request.calendar

    def left_and_placed(self) -> tuple[tuple[int, ...], tuple[int, ...] | None]:
        """Return the turns left as the pattern has them, and as they can be done, or None if they cannot."""
        rule = self.request.rule
        for more in range(1 + (rule.minimum_turns if rule else 0)):
            left = self._left(more)
            placed = self._placed(left)
            if placed is not None:
                return left, placed
        return self._left(0), None

    def _left(self, more: int) -> tuple[int, ...]:
        """Return the days on which the pattern has the turns still to be done and ``more`` carried on."""
        pattern, built_on = self.request.pattern, self.request.build_on
        wanted = first_turns(pattern, built_on, turns_needed(pattern, built_on, self.request.rule))
        match = match_turns(*([built_on + dt.timedelta(day) for day in days] for days in (wanted, self.done)))
        unmatched = [(on - built_on).days for on in match.missed]
        missed = [day for day in unmatched if day < self.today]
        to_come = [day for day in unmatched if day >= self.today]
        owed = max(0, len(missed) - len(match.unplanned))
        made_good = self._make_good(missed, to_come) if owed else []
        after = max(
            [*wanted, self.today - 1, *(self._next_crew_day() + MATCH_WITHIN_DAYS for _ in made_good)]
        )
        carried_on = (day for day in pattern.turns_without_end(built_on) if day > after)
        return (*made_good, *to_come, *itertools.islice(carried_on, owed - len(made_good) + more))

    def _make_good(self, missed: list[int], to_come: list[int]) -> list[int]:
        """Return the missed turn that is to be made good at once, if one is."""
        turned_since = bool(self.done) and self.done[-1] > missed[-1]
        soon = bool(to_come) and to_come[0] - self._next_crew_day() <= MATCH_WITHIN_DAYS
        return [] if turned_since or soon else missed[-1:]

    def _next_crew_day(self) -> int:
        """Return the day of the pile from today on that has a crew first, or today if none is near."""
        today = self.request.build_on + dt.timedelta(self.today)
        on = self.calendar.next_crew_day(today, within_days=LONGEST_MOVE_DAYS)
        return ((on or today) - self.request.build_on).days

    def _placed(self, left: tuple[int, ...]) -> tuple[int, ...] | None:
        """Return the days on which the turns left can be done at least cost, or None."""
        if not left:
            return ()
        pattern, rule = self.request.pattern, self.request.rule
        earliest = earliest_days(pattern, rule, len(self.done) + len(left))[len(self.done) :]
        choices = [[(day, 0)] for day in self.done]
        for day, floor in zip(left, earliest, strict=True):
            choices.append(open_days(self.calendar, self.request.build_on, day, max(floor, self.today)))
        # Turns that were done too close together are history; the spacing binds those to come.
        spacing = (*(1 for _ in self.done), *(spacing_between(pattern, rule) for _ in left))
        turns = Placing(choices, spacing).cheapest(window_of(rule))
        return None if turns is None else turns[len(self.done) :]


def _misfit(request: PlanRequest, day: int) -> Misfit:
    """Return the misfit of turns that can no longer be placed."""
    on = request.build_on + dt.timedelta(day)
    cause: Cause
    if not request.calendar.is_crew_day(on):
        cause = "closed" if on in request.calendar.closures else "no_crew"
        because = request.calendar.why_no_crew(on)
    elif request.rule is not None and request.rule.window_days is not None:
        cause, because = (
            "window",
            f"after the turns done so far no days are left that satisfy {request.rule.named}",
        )
    else:
        cause, because = "no_crew", f"too few crew days follow {spoken(on)} for the turns still to be done"
    remedy = (
        f"add extra work days in the {LONGEST_MOVE_DAYS} days after {spoken(on)}, or start the pile again"
    )
    return Misfit(on, "turn", day, weekday_of(on), (cause,), because, remedy)
