"""Who works when: laws of the calendar as a value."""

import datetime as dt
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.calendars import (
    Closure,
    ExtraDay,
    Season,
    Shift,
    SiteCalendar,
    assumed_calendar,
    assumed_figures,
    crew_minutes,
    kept_calendar,
    read_calendar,
    work_calendar,
)
from service.domain.schedules import WEEKDAYS

MONDAY = dt.date(2026, 3, 2)
YEAR_9 = Shift("Year 9", 6, 1.5)
PARENTS = Shift("Parents", 2, 3)
DATES = st.dates(dt.date(2024, 1, 1), dt.date(2028, 12, 31))
SHIFTS = st.builds(
    Shift, st.sampled_from(["a", "b", "c", "d"]), st.integers(1, 30), st.floats(0.1, 24, allow_nan=False)
)
WEEKS = st.dictionaries(st.sampled_from(WEEKDAYS), st.lists(SHIFTS, min_size=1, max_size=3).map(tuple))
DAY_OF_YEAR = st.dates(dt.date(2024, 1, 1), dt.date(2024, 12, 31)).map(lambda on: (on.month, on.day))


@st.composite
def calendars(draw):
    first, last = draw(DAY_OF_YEAR), draw(DAY_OF_YEAR)
    seasons = draw(st.sampled_from([(), (Season("one", first, last, draw(WEEKS)),)]))
    closed = draw(st.sets(DATES, max_size=20))
    extra = draw(st.lists(st.tuples(DATES, SHIFTS), max_size=20))
    return SiteCalendar(
        draw(WEEKS),
        seasons,
        tuple(Closure(on, "shut") for on in sorted(closed)),
        tuple(ExtraDay(on, shift) for on, shift in extra),
    )


class TestMinutes:
    WEEK = SiteCalendar(
        {"mon": (YEAR_9,), "fri": (YEAR_9, PARENTS)},
        closures=(Closure(dt.date(2026, 3, 9), "trip"), Closure(dt.date(2026, 3, 8), "a closed Sunday")),
        extra_days=(ExtraDay(dt.date(2026, 3, 7), PARENTS), ExtraDay(MONDAY, PARENTS)),
    )

    def test_of_a_week_as_counted_by_hand(self):
        # 6 people x 90 min = 540; 2 people x 180 min = 360. Weekdays read off a calendar of March 2026.
        assert crew_minutes(self.WEEK, MONDAY, dt.date(2026, 3, 13)) == {
            MONDAY: 540 + 360,
            dt.date(2026, 3, 6): 540 + 360,
            dt.date(2026, 3, 7): 360,
            dt.date(2026, 3, 8): 0,
            dt.date(2026, 3, 9): 0,
            dt.date(2026, 3, 13): 540 + 360,
        }

    def test_crews_are_told_apart(self):
        assert self.WEEK.crews_on(dt.date(2026, 3, 6)) == (YEAR_9, PARENTS)
        assert self.WEEK.crews_on(dt.date(2026, 3, 3)) == ()

    @given(calendars(), DATES)
    def test_are_additive_over_crews(self, calendar, first):
        last = first + dt.timedelta(60)
        together = crew_minutes(calendar, first, last)
        names = {s.crew for on in (first + dt.timedelta(n) for n in range(61)) for s in calendar.crews_on(on)}
        apart = [crew_minutes(_only(calendar, name), first, last) for name in names]
        for on, minutes in together.items():
            assert minutes == sum(one.get(on, 0) for one in apart)

    @given(calendars(), DATES, SHIFTS)
    def test_a_closure_wins_over_week_season_and_extra_day(self, calendar, on, shift):
        closed = SiteCalendar(
            calendar.week,
            calendar.seasons,
            (Closure(on, "shut"),),
            (*calendar.extra_days, ExtraDay(on, shift)),
        )
        assert closed.crews_on(on) == ()
        assert crew_minutes(closed, on, on) == {on: 0}

    @given(calendars(), DATES, SHIFTS)
    def test_an_extra_day_adds_just_its_own(self, calendar, on, shift):
        if calendar.closure_on(on) is not None:
            return
        more = SiteCalendar(
            calendar.week, calendar.seasons, calendar.closures, (*calendar.extra_days, ExtraDay(on, shift))
        )
        before = crew_minutes(calendar, on, on).get(on, 0)
        assert crew_minutes(more, on, on)[on] == before + shift.people * round(60 * shift.hours)

    @given(calendars(), DATES)
    def test_no_entry_means_nobody_comes_and_the_site_is_not_closed(self, calendar, on):
        found = crew_minutes(calendar, on, on)
        assert (on in found) == bool(calendar.crews_on(on) or calendar.closure_on(on))
        assert (found.get(on) == 0) == (calendar.closure_on(on) is not None)


