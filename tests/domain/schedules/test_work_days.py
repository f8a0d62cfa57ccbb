import calendar
import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.schedules import WEEKDAYS, WorkCalendar, local_instant, weekday_of
from service.domain.schedules.work_days import hours_between, zone_fault


class TestCrewDays:
    SITE = WorkCalendar(
        frozenset({"mon", "wed", "fri"}),
        frozenset({dt.date(2026, 4, 3)}),  # Good Friday 2026
        frozenset({dt.date(2026, 4, 4)}),
    )

    @pytest.mark.parametrize(
        ("on", "there"),
        [
            (dt.date(2026, 4, 1), True),  # a Wednesday
            (dt.date(2026, 4, 2), False),  # a Thursday
            (dt.date(2026, 4, 3), False),  # a closed Friday
            (dt.date(2026, 4, 4), True),  # an extra Saturday
            (dt.date(2026, 4, 11), False),  # the Saturday after
        ],
    )
    def test_weekdays_closures_and_extra_days(self, on, there):
        assert self.SITE.is_crew_day(on) is there

    def test_a_closure_wins_over_an_extra_day(self):
        on = dt.date(2026, 4, 4)
        assert not WorkCalendar(frozenset(WEEKDAYS), frozenset({on}), frozenset({on})).is_crew_day(on)

    def test_the_next_crew_day_is_found_within_reach_only(self):
        thursday = dt.date(2026, 4, 2)
        assert self.SITE.next_crew_day(thursday, within_days=2) == dt.date(2026, 4, 4)
        assert self.SITE.next_crew_day(thursday, within_days=1) is None

    @given(st.dates(dt.date(1900, 1, 1), dt.date(2999, 12, 31)))
    def test_weekday_words_agree_with_the_calendar(self, on):
        assert weekday_of(on) == calendar.day_abbr[calendar.weekday(on.year, on.month, on.day)].lower()


class TestLocalInstants:
    @pytest.mark.parametrize(
        ("zone", "on", "at", "instant"),
        [
            # RFC 5545, section 3.3.5: "TZID=America/New_York:20070311T023000 indicates March 11, 2007 at 3:30 A.M.
            # EDT (UTC-04:00)" (skipped), "20071104T013000 … 1:30 A.M. EDT (UTC-04:00)" (doubled); from memory.
            ("America/New_York", dt.date(2007, 3, 11), dt.time(2, 30), "2007-03-11T03:30:00-04:00"),
            ("America/New_York", dt.date(2007, 11, 4), dt.time(1, 30), "2007-11-04T01:30:00-04:00"),
            # Summer time in the EU begins at 01:00 UTC on the last Sunday of March (Directive 2000/84/EC).
            ("Europe/Lisbon", dt.date(2026, 3, 28), dt.time(9), "2026-03-28T09:00:00+00:00"),
            ("Europe/Lisbon", dt.date(2026, 3, 29), dt.time(9), "2026-03-29T08:00:00+00:00"),
            ("Europe/Lisbon", dt.date(2026, 3, 29), dt.time(1, 30), "2026-03-29T01:30:00+00:00"),
        ],
    )
    def test_skipped_and_doubled_hours(self, zone, on, at, instant):
        found = local_instant(zone, on, at)
        assert found == dt.datetime.fromisoformat(instant)
        assert found.tzinfo is dt.UTC

    def test_the_fold_of_the_time_given_does_not_matter(self):
        on, at = dt.date(2007, 11, 4), dt.time(1, 30)
        again = local_instant("America/New_York", on, at.replace(fold=1))
        assert again == local_instant("America/New_York", on, at)

    def test_hours_across_a_clock_change(self):
        saturday, monday = dt.date(2026, 3, 28), dt.date(2026, 3, 30)
        assert hours_between("Europe/Lisbon", saturday, monday) == 47
        assert hours_between("Europe/Lisbon", dt.date(2026, 10, 24), dt.date(2026, 10, 25)) == 25
        assert hours_between("Etc/UTC", saturday, monday) == 48


class TestZoneNames:
    @pytest.mark.parametrize("name", ["Europe/Lisbon", "America/Argentina/Ushuaia", "UTC"])
    def test_known_names_pass(self, name):
        assert zone_fault(name) is None

    @pytest.mark.parametrize(
        "name", ["", "Mars/Olympus", "../etc/passwd", "Europe", "/etc/localtime", "Lisbon\0"]
    )
    def test_others_do_not(self, name):
        assert repr(name) in (zone_fault(name) or "")

    def test_a_slip_is_met_with_the_name_meant(self):
        assert "'Europe/Lisbon'" in (zone_fault("Europe/Lisboa") or "")
