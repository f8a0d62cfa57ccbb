import datetime as dt
import itertools
import json
from dataclasses import replace

import pytest
from dateutil.rrule import DAILY, FR, MO, WE, WEEKLY, rrule
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.schedules import (
    WEEKDAYS,
    Pattern,
    Reminder,
    kept_pattern,
    load_patterns,
    plan,
    read_pattern,
    shipped_patterns,
)
from tests.domain.schedules.words import EIGHTEEN_DAYS, MONDAY, WEEK_THEN_MON_WED_FRI, a_request, turn_days

STARTS = [MONDAY + dt.timedelta(days) for days in range(7)]


def from_rrule(built_on, **rule):
    """The same days from an independent implementation of RFC 5545 recurrences."""
    start = dt.datetime.combine(built_on, dt.time())
    return [(on - start).days for on in rrule(**rule, dtstart=start)]


class TestWhenAPatternTurns:
    def test_four_days_rest_then_every_second_day_is_done_on_day_18(self):
        # "Leave 4 days, then turn every second day for 14 days" (rainwaterrunoff.com, aerobic hot compost).
        assert EIGHTEEN_DAYS.turns(MONDAY) == (4, 6, 8, 10, 12, 14, 16)
        assert EIGHTEEN_DAYS.hot_phase_over(16) == 18

    def test_a_weeks_rest_then_mon_wed_fri_turns_nine_times_from_a_monday(self):
        # Common practice, no source. Dates read off a calendar of March 2026.
        march = [9, 11, 13, 16, 18, 20, 23, 25, 27]
        turns = WEEK_THEN_MON_WED_FRI.turns(MONDAY)
        assert [MONDAY + dt.timedelta(day) for day in turns] == [dt.date(2026, 3, day) for day in march]

    @pytest.mark.parametrize("built_on", STARTS)
    def test_weekdays_agree_with_rfc_5545_from_every_start(self, built_on):
        until = dt.datetime.combine(built_on + dt.timedelta(27), dt.time())
        wanted = from_rrule(built_on, freq=WEEKLY, byweekday=(MO, WE, FR), until=until)
        assert list(WEEK_THEN_MON_WED_FRI.turns(built_on)) == [day for day in wanted if day >= 7]
        assert len(WEEK_THEN_MON_WED_FRI.turns(built_on)) == 9

    @given(st.integers(1, 20), st.integers(1, 14), st.integers(0, 40))
    def test_intervals_agree_with_rfc_5545(self, rest, every, more):
        pattern = Pattern(rest_days=rest, turn_every_days=every, last_turn_day=rest + more)
        first = MONDAY + dt.timedelta(rest)
        until = dt.datetime.combine(first + dt.timedelta(more), dt.time())
        wanted = [rest + day for day in from_rrule(first, freq=DAILY, interval=every, until=until)]
        assert list(pattern.turns(MONDAY)) == wanted

    @given(st.integers(1, 20), st.sets(st.sampled_from(WEEKDAYS), min_size=1), st.sampled_from(STARTS))
    def test_no_turn_falls_inside_the_rest_and_day_rest_days_is_outside(self, rest, turn_on, built_on):
        pattern = Pattern(rest_days=rest, turn_on=turn_on, last_turn_day=rest + 6)
        turns = pattern.turns(built_on)
        assert len(turns) == len(turn_on)  # seven days from the end of the rest hold each weekday once
        assert min(turns) >= rest
        weekday_after_rest = WEEKDAYS[(built_on.weekday() + rest) % 7]
        assert (rest in turns) == (weekday_after_rest in turn_on)

    def test_the_hot_phase_of_weekdays_ends_the_day_after_the_last_turn_day(self):
        assert WEEK_THEN_MON_WED_FRI.hot_phase_over(25) == 28  # four weeks after the build


