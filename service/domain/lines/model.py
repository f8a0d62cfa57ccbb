"""A line of piles as a constraint model: when each pile is built, turned and ready, and in which bay it stands."""

import bisect
import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, Final

from ortools.sat.python import cp_model

from service.domain.lines.courses import Course, Minutes, courses_of, days_with, minutes_of
from service.domain.lines.request import LineRequest, PileWish
from service.domain.schedules.nearest import spacing_between, window_of

LATER_DAYS: Final = 4
"""How far labour may push a turn past where pattern and rule have it: further, and it is another pattern. Never before
it: a pile turned early loses heat, one left a day longer regains it."""
LITRES: Final = 1000
_CLOCK_SLACK: Final = 2.0
_WORK_S: Final = 0.5
"""Of the solver's own deterministic seconds to a second asked: what it does, not the clock, is to end a search, so that
the same request gives the same plan. The clock is a second limit, for a machine that is too slow."""

Day = cp_model.IntVar
Sum = Any
"""A linear expression of the solver."""


@dataclass
class PileVars:
    """The unknowns of one pile; days are counted from the first day of the horizon.

    Attributes
    ----------
    wish, minutes, courses
        As given, what its tasks take, and where its turns fall by build day.
    is_built
        Whether it is built within the horizon; 1 for a pile that stands.
    on
        By build day, whether it is built then.
    built, turns, cool, ready
        Days: build, each turn, end of the hot phase, ready for use. 0 for a pile that is not built.
    done
        For each turn, whether the chosen course has it.
    moved
        For each turn, days from where its course has it.
    screened
        Day of screening, when there is one.
    in_class
        By class of bays, whether it stands in one of them.
    """

    wish: PileWish
    minutes: Minutes
    courses: list[Course]
    is_built: cp_model.IntVar
    on: dict[int, cp_model.IntVar]
    built: Day
    cool: Day
    ready: Day
    turns: list[Day] = field(default_factory=list)
    done: list[cp_model.IntVar] = field(default_factory=list)
    moved: list[cp_model.IntVar] = field(default_factory=list)
    screened: Day | None = None
    in_class: dict[int, cp_model.IntVar] = field(default_factory=dict)


