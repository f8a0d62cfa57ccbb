import calendar
import datetime as dt
import itertools
from dataclasses import replace

import pytest

from service.domain.schedules import Pattern, TurnConstraint, plan
from tests.domain.schedules.words import (
    AU_STANDARD,
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

GOOD_FRIDAY = dt.date(2026, 4, 3)
STARTS = [day(MONDAY, days) for days in range(7)]


def misfits(answer):
    return [(misfit.task, misfit.day_of_pile, misfit.weekday, misfit.causes) for misfit in answer.misfits]


class TestWeekThenMonWedFri:
    """A week's rest, then Monday, Wednesday and Friday for three weeks: common practice, no source."""

    REQUEST = a_request(
        WEEK_THEN_MON_WED_FRI, work_days=MON_WED_FRI, closures=(GOOD_FRIDAY,), rule=NOP_WINDROW
    )

    def test_it_is_planned_with_exactly_nine_turns(self):
        answer = plan(self.REQUEST)
        assert answer.state == "planned"
        assert (answer.misfits, answer.nearest, answer.moved_days) == ((), None, 0)
        # Read off a calendar of March 2026.
        assert answer.turn_dates == tuple(dt.date(2026, 3, on) for on in (9, 11, 13, 16, 18, 20, 23, 25, 27))
        assert turn_days(answer) == [7, 9, 11, 14, 16, 18, 21, 23, 25]
        assert (answer.days[0].task, answer.days[0].date, answer.days[0].day_of_pile) == ("build", MONDAY, 0)

    @pytest.mark.parametrize("built_on", [start for start in STARTS if start.weekday() in (0, 2, 4)])
    def test_nine_turns_whatever_crew_day_it_is_built_on(self, built_on):
        answer = plan(replace(self.REQUEST, build_on=built_on, closures=()))
        assert (answer.state, len(answer.turn_dates)) == ("planned", 9)

    @pytest.mark.parametrize("built_on", [start for start in STARTS if start.weekday() in (1, 3, 5, 6)])
    def test_a_build_on_a_day_without_crew_is_the_only_misfit_and_moves_by_a_day(self, built_on):
        answer = plan(replace(self.REQUEST, build_on=built_on, closures=()))
        assert [(task, on, causes) for task, on, _, causes in misfits(answer)] == [("build", 0, ("no_crew",))]
        assert answer.nearest is not None
        assert answer.nearest.moved_days == abs((answer.nearest.built_on - built_on).days) == 1
        assert len(answer.nearest.turn_dates) == 9

    def test_a_closed_turn_day_is_a_misfit_and_goes_to_the_later_of_two_equal_days(self):
        closed = dt.date(2026, 3, 18)
        answer = plan(replace(self.REQUEST, work_days=MON_TO_FRI, closures=(closed,)))
        assert answer.state == "cannot_be_kept"
        assert misfits(answer) == [("turn", 16, "wed", ("closed",))]
        assert answer.misfits[0].date == closed
        assert "closed on Wednesday 2026-03-18" in answer.misfits[0].because
        assert "Thursday 2026-03-19, 1 day later" in answer.misfits[0].remedy
        assert answer.nearest is not None
        assert answer.nearest.moved_days == 1
        assert turn_days(answer.nearest) == [7, 9, 11, 14, 17, 18, 21, 23, 25]

    def test_a_named_weekday_without_crew_is_a_misfit_each_time(self):
        answer = plan(replace(self.REQUEST, work_days=("mon", "tue", "fri")))
        assert misfits(answer) == [("turn", on, "wed", ("no_crew",)) for on in (9, 16, 23)]
        assert answer.nearest is not None
        assert turn_days(answer.nearest) == [7, 8, 11, 14, 15, 18, 21, 22, 25]


class TestEighteenDays:
    """Four days' rest, then every second day: turns on days 4 to 16, done on day 18."""

    # Seven turns at every second day fall on each weekday once, so a Monday-to-Friday crew misses exactly one
    # Saturday and one Sunday whatever the start. Days counted on a calendar of March 2026.
    @pytest.mark.parametrize(
        ("built_on", "weekend"),
        [
            ("2026-03-02", {12: "sat", 6: "sun"}),
            ("2026-03-03", {4: "sat", 12: "sun"}),
            ("2026-03-04", {10: "sat", 4: "sun"}),
            ("2026-03-05", {16: "sat", 10: "sun"}),
            ("2026-03-06", {8: "sat", 16: "sun"}),
            ("2026-03-07", {0: "sat", 14: "sat", 8: "sun"}),
            ("2026-03-08", {0: "sun", 6: "sat", 14: "sun"}),
        ],
    )
    def test_monday_to_friday_can_never_keep_it(self, built_on, weekend):
        start = dt.date.fromisoformat(built_on)
        answer = plan(a_request(build_on=start))
        assert answer.state == "cannot_be_kept"
        assert {misfit.day_of_pile: misfit.weekday for misfit in answer.misfits} == weekend
        for misfit in answer.misfits:
            assert misfit.date == day(start, misfit.day_of_pile)
            assert misfit.task == ("build" if misfit.day_of_pile == 0 else "turn")
            assert misfit.causes == ("no_crew",)
        assert turn_days(answer) == [4, 6, 8, 10, 12, 14, 16]

    @pytest.mark.parametrize("built_on", STARTS)
    def test_the_nearest_keeps_seven_turns_on_weekdays_after_the_rest(self, built_on):
        nearest = plan(a_request(build_on=built_on)).nearest
        assert nearest is not None
        assert nearest.state == "planned"
        assert len(nearest.turn_dates) == 7
        assert min(turn_days(nearest)) >= 4
        assert all(
            calendar.weekday(on.year, on.month, on.day) < 5 for on in (task.date for task in nearest.days)
        )
        # One Saturday and one Sunday to be moved by a day each; a weekend build costs one day more, and from a
        # Tuesday the rest keeps the first Saturday from going back to the Friday.
        assert nearest.moved_days == {0: 2, 1: 3, 2: 2, 3: 2, 4: 2, 5: 3, 6: 3}[built_on.weekday()]

    def test_from_a_monday_it_is_friday_monday_tuesday_and_so_on(self):
        nearest = plan(a_request()).nearest
        assert nearest is not None
        assert turn_days(nearest) == [4, 7, 8, 10, 11, 14, 16]
        moved = {task.day_of_pile: task.reason for task in nearest.days if "than day" in task.reason}
        assert set(moved) == {7, 11}
        assert "1 day later than day 6: no crew works on Sundays" in moved[7]
        assert "1 day earlier than day 12" in moved[11]

    def test_the_remedy_names_the_nearest_day_and_the_day_to_open(self):
        sunday = plan(a_request()).misfits[0]
        assert "turn on Monday 2026-03-09, 1 day later" in sunday.remedy
        assert "open Sunday 2026-03-08 as an extra work day" in sunday.remedy

    def test_two_extra_days_make_it_keepable(self):
        extra = (dt.date(2026, 3, 8), dt.date(2026, 3, 14))
        answer = plan(a_request(extra_days=extra))
        assert (answer.state, turn_days(answer)) == ("planned", [4, 6, 8, 10, 12, 14, 16])

    @pytest.mark.parametrize("built_on", STARTS)
    def test_a_crew_every_day_keeps_it_from_any_start(self, built_on):
        assert plan(a_request(build_on=built_on, work_days=EVERY_DAY)).state == "planned"

    def test_who_wants_every_other_day_kept_can_say_so(self):
        nearest = plan(a_request(replace(EIGHTEEN_DAYS, min_spacing_days=2))).nearest
        assert nearest is not None
        days = turn_days(nearest)
        assert min(later - earlier for earlier, later in itertools.pairwise(days)) == 2
        # Mon Wed Fri, Mon Wed Fri, Mon from a build on Thursday: 3 days for the build and 0 0 0 1 1 1 2 for the
        # turns. Kept on Monday, the build would need Fri, Mon Wed Fri, Mon Wed Fri: 0 1 1 1 2 2 2, one day more.
        assert (nearest.built_on, days, nearest.moved_days) == (
            dt.date(2026, 3, 5),
            [4, 6, 8, 11, 13, 15, 18],
            8,
        )


class TestNoNearest:
    def test_without_any_work_day_the_misfits_say_so_and_name_the_days_to_open(self):
        answer = plan(a_request(work_days=()))
        assert (answer.state, answer.nearest) == ("cannot_be_kept", None)
        assert len(answer.misfits) == 8
        assert "the site has no work day at all" in answer.misfits[0].because
        assert (
            "8 extra work days: Monday 2026-03-02, Friday 2026-03-06, Sunday 2026-03-08"
            in answer.misfits[0].remedy
        )
        assert "and 1 more" in answer.misfits[0].remedy

    def test_a_closed_day_is_not_proposed_to_be_opened(self):
        answer = plan(a_request(work_days=(), closures=(dt.date(2026, 3, 6),)))
        assert "2026-03-06" not in answer.misfits[0].remedy
        assert answer.misfits[1].date == dt.date(2026, 3, 6)
        assert answer.misfits[1].causes == ("closed",)
        assert "open Saturday 2026-03-07 as an extra work day and turn then" in answer.misfits[1].remedy

    def test_a_crew_on_saturdays_only_cannot_turn_seven_times_near_enough(self):
        # Built on Saturday 2026-03-07, days 7, 14, … are its Saturdays; seven of them end on day 49, more than
        # three weeks after day 16. Days up to 37 hold five, so two days must be opened.
        answer = plan(a_request(build_on=dt.date(2026, 3, 7), work_days=("sat",)))
        assert answer.nearest is None
        assert "still hold too few turns" in answer.misfits[0].because
        assert "the cheapest change is 2 extra work days" in answer.misfits[0].remedy

    def test_a_rule_its_own_spacing_contradicts_is_named(self):
        # Five turns four days apart take 17 days.
        impossible = replace(NOP_WINDROW, spacing_h=96)
        answer = plan(a_request(replace(EIGHTEEN_DAYS, turn_every_days=4, last_turn_day=24), rule=impossible))
        assert answer.nearest is None
        (said,) = [misfit for misfit in answer.misfits if "window" in misfit.causes]
        assert (
            "5 turns at least 4 days apart take 17 days and never fit the 15 days of us-nop-windrow"
            in said.because
        )

    def test_a_pattern_too_slow_for_the_rule_says_that_no_crew_would_help(self):
        answer = plan(a_request(Pattern(60, 360, turn_every_days=60), work_days=EVERY_DAY, rule=NOP_WINDROW))
        assert answer.nearest is None
        assert "whoever works on them" in answer.misfits[0].because
        assert answer.misfits[0].remedy == "choose another pattern or another build date"


class TestRules:
    @pytest.mark.parametrize("pattern", [EIGHTEEN_DAYS, WEEK_THEN_MON_WED_FRI])
    @pytest.mark.parametrize("rule", [NOP_WINDROW, UK_HOUSED])
    def test_the_classic_patterns_satisfy_the_turned_rules(self, pattern, rule):
        assert plan(a_request(pattern, work_days=EVERY_DAY, rule=rule)).state == "planned"

    def test_too_few_turns_are_carried_on_to_the_rules_number(self):
        three = Pattern(4, 10, turn_every_days=3)  # days 4, 7, 10
        answer = plan(a_request(three, work_days=EVERY_DAY, rule=NOP_WINDROW))
        assert misfits(answer) == [("turn", 10, "thu", ("too_few_turns",))]
        assert "us-nop-windrow (7 CFR 205.203(c)(2)(iii)) asks for 5 turns" in answer.misfits[0].because
        assert "this pattern gives 3" in answer.misfits[0].because
        assert "carry the pattern on by 2 turns, to Wednesday 2026-03-18" in answer.misfits[0].remedy
        assert answer.nearest is not None
        assert turn_days(answer.nearest) == [4, 7, 10, 13, 16]
        assert answer.nearest.moved_days == 0

    @pytest.mark.parametrize(
        ("every", "kept"),
        # Five turns every 3 days take 13 days, every 4 days 17: the latter do not lie in one 15-day window.
        [(1, True), (2, True), (3, True), (4, False), (7, False)],
    )
    def test_five_turns_must_lie_in_one_window_of_fifteen_days(self, every, kept):
        pattern = Pattern(4, 4 + 4 * every, turn_every_days=every)
        answer = plan(a_request(pattern, work_days=EVERY_DAY, rule=NOP_WINDROW))
        assert (answer.state == "planned") is kept
        if not kept:
            assert misfits(answer)[0][1::2] == (4 + 4 * every, ("window",))
            assert f"the closest 5 here take {4 * every + 1}" in answer.misfits[0].because
            assert answer.nearest is not None
            days = turn_days(answer.nearest)
            assert len(days) == 5
            assert days[-1] - days[0] == 14
            # Days 4 8 12 16 20 lose a day at either end. Days 4 11 18 25 32 lose seven at either end, and the two
            # between move by three each to stay three days from those: half a week, and what five in 15 allow.
            assert answer.nearest.moved_days == {4: 2, 7: 20}[every]

    def test_a_window_anywhere_in_a_longer_pattern_is_enough(self):
        # Five of Mon Tue Wed take 9 days from a Monday or Tuesday (Mon Tue Wed Mon Tue) and 13 from a Wednesday.
        pattern = Pattern(9, 40, turn_on=("mon", "tue", "wed"))
        rule = replace(NOP_WINDROW, window_days=9)
        assert plan(a_request(pattern, rule=rule)).state == "planned"
        assert plan(a_request(pattern, rule=replace(rule, window_days=8))).state == "cannot_be_kept"

    @pytest.mark.parametrize(("every", "kept"), [(1, False), (2, True)])
    def test_turns_closer_than_the_rules_spacing_are_misfits(self, every, kept):
        pattern = Pattern(4, 4 + 2 * every, turn_every_days=every)
        answer = plan(a_request(pattern, work_days=EVERY_DAY, rule=UK_HOUSED))
        assert (answer.state == "planned") is kept
        if not kept:
            assert misfits(answer) == [("turn", 5, "sat", ("spacing",)), ("turn", 6, "sun", ("spacing",))]
            assert "asks for 48 h between turns" in answer.misfits[0].because
            assert answer.nearest is not None
            assert turn_days(answer.nearest) == [4, 6, 8]

    def test_heat_before_each_turn_spaces_the_turns_and_delays_the_first(self):
        # AS 4454-2012 cl. 3.2.1, from memory: 55 °C for three consecutive days before each turn. Two days to heat
        # and three days hot: none before day 5.
        answer = plan(a_request(Pattern(4, 10, turn_every_days=3), work_days=EVERY_DAY, rule=AU_STANDARD))
        assert misfits(answer) == [("turn", 4, "fri", ("before_heat",))]
        assert answer.nearest is not None
        assert turn_days(answer.nearest) == [5, 8, 11]

    def test_turns_before_the_heat_do_not_count_where_the_rule_wants_them_hot(self):
        daily = Pattern(1, 5, turn_every_days=1)  # days 1 to 5; hot from day 2 at the latest
        hot = TurnConstraint("hot", "cited", 5)
        assert (
            plan(a_request(daily, work_days=EVERY_DAY, rule=replace(hot, turns_while_hot=False))).state
            == "planned"
        )
        answer = plan(a_request(daily, work_days=EVERY_DAY, rule=hot))
        assert misfits(answer) == [("turn", 5, "sat", ("too_few_turns",))]
        assert answer.nearest is not None
        assert turn_days(answer.nearest) == [1, 2, 3, 4, 5, 6]

    def test_a_moved_turn_stays_where_the_rule_counts_it(self):
        # Thursdays, days 3 and 10, of a Monday's pile. With days 2 to 5 closed, day 1 is nearest, but not hot yet.
        thursdays = Pattern(1, 10, turn_on=("thu",))
        closures = tuple(day(MONDAY, days) for days in range(2, 6))
        free = plan(a_request(thursdays, work_days=EVERY_DAY, closures=closures))
        hot = plan(
            a_request(
                thursdays, work_days=EVERY_DAY, closures=closures, rule=TurnConstraint("hot", "cited", 2)
            )
        )
        assert free.nearest is not None
        assert turn_days(free.nearest) == [1, 10]
        assert hot.nearest is not None
        assert turn_days(hot.nearest) == [6, 10]

    def test_several_causes_are_one_misfit(self):
        answer = plan(a_request(Pattern(4, 6, turn_every_days=1), rule=UK_HOUSED))
        assert misfits(answer) == [
            ("turn", 5, "sat", ("no_crew", "spacing")),
            ("turn", 6, "sun", ("no_crew", "spacing")),
        ]


class TestVisits:
    def test_the_heat_is_looked_at_in_the_rest_and_between_turns(self):
        answer = plan(a_request(work_days=EVERY_DAY))
        checks = [task.day_of_pile for task in answer.days if task.task == "check"]
        assert checks == [1, 2, 3, 5, 7, 9, 11, 13, 15, 17]

    def test_checks_keep_to_crew_days(self):
        answer = plan(a_request(WEEK_THEN_MON_WED_FRI, work_days=("mon", "tue", "wed", "fri")))
        checks = [task.date.isoformat() for task in answer.days if task.task == "check"]
        assert checks == [f"2026-03-{on:02d}" for on in (3, 4, 6, 10, 17, 24)]

    def test_a_check_interval_still_has_one_look_at_whether_it_heats(self):
        windrow = Pattern(30, 60, turn_every_days=30, check_every_days=7)
        checks = [
            task.day_of_pile
            for task in plan(a_request(windrow, work_days=EVERY_DAY)).days
            if task.task == "check"
        ]
        assert checks == [1, 8, 15, 22, 29, 37, 44, 51, 58, 67, 74, 81, 88]

    def test_a_rule_that_counts_readings_has_them_taken_every_crew_day(self):
        windrow = Pattern(3, 15, turn_every_days=3, check_every_days=7)
        answer = plan(a_request(windrow, work_days=EVERY_DAY, rule=NOP_WINDROW))
        assert [task.day_of_pile for task in answer.days if task.task in ("check", "turn")] == list(
            range(1, 18)
        )
        assert answer.warnings == ()

    def test_nobody_there_while_it_should_heat_is_warned_of(self):
        friday = dt.date(2026, 3, 6)
        answer = plan(a_request(WEEK_THEN_MON_WED_FRI, build_on=friday, work_days=("mon", "wed", "fri")))
        assert "no_heat_check" not in {warning.kind for warning in answer.warnings}  # Monday is day 3
        closed = replace(a_request(WEEK_THEN_MON_WED_FRI, build_on=friday), closures=(dt.date(2026, 3, 9),))
        (warned,) = [warning for warning in plan(closed).warnings if warning.kind == "no_heat_check"]
        assert (warned.from_date, warned.to_date) == (dt.date(2026, 3, 7), dt.date(2026, 3, 9))

    def test_weekends_without_readings_need_a_logger_where_the_rule_counts_hours(self):
        answer = plan(a_request(WEEK_THEN_MON_WED_FRI, rule=NOP_WINDROW))
        gaps = [warning for warning in answer.warnings if warning.kind == "reading_gap"]
        assert [(gap.from_date.day, gap.to_date.day) for gap in gaps] == [
            (6, 9),
            (13, 16),
            (20, 23),
            (27, 30),
        ]
        assert "72 h apart" in gaps[0].detail
        # The clocks go forward on Sunday 2026-03-29 in Lisbon.
        assert "71 h apart" in gaps[3].detail
        assert all("at most 24 h apart: leave a logger" in gap.detail for gap in gaps)

    def test_visits_too_far_apart_all_along_are_one_stretch(self):
        answer = plan(a_request(WEEK_THEN_MON_WED_FRI, work_days=MON_WED_FRI, rule=NOP_WINDROW))
        (gap,) = answer.warnings
        assert (gap.kind, gap.from_date, gap.to_date) == ("reading_gap", MONDAY, dt.date(2026, 3, 30))

    def test_the_autumn_night_is_an_hour_too_long_for_a_daily_reading(self):
        # Clocks go back in Lisbon on Sunday 2026-10-25.
        request = a_request(build_on=dt.date(2026, 10, 19), work_days=EVERY_DAY, rule=NOP_WINDROW)
        (gap,) = plan(request).warnings
        assert (gap.from_date, gap.to_date) == (dt.date(2026, 10, 24), dt.date(2026, 10, 25))
        assert plan(replace(request, rule=replace(NOP_WINDROW, longest_reading_gap_h=36))).warnings == ()
        assert plan(replace(request, time_zone="Etc/UTC")).warnings == ()

    def test_the_spring_night_makes_two_days_47_hours(self):
        # Turns on Saturday 28 and Monday 30 March 2026; clocks go forward in Lisbon between them.
        request = a_request(build_on=dt.date(2026, 3, 24), work_days=EVERY_DAY, rule=UK_HOUSED)
        (warned,) = plan(request).warnings
        assert (warned.kind, warned.from_date, warned.to_date) == (
            "turn_hour",
            dt.date(2026, 3, 28),
            dt.date(2026, 3, 30),
        )
        assert "start the second turn 1 h later in the day" in warned.detail
        assert plan(replace(request, time_zone="Etc/UTC")).warnings == ()
        assert plan(request).days == plan(replace(request, time_zone="Etc/UTC")).days

    def test_the_pile_is_moved_to_cure_and_screened_on_crew_days(self):
        cured = replace(EIGHTEEN_DAYS, curing_days=30, screen=True)
        answer = plan(a_request(cured, work_days=EVERY_DAY))
        assert [(task.task, task.day_of_pile) for task in answer.days[-2:]] == [("move", 18), ("screen", 48)]
        shut = plan(a_request(cured, work_days=EVERY_DAY, closures=(day(MONDAY, 18),)))
        assert [(task.task, task.day_of_pile) for task in shut.days[-2:]] == [("move", 19), ("screen", 49)]
        nearest = plan(a_request(cured, extra_days=(dt.date(2026, 3, 8), dt.date(2026, 3, 14))))
        # Day 18 is a Friday; 30 days later is Sunday 2026-04-19, so it is screened on the Monday.
        assert [(task.task, task.date.isoformat()) for task in nearest.days[-2:]] == [
            ("move", "2026-03-20"),
            ("screen", "2026-04-20"),
        ]

    def test_the_hot_phase_lasts_as_long_as_the_rule_wants_heat(self):
        short = Pattern(3, 11, turn_every_days=2, curing_days=30)  # five turns; over on day 13 by itself
        answer = plan(a_request(short, work_days=EVERY_DAY, rule=NOP_WINDROW))
        (move,) = [task for task in answer.days if task.task == "move"]
        assert move.day_of_pile == 17  # up to two days to heat, then 15 hot

    def test_turning_into_the_next_bay_is_a_move_with_every_turn(self):
        answer = plan(a_request(replace(EIGHTEEN_DAYS, move_on_turning=True), work_days=EVERY_DAY))
        moves = [task.day_of_pile for task in answer.days if task.task == "move"]
        assert moves == [4, 6, 8, 10, 12, 14, 16]

    def test_no_crew_for_the_screening_is_warned_of(self):
        closures = tuple(day(MONDAY, days) for days in range(40, 120))
        answer = plan(
            a_request(
                replace(EIGHTEEN_DAYS, screen=True, curing_days=30), work_days=EVERY_DAY, closures=closures
            )
        )
        assert [warning.kind for warning in answer.warnings] == ["no_crew_after"]
        assert "screen" not in {task.task for task in answer.days}

    def test_tasks_come_in_order_of_date(self):
        answer = plan(a_request(replace(EIGHTEEN_DAYS, move_on_turning=True, screen=True)))
        assert [task.date for task in answer.days] == sorted(task.date for task in answer.days)
        assert all(task.day_of_pile == (task.date - MONDAY).days for task in answer.days)


def test_the_crew_is_cautioned_in_every_plan():
    answer = plan(a_request())
    assert answer.nearest is not None
    for cautions in (answer.cautions, answer.nearest.cautions):
        text = " ".join(cautions)
        for word in ("Steam", "spores", "asthma", "Lifting", "Local rules"):
            assert word in text