class TestShippedPatterns:
    def test_the_common_ones_are_there_with_source_and_standing(self):
        shipped = shipped_patterns()
        assert set(shipped) >= {
            "eighteen-days",
            "week-then-mon-wed-fri",
            "rapid-daily",
            "rapid-alternate-days",
            "five-turns-in-fifteen-hot-days",
            "seldom-turned",
        }
        eighteen, week_then = (shipped[code].pattern for code in ("eighteen-days", "week-then-mon-wed-fri"))
        beside = {"reminders": (), "curing_days": None, "done_on_day": None}
        assert replace(eighteen, **beside) == EIGHTEEN_DAYS
        assert replace(week_then, **beside) == replace(WEEK_THEN_MON_WED_FRI, turn_on=week_then.turn_on)
        assert tuple(week_then.turn_on or ()) == tuple(WEEK_THEN_MON_WED_FRI.turn_on or ())
        assert {code for code, one in shipped.items() if one.status != "published"} == {
            "week-then-mon-wed-fri"
        }
        assert all(one.source != "none" for one in shipped.values() if one.status == "published")

    @pytest.mark.parametrize(
        ("code", "days"),
        [
            # Raabe, The Rapid Composting Method: about two weeks turned daily, about three every other day.
            ("rapid-daily", 14),
            ("rapid-alternate-days", 21),
            ("eighteen-days", 18),
            # core.ac.uk/display/132652662: mature after 12 weeks; the last interval runs to day 90.
            ("every-ten-days", 90),
        ],
    )
    def test_the_hot_phase_lasts_as_long_as_the_source_says(self, code, days):
        pattern = shipped_patterns()[code].pattern
        assert pattern.hot_phase_over(pattern.turns(MONDAY)[-1]) == days

    def test_a_week_then_mon_wed_fri_is_nine_turns_and_thirty_days(self):
        # Common practice, no source: a week's rest, three weeks of Monday, Wednesday and Friday, 30 days in all.
        shipped = shipped_patterns()["week-then-mon-wed-fri"]
        for built_on in STARTS:
            turns = shipped.pattern.turns(built_on)
            assert (len(turns), shipped.pattern.hot_phase_over(turns[-1])) == (9, 30)
        assert (shipped.source, shipped.status) == ("none", "common practice, no source")

    def test_curing_and_each_reminder_name_their_source_or_say_there_is_none(self):
        for shipped in shipped_patterns().values():
            assert (shipped.pattern.curing_days is None) == (shipped.curing_source is None)
            for one in shipped.pattern.reminders:
                assert (one.source == "none") == (one.status == "common practice, no source")

    def test_curing_of_the_eighteen_days_lies_in_the_two_to_four_weeks_of_practice(self):
        # common practice, no source: cure two to four weeks before seedlings.
        assert 14 <= (shipped_patterns()["eighteen-days"].pattern.curing_days or 0) <= 28

    def test_five_turns_follow_three_hot_days_each(self):
        # Northwest Biosolids, 55 °C x 5 x 3: five turns, three days at temperature between them; heat from day 2.
        turns = shipped_patterns()["five-turns-in-fifteen-hot-days"].pattern.turns(MONDAY)
        assert [after - before for before, after in itertools.pairwise((2, *turns))] == [3, 3, 3, 3, 3]

    def test_seldom_turned_is_six_turns_a_year(self):
        # NRAES-54, from memory: about six turns a year.
        assert len(shipped_patterns()["seldom-turned"].pattern.turns(MONDAY)) == 6

    @pytest.mark.parametrize("code", list(shipped_patterns()))
    def test_each_can_be_kept_by_a_crew_that_is_there_every_day(self, code):
        pattern = shipped_patterns()[code].pattern
        answer = plan(a_request(pattern, work_days=WEEKDAYS))
        assert answer.state == "planned"
        assert tuple(turn_days(answer)) == pattern.turns(MONDAY)


GOOD = """
[[pattern]]
code = "weekly"
title = "Weekly"
source = "none"
status = "common practice, no source"
note = "none"
rest_days = 7
turn_every_days = 7
last_turn_day = 28
"""


class TestLoading:
    def test_a_good_table_is_read(self):
        (weekly,) = load_patterns(GOOD)
        assert (weekly.code, weekly.pattern) == ("weekly", Pattern(7, 28, turn_every_days=7))

    @pytest.mark.parametrize(
        ("old", "new", "pointer"),
        [
            ("rest_days = 7", 'rest_days = "7"', "/pattern/0/rest_days"),
            ("rest_days = 7", "rest_days = true", "/pattern/0/rest_days"),
            ("rest_days = 7", "rest_days = 7.5", "/pattern/0/rest_days"),
            ("rest_days = 7", "rest_days = 0", "/pattern/0/rest_days"),
            ("rest_days = 7", "", "/pattern/0/rest_days"),
            ("turn_every_days = 7", 'turn_on = "mon"', "/pattern/0/turn_on"),
            ("turn_every_days = 7", 'turn_on = ["mon", "mon"]', "/pattern/0/turn_on/1"),
            ("turn_every_days = 7", "", "/pattern/0/turn_on"),
            ("last_turn_day = 28", "last_turn_day = 28\nscreen = 1", "/pattern/0/screen"),
            ("last_turn_day = 28", "last_turn_day = 28\nturns = 3", "/pattern/0/turns"),
            ('title = "Weekly"', 'title = " "', "/pattern/0/title"),
            ('"common practice, no source"', '"folklore"', "/pattern/0/status"),
            ('"common practice, no source"', '"published"', "/pattern/0/source"),
            ("last_turn_day = 28", "last_turn_day = 28\ncuring_days = 9", "/pattern/0/curing_source"),
            ("last_turn_day = 28", "last_turn_day = 28\ndone_on_day = 28", "/pattern/0/done_on_day"),
            ("last_turn_day = 28", "last_turn_day = 28\nreminders = 3", "/pattern/0/reminders"),
            ("last_turn_day = 28", "last_turn_day = 28\nreminders = [3]", "/pattern/0/reminders/0"),
            (
                "last_turn_day = 28",
                'last_turn_day = 28\nreminders = [{kind = "cover", say = "x", status = "published"}]',
                "/pattern/0/reminders/0/source",
            ),
            (
                "last_turn_day = 28",
                'last_turn_day = 28\nreminders = [{kind = "dance", say = "x", source = "none"}]',
                "/pattern/0/reminders/0/kind",
            ),
            ("[[pattern]]", "version = 2\n[[pattern]]", "/version"),
            ("[[pattern]]", "[pattern]", "/pattern"),
            ("[[pattern]]", "[[pattern]", ""),
        ],
    )
    def test_whatever_does_not_fit_is_refused_where_it_stands(self, old, new, pointer):
        with pytest.raises(Invalid) as refusal:
            load_patterns(GOOD.replace(old, new))
        assert pointer in [error.pointer for error in refusal.value.errors]

    def test_a_code_stands_once(self):
        with pytest.raises(Invalid) as refusal:
            load_patterns(GOOD + GOOD)
        assert [error.pointer for error in refusal.value.errors] == ["/pattern/1/code"]

    def test_a_file_without_patterns_is_refused(self):
        with pytest.raises(Invalid):
            load_patterns("")


