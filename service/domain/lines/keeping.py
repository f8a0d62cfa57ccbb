"""Where a repair begins: at a plan that keeps every promise of the piles nothing happened to."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from ortools.sat.python import cp_model

from service.domain.lines.beginning import settled_on
from service.domain.lines.model import Line, PileVars, Sum
from service.domain.lines.promises import Told, crowded_out, told

_TRIES: Final = 3
_Tasks = Mapping[str, Sequence[Told]]


def keep_promises(line: Line, moved: Sum, within_s: float) -> cp_model.CpSolver | None:
    """Return the plan that moves fewest of the other piles' promises, or None when none is found.

    Held at first are the untouched piles and the builds of those that are touched; then the untouched piles alone; then
    no more than their builds.

    Parameters
    ----------
    moved
        What is to be small, broken wishes aside.
    """
    tasks = {pile.wish.name: told(line, pile) for pile in line.piles if pile.wish.promised is not None}
    touched = _touched(line, tasks)
    most = line.reach * (1 + sum(map(len, tasks.values()))) ** 2
    aim = most * line.broken_wishes() + moved
    for level in range(_TRIES):
        hints = [one for pile in line.piles for one in _held(pile, tasks, touched, level)]
        found = settled_on(line, hints, within_s / _TRIES, aim=aim)
        if found is not None:
            return found
    return None


def _held(
    pile: PileVars, tasks: _Tasks, touched: set[str], level: int
) -> Iterator[tuple[cp_model.IntVar, int]]:
    is_touched = pile.wish.name in touched
    for one in tasks.get(pile.wish.name, ()):
        if not one.can_stand:
            continue
        if not one.by:
            if not is_touched or level == 0:
                yield from ((chosen, int(day == one.day)) for day, chosen in pile.on.items())
        elif not is_touched and level < _TRIES - 1:
            yield one.at, one.day


def _touched(line: Line, tasks: _Tasks) -> set[str]:
    """Return the piles with a promise that cannot stand, alone or beside the other promises of its day."""
    touched = {name for name, mine in tasks.items() if any(not one.can_stand for one in mine)}
    by_day: dict[int, list[tuple[str, int]]] = defaultdict(list)
    for name, mine in tasks.items():
        for one in mine:
            by_day[one.day].append((name, one.minutes))
    for day, of_day in by_day.items():
        there = line.request.crew_min.get(line.request.first + dt.timedelta(day), 0)
        if crowded_out([minutes for _, minutes in of_day], there):
            touched |= {name for name, _ in of_day}
    return touched
