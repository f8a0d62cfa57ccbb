"""The nearest plan against an independent exhaustive search, and the laws it keeps."""

import datetime as dt
import itertools
from dataclasses import replace

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from service.domain.schedules import WEEKDAYS, Pattern, TurnConstraint, plan
from service.domain.schedules.placing import Placing, Together
from tests.domain.schedules.words import MON_TO_FRI, MONDAY, NOP_WINDROW, UK_HOUSED, a_request, day, turn_days

NAMES = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


def is_open(request, on):
    return on not in request.closures and (
        NAMES[on.weekday()] in request.work_days or on in request.extra_days
    )


def wanted_turns(pattern, built_on, count):
    """The pattern's first turns by the words of the contract, day by day."""
    days = (
        since
        for since in itertools.count(pattern.rest_days)
        if (
            (since - pattern.rest_days) % pattern.turn_every_days == 0
            if pattern.turn_every_days
            else NAMES[(built_on + dt.timedelta(since)).weekday()] in pattern.turn_on
        )
    )
    return list(itertools.islice(days, count))


def deviation(request, built_on, turns, count):
    """What the nearest plan is least in, in order of weight."""
    shift = (built_on - request.build_on).days
    moves = [
        turn - want for turn, want in zip(turns, wanted_turns(request.pattern, built_on, count), strict=True)
    ]
    total = abs(shift) + sum(map(abs, moves))
    moved = (shift != 0) + sum(move != 0 for move in moves)
    return (total, moved, abs(shift), -shift, -sum(moves))


def window_held(rule, turns):
    """Whether some run of the rule's number of turns, none before it is hot, lies in its window."""
    runs = zip(turns, turns[rule.minimum_turns - 1 :], strict=False)
    return any(first >= 2 and last - first < rule.window_days for first, last in runs)


def best_from(request, built_on, wanted, spacing, turns, best):
    """The least of ``best`` and the deviation of every plan that begins with these turns, by trying them all."""
    if len(turns) == len(wanted):
        held = request.rule is None or window_held(request.rule, turns)
        return min(best, deviation(request, built_on, turns, len(wanted))) if held else best
    so_far = abs((built_on - request.build_on).days)
    so_far += sum(abs(turn - want) for turn, want in zip(turns, wanted, strict=False))
    want = wanted[len(turns)]
    floor = max(request.pattern.rest_days, turns[-1] + spacing if turns else 0)
    for turn in sorted(range(max(floor, want - 21), want + 22), key=lambda turn: abs(turn - want)):
        if so_far + abs(turn - want) > best[0]:
            break  # this turn and those after it, each further away, already deviate more
        if is_open(request, built_on + dt.timedelta(turn)):
            best = best_from(request, built_on, wanted, spacing, (*turns, turn), best)
    return best


def build_dates(request):
    """The dates on which it could be built, nearest first."""
    near = sorted(range(-6, 7), key=abs)
    return [on for on in (request.build_on + dt.timedelta(shift) for shift in near) if is_open(request, on)]


def least_of_all(request, count, spacing, best):
    """The least deviation over every build date and every choice of crew days that is not worse than ``best``."""
    for built_on in build_dates(request):
        best = best_from(request, built_on, wanted_turns(request.pattern, built_on, count), spacing, (), best)
    return best


def can_be_placed(request, built_on, count, spacing):
    """Whether any choice of crew days holds the turns: taking each as early as it can be leaves most for the rest."""
    last = request.pattern.rest_days - spacing
    for want in wanted_turns(request.pattern, built_on, count):
        open_turns = range(max(want - 21, request.pattern.rest_days, last + spacing), want + 22)
        last = next((turn for turn in open_turns if is_open(request, built_on + dt.timedelta(turn))), None)
        if last is None:
            return False
    return True


