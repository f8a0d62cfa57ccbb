"""A first plan of a line, with every turn where pattern and rule have it: a small linear programme in whole numbers.

The full model lets labour push turns later. A plan without that is a plan of it too, is found in a moment, and is as a
rule where the search for better ones should begin.
"""

import bisect
import datetime as dt
import itertools
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from ortools.sat.python import cp_model

from service.domain.lines.courses import Course
from service.domain.lines.model import (
    LATER_DAYS,
    LITRES,
    Line,
    PileVars,
    Sum,
    cool_of,
    is_aside,
    litres_of,
    may_stand,
    settle,
    twins,
)

_EVERY_CREW_DAYS: Final = 3
"""Of the days on which the relaxed labour is held; each is a long row."""
_LATE_SCREENINGS: Final = 3
"""Days of screening offered after the first possible one, for when that day's crew is taken."""


@dataclass(frozen=True, eq=False)
class Column:
    """One way in which a pile of a group may go.

    Attributes
    ----------
    group, pile
        Which group of piles that are alike, and the first of them.
    course, cool, ready, screened
        Days from the first of the horizon.
    stays
        The classes of bays it stands in: class, from, until.
    """

    group: int
    pile: PileVars
    course: Course
    stays: tuple[tuple[int, int, int], ...]
    cool: int
    ready: int
    screened: int | None


@dataclass(frozen=True)
class Limits:
    """What no plan of a line can undercut.

    Attributes
    ----------
    broken_wishes
        As :meth:`Line.broken_wishes` counts them.
    readiness
        As :meth:`Line.readiness` counts it, if no more wishes are broken than ``broken_wishes`` says: a pile that is
        not built is not waited for.
    """

    broken_wishes: int
    readiness: int


def starting_plan(line: Line, *, within_s: float) -> dict[str, Column]:
    """Return a plan whose turns all stand where pattern and rule have them; piles it does not build are absent.

    Parameters
    ----------
    line
        The full model; its request, classes of bays and courses are used.
    within_s
        Seconds it may take.

    Returns
    -------
    dict
        The column of each pile that is built, by its name; empty when none is found in time.

    References
    ----------
    [1] Perron and Furnon, OR-Tools, CP-SAT solver.
    """
    groups, columns = _laid_out(line)
    if not columns:
        return {}
    solver = (programme := _Programme(line, groups, columns)).solved(within_s)
    used = [0] * len(columns) if solver is None else [solver.value(one) for one in programme.used]
    chosen: dict[int, list[Column]] = defaultdict(list)
    for column, times in zip(columns, used, strict=True):
        chosen[column.group] += [column] * times
    return {
        pile.wish.name: column
        for number, alike in enumerate(groups)
        for pile, column in zip(alike, sorted(chosen[number], key=lambda one: one.course.built), strict=False)
    }


def limits(line: Line, *, within_s: float) -> Limits | None:
    """Return what no plan of the line can undercut, or None when that is not known in time.

    Labour is relaxed: of each day on, only what must be done by then at the latest has to fit into the crews' hours so
    far. Turns are never earlier than in a column, so no plan is ready earlier or leaves a bay earlier.
    """
    groups, columns = _laid_out(line)
    if not columns:
        return None
    solver = (programme := _Programme(line, groups, columns, is_relaxed=True)).solved(within_s)
    if solver is None or solver.response_proto.status != cp_model.OPTIMAL:
        return None
    wishes = solver.value(programme.wishes)
    if wishes and any(pile.wish.built_on is not None and pile.turns for pile in line.piles):
        # Then it may be better to leave a turn of a pile that stands, which the columns do not know.
        return None
    return Limits(
        line.weight_of_a_wish * wishes + solver.value(programme.short),
        sum(solver.value(one) * column.ready for one, column in zip(programme.used, columns, strict=True)),
    )


def _laid_out(line: Line) -> tuple[list[list[PileVars]], list[Column]]:
    groups = twins(line.piles)
    return groups, [
        column for number, alike in enumerate(groups) for column in _columns(line, number, alike[0])
    ]


