"""The keepable plan that deviates least from the one that was asked for."""

import datetime as dt
import itertools
from dataclasses import dataclass
from typing import Final

from service.domain.schedules.pattern import Pattern
from service.domain.schedules.placing import LONGEST_MOVE_DAYS, Choice, Placing, Together, cost_of
from service.domain.schedules.request import PlanRequest
from service.domain.schedules.turn_constraint import TurnConstraint
from service.domain.schedules.work_days import WorkCalendar

FURTHEST_BUILD_SHIFT_DAYS: Final = 6
"""A build moved by a week is another week's build."""


@dataclass(frozen=True)
class Keepable:
    """A build date and turns that can be kept.

    Attributes
    ----------
    built_on, build_shift_days
        The build's date, and how far [d] it lies after the one asked for.
    turns, wanted
        Days of the pile on which it is turned, and those the pattern had for the same turns.
    opened
        Dates without a crew that would have to be opened; empty for a plan the crews can keep as they are.
    """

    built_on: dt.date
    build_shift_days: int
    turns: tuple[int, ...]
    wanted: tuple[int, ...]
    opened: tuple[dt.date, ...]

    @property
    def moved_days(self) -> int:
        """Days moved in all [d]."""
        return abs(self.build_shift_days) + sum(abs(day - wanted) for day, wanted in self._pairs())

    @property
    def burden(self) -> tuple[int, ...]:
        """What two keepable plans are compared by; the smaller is the nearer."""
        moves = [day - wanted for day, wanted in self._pairs()]
        moved_tasks = sum(move != 0 for move in (self.build_shift_days, *moves))
        # The build's date beats the turns' at equal cost: crew, water and material are bespoke for it.
        return (
            len(self.opened),
            self.moved_days,
            moved_tasks,
            abs(self.build_shift_days),
            -self.build_shift_days,
            -sum(moves),
        )

    def _pairs(self) -> list[tuple[int, int]]:
        """Return each turn's day beside the one wanted for it."""
        return list(zip(self.turns, self.wanted, strict=True))


def turns_needed(pattern: Pattern, built_on: dt.date, rule: TurnConstraint | None) -> int:
    """Return how many turns a keepable plan has: the pattern's, or more where the rule needs more."""
    asked = pattern.turns(built_on)
    if rule is None:
        return len(asked)
    uncounted = sum(day < rule.first_counting_day for day in asked)
    return max(len(asked), uncounted + rule.minimum_turns)


def first_turns(pattern: Pattern, built_on: dt.date, count: int) -> tuple[int, ...]:
    """Return the pattern's first ``count`` turns, carried on past its last turn day if need be."""
    return tuple(itertools.islice(pattern.turns_without_end(built_on), count))


def earliest_days(pattern: Pattern, rule: TurnConstraint | None, count: int) -> tuple[int, ...]:
    """Return, turn by turn, the first day of the pile the rest and the rule leave open to it."""
    if rule is None:
        return (pattern.rest_days,) * count
    floor = max(pattern.rest_days, rule.first_turn_day)
    counted_from = count - rule.minimum_turns
    return tuple(
        max(floor, rule.first_counting_day) if turn >= counted_from else floor for turn in range(count)
    )


