import datetime as dt
import itertools
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.schedules import Pattern, WorkCalendar, match_turns, next_turn, plan, repair
from tests.domain.schedules.words import (
    EIGHTEEN_DAYS,
    EVERY_DAY,
    MON_TO_FRI,
    MON_WED_FRI,
    MONDAY,
    NOP_WINDROW,
    UK_HOUSED,
    WEEK_THEN_MON_WED_FRI,
    a_request,
    day,
    turn_days,
)

CREW = WorkCalendar(frozenset(MON_TO_FRI))


def march(*days):
    return tuple(dt.date(2026, 3, on) for on in days)


class TestMatching:
    @pytest.mark.parametrize(
        ("planned", "recorded", "matched", "missed", "unplanned"),
        [
            ((9, 11), (9, 11), [(9, 9), (11, 11)], (), ()),
            ((9, 11), (10, 12), [(9, 10), (11, 12)], (), ()),
            ((9, 11), (10,), [(9, 10)], (11,), ()),  # turned between two: late for the first
            ((9, 10, 11), (10, 11), [(10, 10), (11, 11)], (9,), ()),
            ((9, 16), (11, 16), [(16, 16)], (9,), (11,)),  # two days late is another turn
            ((9,), (9, 9), [(9, 9)], (), (9,)),
            ((), (9,), [], (), (9,)),
            ((9,), (), [], (9,), ()),
            ((9, 10), (8, 9), [(9, 8), (10, 9)], (), ()),  # two pairs a day off beat one exact
        ],
    )
    def test_within_a_day(self, planned, recorded, matched, missed, unplanned):
        found = match_turns(march(*planned), march(*recorded))
        assert found.matched == tuple(march(*pair) for pair in matched)
        assert (found.missed, found.unplanned) == (march(*missed), march(*unplanned))

    @settings(max_examples=200, deadline=None)
    @given(st.lists(st.integers(1, 12), max_size=5), st.lists(st.integers(1, 12), max_size=5))
    def test_as_many_and_as_near_as_any_pairing(self, planned, recorded):
        found = match_turns(march(*planned), march(*recorded))
        best = (0, 0)
        for count in range(min(len(planned), len(recorded)) + 1):
            for some in itertools.combinations(planned, count):
                for others in itertools.permutations(recorded, count):
                    apart = [abs(a - b) for a, b in zip(some, others, strict=True)]
                    if all(days <= 1 for days in apart):
                        best = min(best, (-count, sum(apart)))
        assert (-len(found.matched), sum(abs((a - b).days) for a, b in found.matched)) == best
        pairs = [*found.matched]
        assert sorted([*(a for a, _ in pairs), *found.missed]) == sorted(march(*planned))
        assert sorted([*(b for _, b in pairs), *found.unplanned]) == sorted(march(*recorded))
        assert match_turns(march(*reversed(planned)), march(*reversed(recorded))) == found