class Line:
    """The model of a request, with its unknowns and its broken wishes.

    Parameters
    ----------
    request
        Found to fit.
    extra_bays
        Bays more of the commonest size, to see what one more would mend.
    late_days
        Days by which every wanted volume may come later, to see what lateness would mend.
    """

    def __init__(self, request: LineRequest, *, extra_bays: int = 0, late_days: int = 0) -> None:
        self.request = request
        self.model = cp_model.CpModel()
        self.late_days = late_days
        self.reach = (
            max([request.days, *((on - request.first).days for on in request.crew_min)])
            + 2 * request.days
            + 800
        )
        self._laid_out: dict[str, list[Course]] = {}
        self._days_with: dict[int, list[int]] = {}
        self.broken: dict[str, cp_model.IntVar] = {}
        self.classes = _classes(request, extra_bays)
        self.piles = [self._pile(wish) for wish in request.piles]
        self.short: dict[str, cp_model.IntVar] = {}
        self._tasks: list[tuple[cp_model.IntervalVar, int]] = []
        self._keep_bays()
        self._keep_labour()
        self._keep_material()
        self._keep_wishes()
        self._keep_orders()
        self._order_twins()

    @property
    def is_repair(self) -> bool:
        """Whether crews were told dates before."""
        return any(pile.wish.promised is not None for pile in self.piles)

    def days_with(self, minutes: int) -> list[int]:
        """Return the days whose crew can do a task of so many person-minutes, once for all that ask."""
        if minutes not in self._days_with:
            self._days_with[minutes] = days_with(self.request.crew_min, minutes, self.request.first)
        return self._days_with[minutes]

    # one pile -----------------------------------------------------------------------------------------------

    def _pile(self, wish: PileWish) -> PileVars:
        courses, need = self._courses(wish), minutes_of(self.request, wish)
        on = {one.built: self.model.new_bool_var(f"{wish.name} on {one.built}") for one in courses}
        is_built = self.model.new_bool_var(f"{wish.name} built")
        self.model.add(sum(on.values()) == is_built)
        if wish.built_on is not None:
            self.model.add(is_built == 1)
        built = self._day(f"{wish.name} build", min((0, *on)))
        self.model.add(built == sum(day * chosen for day, chosen in on.items()))
        cool, ready = self._day(f"{wish.name} cool"), self._day(f"{wish.name} ready")
        pile = PileVars(wish, need, courses, is_built, on, built, cool, ready)
        if courses:
            self._turns(pile)
        self._end(pile)
        return pile

    def _courses(self, wish: PileWish) -> list[Course]:
        """Lay out a pile's courses, once for all that are alike in what decides them."""
        if wish.built_on is not None:
            return courses_of(self.request, wish)
        key = repr((wish.pattern, wish.rule, wish.volume_m3, wish.earliest))
        if key not in self._laid_out:
            self._laid_out[key] = courses_of(self.request, wish)
        return self._laid_out[key]

    def _day(self, name: str, least: int = 0) -> Day:
        return self.model.new_int_var(least, self.reach, name)

    def _turns(self, pile: PileVars) -> None:
        count = max(len(one.turns) for one in pile.courses)
        open_to_turn = [0, *self.days_with(pile.minutes.turn)]
        domain = cp_model.Domain.from_values(open_to_turn)
        for turn in range(count):
            with_it = [one for one in pile.courses if len(one.turns) > turn]
            done = (
                pile.is_built
                if len(with_it) == len(pile.courses)
                else self._one_of(pile.on[one.built] for one in with_it)
            )
            at = self.model.new_int_var_from_domain(domain, f"{pile.wish.name} turn {turn + 1}")
            base = sum(one.turns[turn] * pile.on[one.built] for one in with_it)
            moved = self.model.new_int_var(0, LATER_DAYS, "")
            if pile.wish.built_on is None:
                self.model.add(moved == at - base)
            else:
                done = self._may_be_left(pile, turn, at, moved, base)
            pile.turns.append(at)
            pile.done.append(done)
            pile.moved.append(moved)
        self._apart(pile)

    def _may_be_left(
        self, pile: PileVars, turn: int, at: Day, moved: cp_model.IntVar, base: Sum
    ) -> cp_model.IntVar:
        """Let a turn of a pile that stands be left out, as a broken wish: the pile is there, whoever comes."""
        done = self.model.new_bool_var("")
        self.model.add(moved == at - base).only_enforce_if(done)
        self.model.add(at == 0).only_enforce_if(~done)
        self.model.add(moved == 0).only_enforce_if(~done)
        left = self.model.new_bool_var("")
        self.model.add(left + done == 1)
        self.broken[turn_key(pile.wish, turn)] = left
        return done

    def _one_of(self, literals: Iterable[cp_model.IntVar]) -> cp_model.IntVar:
        any_of = self.model.new_bool_var("")
        self.model.add(any_of == sum(literals))
        return any_of

    def _apart(self, pile: PileVars) -> None:
        """Keep turns in order and apart, and the rule's number of them together in its window."""
        spacing = spacing_between(pile.wish.pattern, pile.wish.rule)
        if pile.wish.built_on is not None:
            for before, after in itertools.combinations(range(len(pile.turns)), 2):
                both = (pile.done[before], pile.done[after])
                self.model.add(pile.turns[after] >= pile.turns[before] + spacing).only_enforce_if(*both)
            return
        for turn in range(1, len(pile.turns)):
            self.model.add(pile.turns[turn] >= pile.turns[turn - 1] + spacing).only_enforce_if(
                pile.done[turn]
            )
        together = window_of(pile.wish.rule)
        if together is None:
            return
        runs = []
        for opens in range(len(pile.turns) - together.turns + 1):
            closes = opens + together.turns - 1
            run = self.model.new_bool_var("")
            span = pile.turns[closes] - pile.turns[opens]
            self.model.add(span <= together.window_days - 1).only_enforce_if(run)
            self.model.add(pile.turns[opens] >= pile.built + together.from_day).only_enforce_if(run)
            self.model.add_implication(run, pile.done[closes])
            runs.append(run)
        self.model.add_bool_or([*runs, ~pile.is_built])

    def _end(self, pile: PileVars) -> None:
        """Say when the hot phase is over and when the compost is ready."""
        wish, built = pile.wish, pile.is_built
        hot = wish.rule.hot_until_day if wish.rule else 0
        after = wish.pattern.turn_every_days or 1
        ends = [pile.built + hot, *(turn + after for turn in pile.turns)]
        if wish.pattern.turn_every_days is None:
            ends.append(pile.built + wish.pattern.last_turn_day + 1)
        if wish.pattern.done_on_day is not None:
            ends.append(pile.built + wish.pattern.done_on_day)
        cool = self.model.new_int_var(-self.reach, self.reach, "")
        self.model.add_max_equality(cool, ends)
        self.model.add(pile.cool >= cool).only_enforce_if(built)
        self.model.add(pile.cool == 0).only_enforce_if(~built)
        cured = pile.cool + (wish.pattern.curing_days or 0)
        if wish.pattern.screen:
            days = [0, *self.days_with(pile.minutes.screen)]
            pile.screened = self.model.new_int_var_from_domain(cp_model.Domain.from_values(days), "")
            self.model.add(pile.screened >= cured).only_enforce_if(built)
            self.model.add(pile.screened == 0).only_enforce_if(~built)
            self.model.add(pile.ready == pile.screened)
            ready = {one.built: self._screened_by(pile, one, days) for one in pile.courses}
            self.model.add(pile.ready >= sum(day * pile.on[built] for built, day in ready.items()))
        else:
            self.model.add(pile.ready >= cured).only_enforce_if(built)
            self.model.add(pile.ready == 0).only_enforce_if(~built)

    def _screened_by(self, pile: PileVars, course: Course, days: Sequence[int]) -> int:
        """Return the first day a course could be screened, which the solver's relaxation would not see."""
        cured = cool_of(pile.wish, course) + (pile.wish.pattern.curing_days or 0)
        place = bisect.bisect_left(days, cured)
        return days[place] if place < len(days) else 0

    # what all piles share -----------------------------------------------------------------------------------

    def _keep_bays(self) -> None:
        """One pile a bay: piles that move on turning go down their bays in order, the others stay in one."""
        stays: dict[int, list[tuple[cp_model.IntervalVar, int]]] = {
            place: [] for place in range(len(self.classes))
        }
        for pile in self.piles:
            places = [place for place, one in enumerate(self.classes) if may_stand(one, pile.wish)]
            leaves = pile.ready if self.request.cures_in_bay else pile.cool
            if pile.wish.pattern.move_on_turning and pile.wish.built_on is None:
                self._move_down(pile, places, leaves, stays)
                continue
            if not places and not is_aside(pile.wish):
                self.model.add(pile.is_built == 0)
            for place in places:
                here = pile.is_built if len(places) == 1 else self.model.new_bool_var("")
                pile.in_class[place] = here
                stays[place].append((self._stay(pile.built, leaves, here), 1))
            if len(places) > 1:
                self.model.add(sum(pile.in_class.values()) == pile.is_built)
        for place, held in stays.items():
            if held:
                self.model.add_cumulative(
                    [one for one, _ in held], [1] * len(held), len(self.classes[place].bays)
                )

    def _stay(self, start: Sum, end: Sum, here: cp_model.IntVar) -> cp_model.IntervalVar:
        size = self.model.new_int_var(0, 2 * self.reach, "")
        return self.model.new_optional_interval_var(start, size, end, here, "")

    def _move_down(
        self,
        pile: PileVars,
        places: Sequence[int],
        leaves: Sum,
        stays: dict[int, list[tuple[cp_model.IntervalVar, int]]],
    ) -> None:
        starts: list[Sum] = [pile.built, *pile.turns][: len(places)]
        for stage, start in enumerate(starts):
            end = starts[stage + 1] if stage + 1 < len(starts) else leaves
            stays[places[stage]].append((self._stay(start, end, pile.is_built), 1))
        if not places:
            self.model.add(pile.is_built == 0)

    def _most_minutes(self) -> int:
        return max(self.request.crew_min.values())

    def _keep_labour(self) -> None:
        """Hold every day's work within that day's crew, and measure the busiest day."""
        most = self._most_minutes()
        tasks = self._tasks
        for pile in self.piles:
            for at, minutes, is_there in _tasks(pile):
                one = self.model.new_optional_fixed_size_interval_var(at, 1, is_there, "")
                tasks.append((one, minutes))
            if self.request.work.check_min:
                tasks.append((self._stay(pile.built, pile.cool, pile.is_built), self.request.work.check_min))
        filled = [
            (self.model.new_fixed_size_interval_var((on - self.request.first).days, 1, ""), most - there)
            for on, there in self.request.crew_min.items()
            if 0 < there < most
        ]
        if tasks:
            both = [*tasks, *filled]
            self.model.add_cumulative([one for one, _ in both], [minutes for _, minutes in both], most)

    @cached_property
    def supplies(self) -> list[tuple[str, int, int]]:
        """What there is before each arrival, and in all: feedstock, before which day, kg."""
        names = sorted({name for pile in self.piles for name in pile.wish.needs_kg})
        found = []
        for feedstock in names:
            came = [
                ((one.on - self.request.first).days, round(one.kg))
                for one in self.request.arrivals
                if one.feedstock == feedstock
            ]
            for until in sorted(
                {day for day, _ in came if 0 < day < self.request.days} | {self.request.days}
            ):
                found.append((feedstock, until, sum(kg for day, kg in came if day < until)))  # noqa: PERF401
        return found

    def _keep_material(self) -> None:
        """Never build from what has not arrived."""
        for feedstock in dict.fromkeys(name for name, _, _ in self.supplies):
            steps = [(until, supply) for name, until, supply in self.supplies if name == feedstock]
            taken: list[list[Sum]] = [[] for _ in steps]
            ends = [until for until, _ in steps]
            for pile in self.piles:
                kg = round(pile.wish.needs_kg.get(feedstock, 0))
                if not kg or pile.wish.built_on is not None:
                    continue
                for day, chosen in pile.on.items():
                    taken[bisect.bisect_right(ends, day)].append(kg * chosen)
            so_far: list[cp_model.IntVar] = []
            for (_, supply), here in zip(steps, taken, strict=True):
                # One unknown for each step, so that no sum is written out again for all that follow.
                so_far.append(self.model.new_int_var(0, max(0, supply), ""))
                self.model.add(so_far[-1] == sum(here) + sum(so_far[-2:-1]))

    def _keep_wishes(self) -> None:
        """Count a pile that is not built, or is built late, as a broken wish."""
        for pile in self.piles:
            wish = pile.wish
            if wish.is_spare or wish.built_on is not None:
                continue
            broken = self.model.new_bool_var(f"pile {wish.name} broken")
            until = self.reach if wish.latest is None else (wish.latest - self.request.first).days
            self.model.add(broken == 1 - sum(chosen for day, chosen in pile.on.items() if day <= until))
            self.broken[f"pile:{wish.name}"] = broken

    def _keep_orders(self) -> None:
        """Count a date by which less is ready than is wanted by then as a broken wish."""
        for grade, share in sorted(self.request.grades.items()):
            wanted = sorted(
                (one for one in self.request.orders if one.grade == grade), key=lambda one: (one.by, one.name)
            )
            asked = 0
            for order in wanted:
                asked += round(order.volume_m3 * LITRES)
                until = (order.by - self.request.first).days + self.late_days
                got = round(self.request.on_hand_m3.get(grade, 0.0) * LITRES) + sum(
                    litres * self._ready_by(pile, until)
                    for pile in self.piles
                    for litres in [litres_of(pile.wish, self.request, share)]
                    if litres and pile.courses
                )
                short = self.model.new_int_var(0, asked, f"short {order.name}")
                broken = self.model.new_bool_var(f"order {order.name} broken")
                self.model.add(got + short >= asked)
                self.model.add(short <= asked * broken)
                self.short[f"order:{order.name}"], self.broken[f"order:{order.name}"] = short, broken

    def _ready_by(self, pile: PileVars, until: int) -> cp_model.IntVar:
        is_ready = self.model.new_bool_var("")
        self.model.add_implication(is_ready, pile.is_built)
        self.model.add(pile.ready <= until).only_enforce_if(is_ready)
        return is_ready

    def _order_twins(self) -> None:
        """Of piles alike in everything, build the first named first: the other orders are the same plan."""
        for alike in twins(self.piles):
            for before, after in itertools.pairwise(alike):
                self.model.add_implication(after.is_built, before.is_built)
                self.model.add(before.built <= after.built).only_enforce_if(after.is_built)

    # what is wished for, as sums ----------------------------------------------------------------------------

    def broken_wishes(self) -> Sum:
        """Return the broken wishes, and below one whole of them the share of the wanted volume that is short."""
        return self.weight_of_a_wish * sum(self.broken.values()) + sum(self.short.values())

    @cached_property
    def weight_of_a_wish(self) -> int:
        """More than all volume that could be short, in litres."""
        litres = sum(round(order.volume_m3 * LITRES) for order in self.request.orders)
        return 1 + litres * max(1, len(self.request.orders))

    def busiest_day(self) -> Sum:
        """Return the person-minutes of the busiest day; said of the model only when asked for, for it is dear."""
        peak = self.model.new_int_var(0, self._most_minutes(), "busiest day")
        self.model.add_cumulative(
            [one for one, _ in self._tasks], [minutes for _, minutes in self._tasks], peak
        )
        return peak

    def readiness(self) -> Sum:
        """Return the days to readiness of all piles, and the days turns were moved."""
        return sum(pile.ready for pile in self.piles) + sum(sum(pile.moved) for pile in self.piles)


