"""What crews were told: how many of those tasks a plan moves, as a sum of the model, in a plan, and at the least."""

import bisect
import datetime as dt
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from ortools.sat.python import cp_model

from service.domain.lines.model import Day, Line, PileVars, Sum

_STEP_IN: Final = 2
"""A turn may take the day promised to another as far from it in the order: to a crew a day keeps its turn, whichever of
the pile's turns it has become by one that was missed or added."""


@dataclass(frozen=True, eq=False)
class Told:
    """A promised task.

    Attributes
    ----------
    at
        Its day, as an unknown.
    by
        The turns that may keep it, as their places; none for a build.
    day, minutes
        As promised, and what it takes.
    can_stand
        Whether that day has a crew for it.
    """

    at: Day
    by: tuple[int, ...]
    day: int
    minutes: int
    can_stand: bool


def told(line: Line, pile: PileVars) -> list[Told]:
    """Return the promised tasks of a pile that are still to be done."""
    promised = pile.wish.promised
    if promised is None:
        return []
    found = []
    if pile.wish.built_on is None:
        day = _day(line, promised.build_on)
        stands = _has_crew(line, day, pile.minutes.build) and day in pile.on
        found.append(Told(pile.built, (), day, pile.minutes.build, stands))
    # From the last turn back: a turn missed or done in between changes how many are left, not which are last.
    count = len(pile.turns)
    left = [
        (count - 1 - place, _day(line, on))
        for place, on in enumerate(reversed(promised.turn_on))
        if place < count
    ]
    if pile.wish.soon is not None and count:
        # It cannot wait: not the day crews were told counts for the next turn, but the first on which they can.
        left = [(turn, day) for turn, day in left if turn]
        left.append((0, pile.courses[0].turns[0]))
    for turn, day in left:
        near = range(max(0, turn - _STEP_IN), min(count, turn + _STEP_IN + 1))
        by = (turn,) if turn == 0 and pile.wish.soon is not None else tuple(near)
        need = pile.minutes.turn
        found.append(Told(pile.turns[turn], by, day, need, _has_crew(line, day, need)))
    return found


def _day(line: Line, on: dt.date) -> int:
    return (on - line.request.first).days


def _has_crew(line: Line, day: int, minutes: int) -> bool:
    return line.request.crew_min.get(line.request.first + dt.timedelta(day), 0) >= max(1, minutes)


def weight_of_a_move(line: Line) -> int:
    """Return what a moved promise weighs beside a day it is moved by: more than all of them together."""
    return 1 + line.reach * sum(len(told(line, pile)) for pile in line.piles)


def moved_promises(line: Line) -> Sum:
    """Return the promised tasks that are moved, and below one whole of them the days turns are moved by, in order."""
    moved: list[Sum] = []
    days: list[Sum] = []
    for pile in line.piles:
        for one in told(line, pile):
            is_moved, by = line.model.new_bool_var(""), line.model.new_int_var(0, line.reach, "")
            if one.by:
                keeps = [is_moved, *(_takes(line, pile, turn, one.day) for turn in one.by)]
                line.model.add_bool_or(keeps)
            else:
                line.model.add(one.at == one.day).only_enforce_if(~is_moved)
            line.model.add(by >= one.at - one.day).only_enforce_if(pile.is_built)
            line.model.add(by >= one.day - one.at).only_enforce_if(pile.is_built)
            line.model.add_implication(~pile.is_built, is_moved)
            moved.append(is_moved)
            days.append(by)
    return weight_of_a_move(line) * sum(moved) + sum(days)


def _takes(line: Line, pile: PileVars, turn: int, day: int) -> cp_model.IntVar:
    """Return whether a turn is done on a day."""
    takes = line.model.new_bool_var("")
    line.model.add(pile.turns[turn] == day).only_enforce_if(takes)
    line.model.add_implication(takes, pile.done[turn])
    return takes


def moved_in(line: Line, plan: cp_model.CpSolver) -> int:
    """Return what :func:`moved_promises` comes to in a plan."""
    moved = days = 0
    for pile in line.piles:
        is_built = bool(plan.value(pile.is_built))
        turns = [
            plan.value(at) if plan.value(done) else None
            for at, done in zip(pile.turns, pile.done, strict=True)
        ]
        for one in told(line, pile):
            at = plan.value(one.at)
            is_kept = any(turns[turn] == one.day for turn in one.by) if one.by else at == one.day
            moved += not is_kept or not is_built
            days += abs(at - one.day) if is_built else 0
    return weight_of_a_move(line) * moved + days


def least_moved(line: Line) -> int:
    """Return what :func:`moved_promises` cannot undercut: tasks whose day is gone, each to the nearest other day.

    Where all of a pile's tasks have to move it may rather not be built, and then no days count.
    """
    moved = days = 0
    left: dict[int, list[int]] = defaultdict(list)
    for mine in (told(line, pile) for pile in line.piles):
        gone = [one for one in mine if not one.can_stand]
        moved += len(gone)
        if len(gone) < len(mine):
            days += sum(_nearest(line, one) for one in gone)
        for one in mine:
            if one.can_stand:
                left[one.day].append(one.minutes)
    for day, minutes in left.items():
        moved += crowded_out(minutes, line.request.crew_min[line.request.first + dt.timedelta(day)])
    return weight_of_a_move(line) * moved + days


def _nearest(line: Line, one: Told) -> int:
    """Return how far the nearest day with crew enough lies, one at least."""
    enough = line.days_with(one.minutes)
    place = bisect.bisect_left(enough, one.day)
    beside = [abs(day - one.day) for day in enough[max(0, place - 1) : place + 2] if day != one.day]
    return max(1, min(beside, default=1))


def crowded_out(minutes: Sequence[int], there: int) -> int:
    """Return how many tasks of a day must go at the least: the longest first."""
    over, gone = sum(minutes) - there, 0
    for one in sorted(minutes, reverse=True):
        if over <= 0:
            break
        over -= one
        gone += 1
    return gone


def paired(
    before: Sequence[dt.date], after: Sequence[dt.date]
) -> Iterator[tuple[dt.date | None, dt.date | None]]:
    """Yield promised days that are gone beside days that are new, in order: what a crew sees move.

    Parameters
    ----------
    before, after
        The days of a pile's turns, as promised and as planned now.
    """
    gone = sorted(set(before) - set(after))
    new = sorted(set(after) - set(before))
    for place in range(max(len(gone), len(new))):
        yield (gone[place] if place < len(gone) else None, new[place] if place < len(new) else None)