def _columns(line: Line, group: int, pile: PileVars) -> Iterator[Column]:
    wish = pile.wish
    places = [place for place, one in enumerate(line.classes) if may_stand(one, wish)]
    moves = wish.pattern.move_on_turning and wish.built_on is None
    days = line.days_with(pile.minutes.screen)
    for course in pile.courses:
        cool = cool_of(wish, course)
        cured = cool + (wish.pattern.curing_days or 0)
        ends: list[int | None] = [None]
        if wish.pattern.screen:
            place = bisect.bisect_left(days, cured)
            ends = [*days[place : place + _LATE_SCREENINGS]]
        for screened in ends:
            ready = cured if screened is None else screened
            leaves = ready if line.request.cures_in_bay else cool
            if moves:
                yield Column(group, pile, course, _down(course, leaves, places), cool, ready, screened)
                continue
            for place in places:
                yield Column(group, pile, course, ((place, course.built, leaves),), cool, ready, screened)
            if is_aside(wish):
                yield Column(group, pile, course, (), cool, ready, screened)


def _down(course: Course, leaves: int, places: Sequence[int]) -> tuple[tuple[int, int, int], ...]:
    starts = [course.built, *course.turns][: len(places)]
    return tuple(zip(places, starts, [*starts[1:], leaves], strict=False))