def settle(solver: cp_model.CpSolver, within_s: float, *, is_hasty: bool = False) -> None:
    """Set a solver up so that the same model gives the same answer, in about the time asked, or in no more if hasty."""
    parameters = solver.parameters
    parameters.num_workers = 1
    parameters.random_seed = 1
    parameters.max_deterministic_time = max(0.05, within_s * _WORK_S)
    parameters.max_time_in_seconds = max(0.05, within_s) if is_hasty else 1 + _CLOCK_SLACK * within_s
    # Twins are ordered already, and probing finds nothing here but takes longer than the search.
    parameters.symmetry_level = 0
    parameters.max_presolve_iterations = 1
    parameters.cp_model_probing_level = 0


def litres_of(wish: PileWish, request: LineRequest, share: float) -> int:
    """Return the finished volume of a pile in a grade that is so large a part of it, whole litres."""
    return int(wish.volume_m3 * request.kept_pct / 100 * share * LITRES)


def cool_of(wish: PileWish, course: Course) -> int:
    """Return the day on which a course's hot phase is over, its turns standing where they are."""
    hot = course.built + (wish.rule.hot_until_day if wish.rule else 0)
    last = max((0, *(turn - course.built for turn in course.turns)))
    return max(hot, course.built + wish.pattern.hot_phase_over(last))