def spacing_between(pattern: Pattern, rule: TurnConstraint | None) -> int:
    """Return the days two turns must be apart [d]: as the pattern says, or half its interval, and as the rule says."""
    if pattern.min_spacing_days is not None:
        apart = pattern.min_spacing_days
    else:
        apart = pattern.closest_days // 2
        if rule is not None and rule.window_days is not None and rule.minimum_turns > 1:
            # Nobody asked for this spacing, so it must not be what makes the rule's window impossible.
            apart = min(apart, (rule.window_days - 1) // (rule.minimum_turns - 1))
    return max(1, apart, rule.spacing_days if rule else 1)


def window_of(rule: TurnConstraint | None) -> Together | None:
    """Return the window the rule demands, if it demands one."""
    if rule is None or rule.window_days is None:
        return None
    return Together(rule.minimum_turns, rule.window_days, rule.first_counting_day)


def open_days(
    calendar: WorkCalendar,
    built_on: dt.date,
    wanted: int,
    earliest: int,
    *,
    may_open: bool = False,
) -> list[Choice]:
    """Return the days of the pile on which a turn wanted on day ``wanted`` can be done, with their costs.

    Parameters
    ----------
    calendar, built_on
        Crew days, and day 0.
    wanted, earliest
        Days of the pile; a turn wanted before the earliest counts its three weeks from there.
    may_open
        Whether days without a crew may be used, at the cost of opening them; closed days never.
    """
    found = []
    latest = max(wanted, earliest) + LONGEST_MOVE_DAYS
    for day in range(max(earliest, wanted - LONGEST_MOVE_DAYS), latest + 1):
        on = built_on + dt.timedelta(day)
        if calendar.is_crew_day(on):
            found.append((day, cost_of(day - wanted)))
        elif may_open and on not in calendar.closures:
            found.append((day, cost_of(day - wanted, opened=True)))
    return found


def keepable_from(
    request: PlanRequest, calendar: WorkCalendar, shift_days: int = 0, *, may_open: bool = False
) -> Keepable | None:
    """Return the keepable turns of a pile whose build is moved by ``shift_days``, or None."""
    pattern, rule = request.pattern, request.rule
    built_on = request.build_on + dt.timedelta(shift_days)
    count = turns_needed(pattern, request.build_on, rule)
    wanted = first_turns(pattern, built_on, count)
    earliest = earliest_days(pattern, rule, count)
    choices = [
        open_days(calendar, built_on, day, floor, may_open=may_open)
        for day, floor in zip(wanted, earliest, strict=True)
    ]
    spacing = spacing_between(pattern, rule)
    turns = Placing(choices, (spacing,) * count).cheapest(window_of(rule))
    if turns is None:
        return None
    dates = (built_on, *(built_on + dt.timedelta(day) for day in turns))
    return Keepable(
        built_on, shift_days, turns, wanted, tuple(on for on in dates if not calendar.is_crew_day(on))
    )


def nearest_keepable(
    request: PlanRequest, calendar: WorkCalendar, *, may_open: bool = False
) -> Keepable | None:
    """Return the keepable plan of least total deviation, or None if there is none.

    It keeps the number of turns (or the rule's minimum, by carrying the pattern on), their order, the rest,
    the spacing and the rule's window. The build may move by up to six days, each turn by up to three weeks from
    its day of the pile; weekdays are looked up again from the moved build. The nearest is the one with, in this
    order: fewest days moved in all; fewest tasks moved; the build moved least; then later rather than earlier,
    because a pile left a day longer regains its heat. Exact: every build date is tried, and for each the turns
    are placed at least cost.

    Parameters
    ----------
    request
        A request that was found to fit.
    calendar
        Its crew days.
    may_open
        Whether days without a crew may be opened; then as few as possible are, before anything else counts.
    """
    best: Keepable | None = None
    for shift in sorted(range(-FURTHEST_BUILD_SHIFT_DAYS, FURTHEST_BUILD_SHIFT_DAYS + 1), key=abs):
        if best is not None and not may_open and abs(shift) > best.moved_days:
            break
        if not _can_build(request, calendar, request.build_on + dt.timedelta(shift), may_open=may_open):
            continue
        found = keepable_from(request, calendar, shift, may_open=may_open)
        if found is not None and (best is None or found.burden < best.burden):
            best = found
    return best


def _can_build(request: PlanRequest, calendar: WorkCalendar, on: dt.date, *, may_open: bool) -> bool:
    """Return whether the pile can be built on a date."""
    if request.earliest_build_on is not None and on < request.earliest_build_on:
        return False
    return calendar.is_crew_day(on) or (may_open and on not in calendar.closures)