class _Programme:
    """The columns as a programme in whole numbers: how often each is used."""

    def __init__(
        self,
        line: Line,
        groups: Sequence[Sequence[PileVars]],
        columns: Sequence[Column],
        *,
        is_relaxed: bool = False,
    ) -> None:
        self._line, self._groups, self._columns = line, groups, columns
        self._model = cp_model.CpModel()
        sizes = [len(alike) for alike in groups]
        self.used = [self._model.new_int_var(0, sizes[column.group], "") for column in columns]
        self._rows: dict[object, list[tuple[int, cp_model.IntVar]]] = defaultdict(list)
        self._most: dict[object, int] = {}
        self._wishes: list[cp_model.IntVar] = []
        self._shorts: list[cp_model.IntVar] = []
        for used, column in zip(self.used, columns, strict=True):
            self._use(used, column)
            if not is_relaxed:
                self._labour(used, column)
        if is_relaxed:
            self._labour_in_time()
        for key, terms in self._rows.items():
            self._model.add(_sum(terms) <= self._most[key])
        self._wish_for_piles()
        self._wish_for_volumes()
        self.wishes: Sum = sum(self._wishes)
        self.short: Sum = sum(self._shorts)

    def solved(self, within_s: float) -> cp_model.CpSolver | None:
        """Return the solver with the values found, or None."""
        ready = [(column.ready, used) for column, used in zip(self._columns, self.used, strict=True)]
        most = 1 + max((column.ready for column in self._columns), default=0) * sum(map(len, self._groups))
        # A litre short weighs more than all readiness together, a wish more than all litres.
        self._model.minimize(most * (self._line.weight_of_a_wish * self.wishes + self.short) + _sum(ready))
        solver = cp_model.CpSolver()
        settle(solver, within_s)
        status = solver.solve(self._model)
        return solver if status in (cp_model.OPTIMAL, cp_model.FEASIBLE) else None

    def _take(self, key: object, amount: int, used: cp_model.IntVar, most: int) -> None:
        self._rows[key].append((amount, used))
        self._most[key] = most

    def _use(self, used: cp_model.IntVar, column: Column) -> None:
        """Say what one use of a column takes."""
        line, wish, built = self._line, column.pile.wish, column.course.built
        for place, since, until in column.stays:
            for day in range(max(0, since), until):
                self._take(("bay", place, day), 1, used, len(line.classes[place].bays))
        for feedstock, until, supply in line.supplies if wish.built_on is None else ():
            if built < until and wish.needs_kg.get(feedstock):
                self._take(("kg", feedstock, until), round(wish.needs_kg[feedstock]), used, supply)

    def _labour(self, used: cp_model.IntVar, column: Column) -> None:
        request = self._line.request
        work = list(_work(column))
        check = request.work.check_min
        if check:
            work += [(day, check) for day in range(max(0, column.course.built), column.cool)]
        for day, minutes in work:
            there = request.crew_min.get(request.first + dt.timedelta(day), 0)
            if there:
                self._take(("crew", day), minutes, used, there)
            elif minutes != check:
                self._model.add(used == 0)

    def _labour_in_time(self) -> None:
        """Hold what must be done by a day at the latest within the hours there are until then."""
        request, so_far = self._line.request, 0
        crew = sorted(
            ((on - request.first).days, there) for on, there in request.crew_min.items() if there > 0
        )
        due = [_cumulated(sorted(_due(column))) for column in self._columns]
        for place, (day, there) in enumerate(crew):
            so_far += there if day >= 0 else 0
            if place % _EVERY_CREW_DAYS:
                continue
            for used, (latest, minutes) in zip(self.used, due, strict=True):
                by_then = bisect.bisect_right(latest, day)
                if by_then:
                    self._take(("until", day), minutes[by_then - 1], used, so_far)

    def _wish_for_piles(self) -> None:
        """Ask for every pile that stands or is wanted, the wanted ones in time."""
        first = self._line.request.first
        for group, alike in enumerate(self._groups):
            wish = alike[0].wish
            mine = [
                (used, one) for used, one in zip(self.used, self._columns, strict=True) if one.group == group
            ]
            self._model.add(sum(used for used, _ in mine) <= len(alike))
            if not wish.is_spare:
                # A pile that stands and finds no crew for its turns is there all the same; the full model leaves turns.
                until = (
                    None if wish.latest is None or wish.built_on is not None else (wish.latest - first).days
                )
                in_time = [used for used, one in mine if until is None or one.course.built <= until]
                late = self._model.new_int_var(0, len(alike), "")
                self._model.add(sum(in_time) + late == len(alike))
                self._wishes.append(late)

    def _wish_for_volumes(self) -> None:
        """Ask for the wanted volumes, those of one grade together up to each date."""
        request = self._line.request
        for grade, share in request.grades.items():
            asked, made = 0, [litres_of(column.pile.wish, request, share) for column in self._columns]
            for order in sorted(
                (one for one in request.orders if one.grade == grade), key=lambda one: one.by
            ):
                asked += round(order.volume_m3 * LITRES)
                until = (order.by - request.first).days + self._line.late_days
                terms = [
                    (litres, used)
                    for litres, used, column in zip(made, self.used, self._columns, strict=True)
                    if litres and column.ready <= until
                ]
                short, broken = self._model.new_int_var(0, asked, ""), self._model.new_bool_var("")
                on_hand = round(request.on_hand_m3.get(grade, 0.0) * LITRES)
                self._model.add(_sum(terms) + short >= asked - on_hand)
                self._model.add(short <= asked * broken)
                self._wishes.append(broken)
                self._shorts.append(short)


def _sum(terms: Sequence[tuple[int, cp_model.IntVar]]) -> Sum:
    return cp_model.LinearExpr.weighted_sum([one for _, one in terms], [amount for amount, _ in terms])


def _cumulated(due: Sequence[tuple[int, int]]) -> tuple[list[int], list[int]]:
    """Return days in order, and the minutes due up to each."""
    return [day for day, _ in due], list(itertools.accumulate(minutes for _, minutes in due))


def _due(column: Column) -> Iterator[tuple[int, int]]:
    """Yield the days by which a column's builds and turns must be done at the latest, with their minutes."""
    need = column.pile.minutes
    if column.pile.wish.built_on is None:  # the turns of one that stands may be left out
        yield column.course.built, need.build
        for turn in column.course.turns:
            yield turn + LATER_DAYS, need.turn


def _work(column: Column) -> Iterator[tuple[int, int]]:
    """Yield the days and person-minutes of a column's tasks."""
    need = column.pile.minutes
    if column.pile.wish.built_on is None:
        yield column.course.built, need.build
    for turn in column.course.turns:
        yield turn, need.turn
    if column.screened is not None:
        yield column.screened, need.screen