@st.composite
def requests(draw, most_turns=4, *, ruled=False):
    rest = draw(st.integers(1, 8))
    built_on = day(MONDAY, draw(st.integers(0, 6)))
    turns = draw(st.integers(1, most_turns))
    if draw(st.booleans()):
        every = draw(st.integers(1, 9))
        pattern = Pattern(rest, rest + every * (turns - 1), turn_every_days=every)
    else:
        turn_on = tuple(draw(st.lists(st.sampled_from(WEEKDAYS), min_size=1, max_size=4, unique=True)))
        pattern = Pattern(rest, 60, turn_on=turn_on)
        pattern = replace(pattern, last_turn_day=wanted_turns(pattern, built_on, turns)[-1])
    work_days = tuple(draw(st.lists(st.sampled_from(WEEKDAYS), max_size=6, unique=True)))
    offsets = draw(st.lists(st.integers(-6, 40), max_size=12, unique=True))
    closed = draw(st.integers(0, len(offsets)))
    rule = draw(st.sampled_from([NOP_WINDROW, UK_HOUSED])) if ruled else None
    return a_request(
        pattern,
        build_on=built_on,
        work_days=work_days,
        closures=tuple(day(MONDAY, offset) for offset in offsets[:closed]),
        extra_days=tuple(day(MONDAY, offset) for offset in offsets[closed:]),
        rule=rule,
    )