def twins(piles: Sequence[PileVars]) -> list[list[PileVars]]:
    """Return the piles to be built in groups that are alike in everything but the name."""
    groups: dict[str, list[PileVars]] = {}
    for pile in piles:
        wish = pile.wish
        if wish.built_on is not None or wish.promised is not None:
            groups[wish.name] = [pile]
        else:
            groups.setdefault(repr(replace(wish, name="")), []).append(pile)
    return list(groups.values())


@dataclass(frozen=True)
class BayClass:
    """Bays that are alike to every pile of the request."""

    bays: tuple[str, ...]
    volume_m3: float


def _classes(request: LineRequest, extra: int) -> list[BayClass]:
    """Group the bays; one that a pile stands in, or moves through, or is wished for, is a class of its own."""
    alone = {bay for pile in request.piles for bay in (pile.bays or ())}
    moves = any(pile.pattern.move_on_turning for pile in request.piles)
    groups: dict[tuple[float, int], list[str]] = {}
    for place, bay in enumerate(request.bays):
        key = (bay.volume_m3, place if moves or bay.name in alone else -1)
        groups.setdefault(key, []).append(bay.name)
    if extra:
        key = max(groups, key=lambda one: len(groups[one]))
        groups[key] += [f"one more bay {number + 1}" for number in range(extra)]
    return [BayClass(tuple(names), key[0]) for key, names in groups.items()]


def is_aside(wish: PileWish) -> bool:
    """Return whether a pile stands in no bay any more, but cures elsewhere."""
    return wish.built_on is not None and not wish.bays


def turn_key(wish: PileWish, turn: int) -> str:
    """Return the key of a turn of a pile that stands, counted from its first."""
    return f"turn:{wish.name}:{len(wish.turns_done) + turn + 1}"


def may_stand(place: BayClass, wish: PileWish) -> bool:
    """Return whether a pile may stand in a class of bays."""
    if wish.bays is not None:
        return any(bay in wish.bays for bay in place.bays)
    return wish.built_on is not None or place.volume_m3 >= wish.volume_m3


def _tasks(pile: PileVars) -> list[tuple[Day, int, cp_model.IntVar]]:
    """Return the tasks still to be done: day, person-minutes, whether it is done at all."""
    found = [(at, pile.minutes.turn, done) for at, done in zip(pile.turns, pile.done, strict=True)]
    if pile.wish.built_on is None:
        found.append((pile.built, pile.minutes.build, pile.is_built))
    if pile.screened is not None:
        found.append((pile.screened, pile.minutes.screen, pile.is_built))
    return found
