"""Planned tasks held against the record of a pile."""

import datetime as dt
import itertools
import uuid

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.schedules.handover import TASK_OF_KIND, WITHIN_DAYS, Done, Planned, hand_over, is_missed

MARCH = dt.date(2026, 3, 1)


def march(day):
    return dt.date(2026, 3, day)


def turn(day, hour=9, **more):
    return act("turn", day, hour, **more)


def act(task, day, hour=9, **more):
    at = dt.datetime(2026, 3, day, hour, tzinfo=dt.UTC)
    return Done(uuid.uuid4(), task, at, at.date(), **more)


def planned(*days, task="turn"):
    return [Planned((task, day), task, march(day)) for day in days]


class TestTurns:
    def test_early_on_the_day_and_late(self):
        done = [turn(8), turn(11), turn(14)]
        found = hand_over(planned(9, 11, 13, 16), done)
        assert found.done == {("turn", 9): done[0], ("turn", 11): done[1], ("turn", 13): done[2]}
        assert found.unplanned == ()

    def test_two_days_late_is_another_turn(self):
        found = hand_over(planned(9, 16), [turn(11), turn(16)])
        assert [*found.done] == [("turn", 16)]
        assert [one.on for one in found.unplanned] == [march(11)]

    def test_of_two_on_one_day_the_first_is_the_planned_one(self):
        late, soon = turn(9, 15), turn(9, 8)
        found = hand_over(planned(9), [late, soon])
        assert found.done == {("turn", 9): soon}
        assert found.unplanned == (late,)

    @settings(max_examples=150, deadline=None)
    @given(st.lists(st.integers(1, 20), max_size=8, unique=True), st.lists(st.integers(1, 20), max_size=8))
    def test_each_act_serves_one_task_and_nothing_is_lost(self, wanted, days):
        done = [turn(day, hour) for hour, day in enumerate(days)]
        found = hand_over(planned(*wanted), done)
        assert sorted([*found.done.values(), *found.unplanned], key=str) == sorted(done, key=str)
        assert all(abs((on.on - march(day)).days) <= 1 for (_, day), on in found.done.items())
        for (_, day), other in itertools.product(set(planned_ids(wanted)) - {*found.done}, found.unplanned):
            assert abs((other.on - march(day)).days) > 1  # else one more pair could be made
        assert hand_over(planned(*wanted)[::-1], done[::-1]) == found

    @settings(max_examples=100, deadline=None)
    @given(
        st.lists(st.integers(1, 20), max_size=8, unique=True),
        st.lists(st.integers(1, 20), min_size=1, max_size=8),
    )
    def test_undoing_an_entry_undoes_what_it_did(self, wanted, days):
        done = [turn(day, hour) for hour, day in enumerate(days)]
        before = hand_over(planned(*wanted), done[:-1])
        hand_over(planned(*wanted), done)
        assert hand_over(planned(*wanted), done[:-1]) == before
        assert len(hand_over(planned(*wanted), done).done) >= len(before.done)


def planned_ids(days):
    return [("turn", day) for day in days]


class TestOtherTasks:
    def test_each_kind_is_matched_by_itself(self):
        done = [act("screen", 9), act("move", 12), act("check", 9), turn(9)]
        tasks = [*planned(9), *planned(9, task="check"), *planned(9, task="move"), *planned(9, task="screen")]
        found = hand_over(tasks, done)
        assert {task: one.task for (task, _), one in found.done.items()} == {
            "turn": "turn",
            "check": "check",
            "move": "move",
            "screen": "screen",
        }

    @pytest.mark.parametrize(("task", "days"), WITHIN_DAYS.items())
    def test_is_missed_when_it_can_no_longer_be_matched(self, task, days):
        last = 10 + days
        assert hand_over(planned(10, task=task), [act(task, last)]).done
        assert not hand_over(planned(10, task=task), [act(task, last + 1)]).done
        assert not is_missed(task, march(10), march(last))
        assert is_missed(task, march(10), march(last + 1))

    def test_every_kind_of_event_that_counts_is_a_task(self):
        assert {*TASK_OF_KIND.values(), "build"} == {*WITHIN_DAYS}


class TestTickedOff:
    def test_what_was_ticked_off_is_that_task_whatever_its_date_and_kind(self):
        mine, other = uuid.uuid4(), uuid.uuid4()
        tasks = [Planned(mine, "build", march(2)), Planned(other, "turn", march(9))]
        built = act("check", 20, said_of=mine)
        wednesday = turn(11, said_of=other)
        found = hand_over(tasks, [built, wednesday, turn(9)])
        assert found.done == {mine: built, other: wednesday}
        assert [one.on for one in found.unplanned] == [march(9)]

    def test_said_of_a_task_that_is_not_here_the_dates_say_it(self):
        done = turn(9, said_of=uuid.uuid4())
        assert hand_over(planned(9), [done]).done == {("turn", 9): done}