COVER = Reminder("cover", "Cover it.", with_task="build")


class TestReminders:
    PATTERN = Pattern(
        4,
        16,
        turn_every_days=2,
        reminders=(
            COVER,
            Reminder("wet", "Wet it.", with_task="turn", when="dry", measure="moisture_pct", below=50),
            Reminder("wet", "Look at it.", on_days=(2, 5)),
            Reminder("cover", "Cover it against the storm.", when="a storm is forecast"),
        ),
    )

    def test_stand_on_their_dates_and_wait_for_a_crew(self):
        answer = plan(a_request(self.PATTERN, work_days=("mon", "tue", "wed", "thu", "fri")))
        assert answer.nearest is not None
        found = [(one.day_of_pile, one.reminder.say) for one in answer.nearest.reminders]
        # Day 5 is Saturday 7 March 2026; the crew is back on the Monday, day 7.
        turns = [(day, "Wet it.") for day in turn_days(answer.nearest)]
        assert sorted(found[:-1]) == sorted(
            [(0, "Cover it."), (2, "Look at it."), (7, "Look at it."), *turns]
        )
        assert found[-1] == (None, "Cover it against the storm.")

    def test_a_pattern_comes_back_as_it_was_kept(self):
        kept = json.loads(json.dumps(kept_pattern(self.PATTERN)))
        assert read_pattern(kept) == self.PATTERN
        assert read_pattern({"rest_days": 4, "turn_every_days": 2, "last_turn_day": 16}) == EIGHTEEN_DAYS

    @pytest.mark.parametrize(
        ("reminder", "pointer"),
        [
            (Reminder("wet", "Wet it."), ""),
            (Reminder("wet", " ", with_task="turn"), "/say"),
            (Reminder("wet", "Wet it.", on_days=(1,), with_task="turn"), "/with_task"),
            (Reminder("wet", "Wet it.", on_days=(1, 17)), "/on_days/1"),
            (Reminder("wet", "Wet it.", on_days=(1, 1)), "/on_days/1"),
            (Reminder("wet", "Wet it.", when="dry", below=50), "/measure"),
            (Reminder("wet", "Wet it.", when="dry", measure="moisture_pct"), "/measure"),
            (Reminder("wet", "Wet it.", with_task="turn", measure="moisture_pct", below=50), "/when"),
            (Reminder("wet", "x", when="dry", measure="moisture_pct", below=40, above=50), "/above"),
            (Reminder("wet", "x", when="dry", status="published"), "/source"),
        ],
    )
    def test_one_that_can_never_come_is_refused(self, reminder, pointer):
        errors = replace(EIGHTEEN_DAYS, reminders=(COVER, reminder)).errors()
        assert f"/pattern/reminders/1{pointer}" in [error.pointer for error in errors]

    def test_a_pattern_is_not_done_before_its_last_turn_day(self):
        errors = replace(EIGHTEEN_DAYS, done_on_day=16).errors()
        assert [(error.pointer, error.detail) for error in errors] == [
            ("/pattern/done_on_day", "16 does not fit; give 17 to 366")
        ]
        assert replace(EIGHTEEN_DAYS, done_on_day=30).hot_phase_over(16) == 30