class TestNextTurn:
    """A week's rest, then Monday, Wednesday and Friday: turns on 9, 11, 13, 16, … March 2026."""

    def following(self, done, today, crew=CREW):
        return next_turn(WEEK_THEN_MON_WED_FRI, MONDAY, march(*done), dt.date(2026, 3, today), crew)

    def test_before_the_first_turn(self):
        found = self.following((), 4)
        assert (found.missed_on, found.missed, found.next_on, found.catch_up_on) == (
            None,
            (),
            *march(9),
            None,
        )

    def test_on_the_day_the_turn_is_next_and_not_missed(self):
        found = self.following((), 9)
        assert (found.missed_on, found.next_on) == (None, *march(9))

    def test_a_turn_done_today_makes_way_for_the_next(self):
        assert self.following((9,), 9).next_on == dt.date(2026, 3, 11)

    def test_a_missed_turn_is_named_and_the_next_one_a_day_off_makes_it_good(self):
        found = self.following((), 10)
        assert (found.missed_on, found.next_on, found.catch_up_on) == (*march(9, 11), None)

    def test_a_missed_friday_is_made_good_on_an_extra_saturday(self):
        with_saturday = replace(CREW, extra_days=frozenset(march(14)))
        found = self.following((9, 11), 14, with_saturday)
        assert (found.missed_on, found.next_on, found.catch_up_on) == march(13, 16, 14)
        # Without it the Monday is both the next crew day and the next turn.
        assert self.following((9, 11), 14).catch_up_on is None

    def test_a_pile_turned_since_has_nothing_to_catch_up(self):
        weekly = Pattern(7, 35, turn_every_days=7)
        missed = next_turn(weekly, MONDAY, (), dt.date(2026, 3, 10), CREW)
        assert (missed.missed_on, missed.next_on, missed.catch_up_on) == march(9, 16, 10)
        turned = next_turn(weekly, MONDAY, march(12), dt.date(2026, 3, 13), CREW)
        assert (turned.missed_on, turned.next_on, turned.catch_up_on) == (*march(9, 16), None)

    def test_after_the_last_turn_none_is_next(self):
        done = (9, 11, 13, 16, 18, 20, 23, 25, 27)
        assert self.following(done, 28).next_on is None
        late = self.following(done[:-1], 30)
        assert (late.missed_on, late.next_on, late.catch_up_on) == (*march(27), None, *march(30))

    def test_a_pattern_is_laid_on_crew_days_and_a_plan_followed_by_its_nearest(self):
        from_pattern = next_turn(EIGHTEEN_DAYS, MONDAY, march(6), dt.date(2026, 3, 7), CREW)
        from_plan = next_turn(plan(a_request()), MONDAY, march(6), dt.date(2026, 3, 7), CREW)
        # Sunday the 8th has no crew; both say Monday the 9th.
        assert from_pattern.next_on == from_plan.next_on == dt.date(2026, 3, 9)

    def test_a_pattern_that_does_not_fit_is_refused(self):
        with pytest.raises(Invalid):
            next_turn(Pattern(4, 16), MONDAY, (), MONDAY, CREW)