def _only(calendar, name):
    """The same calendar without any other crew."""

    def week(of):
        return {word: tuple(s for s in shifts if s.crew == name) for word, shifts in of.items()}

    return SiteCalendar(
        week(calendar.week),
        tuple(Season(one.name, one.first, one.last, week(one.week)) for one in calendar.seasons),
        calendar.closures,
        tuple(one for one in calendar.extra_days if one.shift.crew == name),
    )


class TestSeasons:
    @pytest.mark.parametrize(
        ("first", "last", "inside", "outside"),
        [
            ((7, 1), (8, 31), ["2026-07-01", "2026-08-31"], ["2026-06-30", "2026-09-01"]),
            ((12, 20), (1, 6), ["2026-12-20", "2026-12-31", "2027-01-06"], ["2026-12-19", "2027-01-07"]),
            ((2, 1), (2, 29), ["2026-02-28", "2028-02-29"], ["2026-03-01", "2028-03-01"]),
            ((3, 1), (3, 1), ["2026-03-01"], ["2026-02-28", "2026-03-02"]),
        ],
    )
    def test_hold_their_first_and_last_day_and_wrap_over_new_year(self, first, last, inside, outside):
        season = Season("one", first, last, {})
        assert all(season.holds(dt.date.fromisoformat(on)) for on in inside)
        assert not any(season.holds(dt.date.fromisoformat(on)) for on in outside)

    def test_have_a_week_of_their_own(self):
        summer = Season("summer", (7, 1), (8, 31), {"sat": (PARENTS,)})
        calendar = SiteCalendar({"mon": (YEAR_9,)}, (summer,))
        assert calendar.crews_on(dt.date(2026, 6, 29)) == (YEAR_9,)  # a Monday
        assert calendar.crews_on(dt.date(2026, 7, 6)) == ()  # a Monday
        assert calendar.crews_on(dt.date(2026, 7, 4)) == (PARENTS,)  # a Saturday


class TestCrewDays:
    @given(calendars(), DATES)
    def test_a_plan_sees_the_same_days(self, calendar, first):
        last = first + dt.timedelta(400)
        crew = work_calendar(calendar, first, last)
        for days in range(401):
            on = first + dt.timedelta(days)
            assert crew.is_crew_day(on) == bool(calendar.crews_on(on)), on

    def test_a_closed_day_says_why(self):
        calendar = SiteCalendar({"fri": (YEAR_9,)}, closures=(Closure(dt.date(2026, 4, 3), "Good Friday"),))
        told = work_calendar(calendar, MONDAY, MONDAY).why_no_crew(dt.date(2026, 4, 3))
        assert told == "the site is closed on Friday 2026-04-03 (Good Friday)"


class TestDocument:
    @given(calendars())
    def test_comes_back_as_it_was_kept(self, calendar):
        kept = json.loads(json.dumps(kept_calendar(calendar)))
        again = read_calendar(kept)
        assert kept_calendar(again) == kept
        for days in range(0, 1500, 7):
            on = dt.date(2024, 1, 1) + dt.timedelta(days)
            assert sorted(again.crews_on(on), key=repr) == sorted(calendar.crews_on(on), key=repr)


class TestAssumed:
    def test_is_the_sites_days_with_figures_that_say_they_have_no_source(self):
        # common practice, no source: two people for three hours.
        calendar = assumed_calendar(["mon", "wed"], [dt.date(2026, 3, 4)], ["Year 9", "Parents"])
        assert calendar.is_assumed
        assert crew_minutes(calendar, MONDAY, dt.date(2026, 3, 9)) == {
            MONDAY: 360,
            dt.date(2026, 3, 4): 0,
            dt.date(2026, 3, 9): 360,
        }
        assert [shift.crew for shift in calendar.crews_on(MONDAY)] == ["crew"]
        assert {one.status for one in assumed_figures().values()} == {"common practice, no source"}

    def test_the_only_crew_bears_its_name(self):
        assert assumed_calendar(["mon"], [], ["Year 9"]).crews_on(MONDAY)[0].crew == "Year 9"
