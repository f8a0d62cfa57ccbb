"""When in a day planned tasks begin and end, and in which words calendars show them."""

import datetime as dt

import pytest

from service.domain.calendars import Shift, SiteCalendar, shown
from tests.domain.calendars.feeds import EVERY_DAY, MONDAY, a_task

TUESDAY = MONDAY + dt.timedelta(1)


def hours(tasks, calendar=EVERY_DAY, zone="Europe/Lisbon"):
    faces = shown(tasks, calendar, "North garden", zone)
    return [f"{faces[one.id].begins:%H:%M}-{faces[one.id].ends:%H:%M}" for one in tasks]


class TestHours:
    def test_one_after_the_other_by_bay_from_nine(self):
        tasks = [a_task(bay="2", pile="B", minutes=90), a_task(bay="1", pile="A", minutes=60)]
        assert hours(tasks) == ["09:30-10:15", "09:00-09:30"]  # two people share each

    def test_each_day_begins_anew(self):
        assert hours([a_task(), a_task(on_date=TUESDAY)]) == ["09:00-09:30", "09:00-09:30"]

    def test_crews_work_beside_each_other(self):
        calendar = SiteCalendar({"mon": (Shift("blue", 2, 3), Shift("red", 3, 3))})
        tasks = [a_task(crew="blue"), a_task(crew="red", bay="2"), a_task(crew="red", bay="3")]
        assert hours(tasks, calendar) == ["09:00-09:30", "09:00-09:20", "09:20-09:40"]
        assert hours([a_task()], calendar) == ["09:00-09:12"]  # of no crew: all five

    def test_where_nobody_is_said_to_come_one_person_is_taken(self):
        assert hours([a_task()], SiteCalendar({})) == ["09:00-10:00"]

    def test_work_of_no_length_is_shown(self):
        assert hours([a_task(task="move", minutes=0)]) == ["09:00-09:05"]

    def test_a_cancelled_task_takes_nobody_s_time(self):
        tasks = [a_task(bay="1", state="cancelled"), a_task(bay="2")]
        assert hours(tasks) == ["09:00-09:30", "09:00-09:30"]

    @pytest.mark.parametrize("state", ["done", "missed"])
    def test_done_and_missed_ones_stay_as_they_were(self, state):
        before = [a_task(bay="1"), a_task(bay="2")]
        after = [a_task(bay="1", state=state), a_task(bay="2")]
        assert hours(before) == hours(after)

    def test_the_order_they_are_given_in_does_not_matter(self):
        tasks = [a_task(bay=str(n), minutes=10 * n) for n in range(1, 6)]
        there, back = (shown(some, EVERY_DAY, "x", "Europe/Lisbon") for some in (tasks, tasks[::-1]))
        assert there == back


class TestWords:
    @pytest.mark.parametrize(
        ("task", "summary"),
        [
            (a_task(), "Turn A (1)"),
            (a_task(to_bay="2"), "Turn A (1 to 2)"),
            (a_task(task="build"), "Build A (1)"),
            (a_task(task="check"), "Look at A (1)"),
            (a_task(task="move"), "Move A (1)"),
            (a_task(task="screen"), "Screen A (1)"),
            (a_task(state="cancelled"), "CANCELLED: Turn A (1)"),
        ],
    )
    def test_summary(self, task, summary):
        assert shown([task], EVERY_DAY, "x", "Europe/Lisbon")[task.id].summary == summary

    def test_names_nobody(self):
        task = a_task(crew="Maria")
        face = shown([task], EVERY_DAY, "x", "Europe/Lisbon")[task.id]
        assert "Maria" not in f"{face.summary}{face.location}{face.description}"