class TestRepair:
    REQUEST = a_request(WEEK_THEN_MON_WED_FRI, work_days=MON_TO_FRI)

    def test_nothing_missed_leaves_the_plan_as_it_is(self):
        whole = plan(self.REQUEST)
        left = repair(self.REQUEST, MONDAY, march(9, 11), dt.date(2026, 3, 12))
        assert (left.state, left.moved_days) == ("planned", 0)
        assert left.turn_dates == whole.turn_dates[2:]
        assert all(task.date >= dt.date(2026, 3, 12) for task in left.days)
        assert [task for task in left.days if task.task == "check"] == [
            task for task in whole.days if task.task == "check" and task.date >= dt.date(2026, 3, 12)
        ]

    WEEKLY = a_request(Pattern(7, 28, turn_every_days=7), work_days=MON_TO_FRI)

    def test_a_missed_turn_is_made_good_and_the_others_stay(self):
        left = repair(self.WEEKLY, MONDAY, (), dt.date(2026, 3, 10))
        assert left.turn_dates == march(10, 16, 23, 30)
        assert left.moved_days == 1
        assert "1 day later than day 7" in next(task.reason for task in left.days if task.task == "turn")

    def test_a_turn_missed_just_before_the_next_is_done_at_the_end(self):
        # Wednesday was missed, today is Thursday and Friday's turn comes: two days on end would cool it for nothing.
        left = repair(self.REQUEST, MONDAY, march(9), dt.date(2026, 3, 12))
        assert left.turn_dates == march(13, 16, 18, 20, 23, 25, 27, 30)
        assert left.moved_days == 0

    def test_of_several_missed_turns_one_is_made_good_and_the_rest_are_done_at_the_end(self):
        left = repair(self.WEEKLY, MONDAY, (), dt.date(2026, 3, 24))
        # Missed on the 9th, 16th and 23rd: one today, the planned one on the 30th, two carried on.
        assert left.turn_dates == (*march(24, 30), dt.date(2026, 4, 6), dt.date(2026, 4, 13))

    def test_a_late_turn_stands_for_the_missed_one(self):
        left = repair(self.WEEKLY, MONDAY, march(12), dt.date(2026, 3, 13))
        assert left.turn_dates == march(16, 23, 30)

    def test_an_extra_turn_takes_none_away(self):
        left = repair(self.WEEKLY, MONDAY, march(9, 12), dt.date(2026, 3, 13))
        assert left.turn_dates == march(16, 23, 30)

    def test_a_closure_that_has_come_up_moves_only_what_it_hits(self):
        closed = replace(self.REQUEST, closures=march(16))
        left = repair(closed, MONDAY, march(9, 11, 13), dt.date(2026, 3, 14))
        assert left.turn_dates == march(17, 18, 20, 23, 25, 27)

    def test_the_rules_spacing_is_kept_from_the_last_turn_done(self):
        ruled = a_request(Pattern(4, 8, turn_every_days=2), work_days=EVERY_DAY, rule=UK_HOUSED)
        left = repair(ruled, MONDAY, (day(MONDAY, 5),), day(MONDAY, 6))
        assert [task.day_of_pile for task in left.days if task.task == "turn"] == [7, 9]

    FIVE = a_request(Pattern(4, 16, turn_every_days=3), work_days=EVERY_DAY, rule=NOP_WINDROW)

    def test_turns_done_count_towards_the_rules_window(self):
        # Day 4 done, 7 and 10 missed, it is day 12: 13 and 16 stay, and two more by day 18 share 15 days with day 4.
        left = repair(self.FIVE, MONDAY, (day(MONDAY, 4),), day(MONDAY, 12))
        assert (left.state, turn_days(left)) == ("planned", [13, 16, 17, 18])

    def test_a_lost_window_is_filled_again_by_carrying_on(self):
        # Only day 4 was done and it is day 30: five more turns, one today, the others where the pattern has them.
        left = repair(self.FIVE, MONDAY, (day(MONDAY, 4),), day(MONDAY, 30))
        assert (left.state, turn_days(left)) == ("planned", [30, 34, 37, 40, 43])

    @pytest.mark.parametrize(
        ("work_days", "cause", "said"),
        [
            (("mon",), "no_crew", "no crew works on Sundays (2026-03-15)"),
            (("sun",), "window", "no days are left that satisfy us-nop-windrow"),
        ],
    )
    def test_turns_that_can_no_longer_be_placed_are_said_so(self, work_days, cause, said):
        left = repair(replace(self.FIVE, work_days=work_days), MONDAY, (day(MONDAY, 4),), day(MONDAY, 12))
        assert (left.state, left.moved_days, left.nearest) == ("cannot_be_kept", None, None)
        assert [misfit.causes for misfit in left.misfits] == [(cause,)]
        assert said in left.misfits[0].because

    def test_too_few_crew_days_without_a_rule_are_said_so(self):
        only = replace(self.WEEKLY, work_days=(), extra_days=(day(MONDAY, 7),))
        left = repair(only, MONDAY, (), day(MONDAY, 7))
        assert [(misfit.date, misfit.causes) for misfit in left.misfits] == [(day(MONDAY, 7), ("no_crew",))]
        assert "too few crew days" in left.misfits[0].because

    def test_a_finished_pile_has_no_turn_left(self):
        done = march(9, 11, 13, 16, 18, 20, 23, 25, 27)
        cured = replace(self.REQUEST, pattern=replace(WEEK_THEN_MON_WED_FRI, curing_days=30, screen=True))
        left = repair(cured, MONDAY, done, dt.date(2026, 3, 28))
        assert (left.state, left.turn_dates) == ("planned", ())
        assert [task.task for task in left.days] == ["move", "screen"]

    @settings(max_examples=100, deadline=None)
    @given(
        st.sets(st.integers(4, 20)), st.integers(0, 24), st.sampled_from([MON_TO_FRI, EVERY_DAY, MON_WED_FRI])
    )
    def test_what_is_left_is_on_crew_days_from_today_on_and_completes_the_turns(self, done, age, work_days):
        done = sorted(on for on in done if on <= age)
        request = a_request(work_days=work_days)
        left = repair(request, MONDAY, [day(MONDAY, on) for on in done], day(MONDAY, age))
        assert left.state == "planned"
        crew = request.calendar
        assert all(task.date >= day(MONDAY, age) and crew.is_crew_day(task.date) for task in left.days)
        assert len(done) + len(left.turn_dates) >= 7
        assert not {day(MONDAY, on) for on in done} & set(left.turn_dates)