def least_spacing(request):
    """The spacing a moved turn keeps: half the pattern's own, no more than the rule's window allows, or the rule's."""
    pattern, rule = request.pattern, request.rule
    if pattern.turn_every_days:
        own = pattern.turn_every_days
    else:
        places = sorted(NAMES.index(word) for word in pattern.turn_on)
        own = min([b - a for a, b in itertools.pairwise(places)] + [places[0] + 7 - places[-1]])
    half = own // 2
    if rule is not None:
        half = min(half, (rule.window_days - 1) // (rule.minimum_turns - 1))
    return max(1, half, 2 if rule is UK_HOUSED else 1)


def turns_due(request, answer):
    """The turns asked for, or as many more as the rule's number takes with none counted before it is hot."""
    asked = turn_days(answer)
    cold = sum(turn < 2 for turn in asked)
    return max(len(asked), cold + request.rule.minimum_turns) if request.rule else len(asked)


def moved_days(answer):
    """Days moved in all; without a keepable plan more than any."""
    if answer.state == "planned":
        return 0
    return answer.nearest.moved_days if answer.nearest else float("inf")


class TestAgainstTryingEverything:
    @settings(max_examples=80, deadline=None)
    @given(requests())
    def test_the_nearest_deviates_least(self, request):
        answer = plan(request)
        count, spacing = len(turn_days(answer)), least_spacing(request)
        if answer.state == "planned":
            assert all(is_open(request, task.date) for task in answer.days)
        elif answer.nearest is None:
            assert not any(
                can_be_placed(request, built_on, count, spacing) for built_on in build_dates(request)
            )
        else:
            found = deviation(request, answer.nearest.built_on, turn_days(answer.nearest), count)
            assert least_of_all(request, count, spacing, found) == found
            assert answer.nearest.moved_days == found[0]

    @settings(max_examples=60, deadline=None)
    @given(requests(most_turns=5, ruled=True))
    def test_the_nearest_under_a_rule_deviates_least(self, request):
        answer = plan(request)
        assume(answer.nearest is not None)
        count = turns_due(request, answer)
        found = deviation(request, answer.nearest.built_on, turn_days(answer.nearest), count)
        # Trying everything takes long where everything is far away.
        assume(found[0] <= 8)
        assert least_of_all(request, count, least_spacing(request), found) == found

    @settings(max_examples=120, deadline=None)
    @given(st.data())
    def test_placing_is_the_cheapest_of_all_choices(self, data):
        count = data.draw(st.integers(1, 5))
        choices = [
            sorted(data.draw(st.dictionaries(st.integers(0, 14), st.integers(-3, 9), max_size=7)).items())
            for _ in range(count)
        ]
        spacing = tuple(data.draw(st.integers(1, 3)) for _ in range(count))
        together = data.draw(
            st.none() | st.builds(Together, st.integers(2, count + 1), st.integers(1, 8), st.integers(0, 6))
        )
        assume(together is None or together.turns <= count)
        costs = {}
        for pick in itertools.product(*choices):
            days = tuple(on for on, _ in pick)
            apart = all(days[i] - days[i - 1] >= spacing[i] for i in range(1, count))
            runs = zip(days, days[together.turns - 1 :], strict=False) if together else ()
            held = together is None or any(
                a >= together.from_day and b - a < together.window_days for a, b in runs
            )
            if apart and held:
                costs[days] = sum(cost for _, cost in pick)
        found = Placing(choices, spacing).cheapest(together)
        if found is None:
            assert costs == {}
        else:
            assert costs[found] == min(costs.values())


class TestLaws:
    @settings(max_examples=80, deadline=None)
    @given(requests(most_turns=9) | requests(most_turns=9, ruled=True))
    def test_the_nearest_can_be_kept(self, request):
        answer = plan(request)
        kept = answer if answer.state == "planned" else answer.nearest
        assume(kept is not None)
        assert (kept.state, kept.misfits, kept.nearest) == ("planned", (), None)
        assert all(is_open(request, task.date) for task in kept.days)
        days = turn_days(kept)
        assert len(days) == turns_due(request, answer)
        assert days[0] >= request.pattern.rest_days
        if request.rule is not None:
            assert all(b - a >= request.rule.spacing_h / 24 for a, b in itertools.pairwise(days))
            runs = zip(days, days[request.rule.minimum_turns - 1 :], strict=False)
            assert any(a >= 2 and b - a < request.rule.window_days for a, b in runs)

    @settings(max_examples=80, deadline=None)
    @given(requests(most_turns=9) | requests(most_turns=9, ruled=True))
    def test_there_are_never_more_misfits_than_tasks_and_each_is_one_of_them(self, request):
        answer = plan(request)
        tasks = {
            (task.date, task.task, task.day_of_pile) for task in answer.days if task.task in ("build", "turn")
        }
        named = [(misfit.date, misfit.task, misfit.day_of_pile) for misfit in answer.misfits]
        assert len(named) == len(set(named)) <= len(tasks)
        assert set(named) <= tasks
        assert (answer.state == "planned") == (not named)
        crewless = {key for key in tasks if not is_open(request, key[0])}
        assert crewless == {
            key
            for key, misfit in zip(named, answer.misfits, strict=True)
            if {"no_crew", "closed"} & set(misfit.causes)
        }
        assert all(misfit.because and misfit.remedy for misfit in answer.misfits)

    @settings(max_examples=60, deadline=None)
    @given(requests(most_turns=9), st.randoms(use_true_random=False))
    def test_the_order_of_the_lists_does_not_matter(self, request, chance):
        mixed = {
            name: chance.sample(list(getattr(request, name)), len(getattr(request, name)))
            for name in ("work_days", "closures", "extra_days")
        }
        assert plan(replace(request, **mixed)) == plan(request)

    @settings(max_examples=80, deadline=None)
    @given(requests(most_turns=6) | requests(most_turns=6, ruled=True), st.data())
    def test_one_more_work_day_never_makes_it_worse(self, request, data):
        closed_weekdays = sorted(set(WEEKDAYS) - set(request.work_days))
        more = data.draw(st.sampled_from([*closed_weekdays, *range(-6, 40)]))
        if isinstance(more, str):
            wider = replace(request, work_days=(*request.work_days, more))
        else:
            on = day(MONDAY, more)
            assume(on not in (*request.closures, *request.extra_days))
            wider = replace(request, extra_days=(*request.extra_days, on))
        assert moved_days(plan(wider)) <= moved_days(plan(request))

    @settings(max_examples=60, deadline=None)
    @given(requests(most_turns=9) | requests(most_turns=9, ruled=True), st.integers(-3, 3))
    def test_everything_a_week_later_is_planned_a_week_later(self, request, weeks):
        later = dt.timedelta(7 * weeks)
        shifted = replace(
            request,
            build_on=request.build_on + later,
            closures=tuple(on + later for on in request.closures),
            extra_days=tuple(on + later for on in request.extra_days),
        )
        assert dates(plan(shifted)) == [
            (state, [(on + later, *rest) for on, *rest in tasks]) for state, tasks in dates(plan(request))
        ]

    @settings(max_examples=40, deadline=None)
    @given(requests(most_turns=9), st.sampled_from(["Europe/Lisbon", "Pacific/Chatham", "America/St_Johns"]))
    def test_the_zone_moves_no_date(self, request, zone):
        assert plan(replace(request, time_zone=zone)).days == plan(replace(request, time_zone="Etc/UTC")).days


def dates(answer):
    found = [
        (answer.state, [(task.date, task.task, task.day_of_pile) for task in answer.days]),
        ("misfits", [(misfit.date, misfit.task, misfit.day_of_pile) for misfit in answer.misfits]),
    ]
    return found + (dates(answer.nearest) if answer.nearest else [])


class TestChoosing:
    def test_the_build_moves_where_that_is_nearer_than_moving_turns(self):
        # From Tuesday the first turn falls on Saturday and may not go back into the rest: Wednesday is nearer.
        answer = plan(a_request(build_on=dt.date(2026, 3, 3)))
        assert answer.nearest is not None
        assert (answer.nearest.built_on, answer.nearest.moved_days) == (dt.date(2026, 3, 4), 3)

    def test_no_build_is_proposed_before_the_earliest_date(self):
        saturday = dt.date(2026, 3, 7)
        free = plan(a_request(build_on=saturday))
        friday = plan(a_request(build_on=saturday, earliest_build_on=dt.date(2026, 3, 6)))
        assert friday == free
        bound = plan(a_request(build_on=saturday, earliest_build_on=saturday))
        assert free.nearest is not None
        assert free.nearest.built_on == dt.date(2026, 3, 6)
        assert bound.nearest is not None
        assert bound.nearest.built_on == dt.date(2026, 3, 9)

    def test_of_two_equal_moves_the_later_is_chosen_for_the_heat(self):
        once = Pattern(7, 7, turn_every_days=7)
        answer = plan(
            a_request(
                once, work_days=("mon", "tue", "wed", "thu", "fri", "sat", "sun"), closures=(day(MONDAY, 7),)
            )
        )
        assert answer.nearest is not None
        assert turn_days(answer.nearest) == [8]
        twice = Pattern(6, 13, turn_every_days=7)
        both = plan(a_request(twice, work_days=WEEKDAYS, closures=(day(MONDAY, 13),)))
        assert both.nearest is not None
        assert turn_days(both.nearest) == [6, 14]

    def test_one_turn_moved_by_two_beats_two_moved_by_one(self):
        # Monday and Tuesday are days 7 and 8; with days 8 and 9 closed, 7 and 10 or 6 and 7 are left, two days each.
        pattern = Pattern(5, 8, turn_on=("mon", "tue"))
        closures = (day(MONDAY, 8), day(MONDAY, 9))
        answer = plan(a_request(pattern, work_days=WEEKDAYS, closures=closures))
        assert answer.nearest is not None
        assert (turn_days(answer.nearest), answer.nearest.moved_days) == ([7, 10], 2)

    def test_a_moved_weekly_turn_keeps_half_a_week_from_the_next(self):
        weekly = Pattern(7, 21, turn_every_days=7)
        closures = tuple(
            day(MONDAY, days) for days in range(11, 21)
        )  # the second turn, day 14, and far around it
        answer = plan(a_request(weekly, work_days=WEEKDAYS, closures=closures))
        assert answer.nearest is not None
        # Day 14 goes back to day 10, four days, rather than on to day 21 and pushing the third turn.
        assert turn_days(answer.nearest) == [7, 10, 21]

    @pytest.mark.parametrize("most", [1, 2, 3])
    def test_a_turn_is_moved_by_three_weeks_at_most(self, most):
        once = Pattern(7, 7, turn_every_days=7)
        closures = tuple(day(MONDAY, days) for days in range(7, 7 + 7 * most))
        answer = plan(a_request(once, work_days=("mon",), closures=closures))
        assert answer.nearest is not None
        assert answer.nearest.built_on == MONDAY
        assert turn_days(answer.nearest) == [7 + 7 * most]
        shut = (*closures, *(day(MONDAY, days) for days in range(7 + 7 * most, 50)))
        assert plan(a_request(once, work_days=("mon",), closures=shut)).nearest is None


class TestRuleOfTheWindow:
    @settings(max_examples=60, deadline=None)
    @given(st.integers(1, 12), st.integers(3, 8), st.integers(2, 5), st.integers(2, 20))
    @example(4, 4, 5, 17)
    @example(4, 4, 5, 16)
    def test_a_pattern_is_refused_exactly_when_no_window_holds_its_turns(self, every, rest, turns, window):
        rule = TurnConstraint("r", "c", turns, window_days=window)
        pattern = Pattern(rest, rest + every * (turns - 1), turn_every_days=every)
        answer = plan(a_request(pattern, work_days=WEEKDAYS, rule=rule))
        # `turns` turns at an interval cover this many dates, the first and the last included.
        assert (answer.state == "planned") == (every * (turns - 1) + 1 <= window)


def test_monday_to_friday_is_what_the_words_say():
    assert WEEKDAYS[:5] == MON_TO_FRI
