"""A crew's day as values: which task a sign asks for, in which order, and what falls off a short day."""

import ast
import datetime as dt
import graphlib
import itertools
from pathlib import Path
from uuid import UUID

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import piles
from service.domain.piles.situation import REMEDY_SYMPTOMS
from service.domain.today import (
    LEFT,
    PRACTICE,
    SIGNS,
    Done,
    Due,
    Item,
    PileToday,
    Sign,
    Stake,
    fit,
    in_order,
    items_of,
    made_id,
    read_id,
)

ON = dt.date(2026, 5, 4)
NOON = dt.datetime(2026, 5, 4, 12, tzinfo=dt.UTC)
NEXT = dt.datetime(2026, 5, 6, 9, tzinfo=dt.UTC)
PILE = UUID(int=7)


def sign(code: str, severity: str) -> Sign:
    return Sign(code, severity, f"{code} text", f"{code} remedy", "core-1")  # type: ignore[arg-type]


def due(task: str, days_ago: int = 0, **more: object) -> Due:
    return Due(f"{task}-{days_ago}", task, ON - dt.timedelta(days_ago), 60, "planned", "1", **more)  # type: ignore[arg-type]


def of_pile(**asks: object) -> list[Item]:
    return items_of(PileToday(PILE, "Ash", "1", 60.0, 4.0, **asks), ON, next_visit=NEXT)  # type: ignore[arg-type]


def codes_in_the_source() -> set[str]:
    """Read every sign a pile can show from the source: the first argument of each WarningSign."""
    found = set(REMEDY_SYMPTOMS)
    for path in Path(piles.__file__).parent.glob("*_signs.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id == "WarningSign"
            ):
                first = node.args[0]
                found |= {first.value} if isinstance(first, ast.Constant) else set()
    return found


class TestPractice:
    def test_every_sign_a_pile_shows_has_a_task_or_a_reason_why_not(self) -> None:
        codes = codes_in_the_source()
        assert {"fire_danger", "silent_probe", "dry", "missed_turn"} <= codes
        assert set(SIGNS) == codes
        assert {code for code, tasks in SIGNS.items() if not tasks} == set(LEFT)

    def test_every_task_says_what_it_needs(self) -> None:
        assert {task for tasks in SIGNS.values() for task in tasks.values()} <= set(PRACTICE)
        for task, one in PRACTICE.items():
            assert one.tools, task
            assert one.look_for, task
            assert one.record[-1] == "note", task
            assert one.cautions[-1].name == "local", task
            assert all(caution.source for caution in one.cautions), task


class TestItems:
    def test_what_a_plan_has_and_what_a_pile_shows_are_one_turn(self) -> None:
        (turn,) = of_pile(due=(due("turn"),), signs=(sign("too_hot", "caution"),))
        assert (turn.id, turn.urgency, turn.minutes) == ("turn-0", "today", 60)
        assert turn.why == ("too_hot text", "planned")
        assert turn.remedies == ("too_hot remedy",)

    def test_two_turns_missed_are_made_good_by_one(self) -> None:
        (turn,) = of_pile(due=(due("turn", 5), due("turn", 2), due("turn")))
        assert turn.id == "turn-0"
        assert turn.urgency == "today"
        assert turn.why[0] == "planned"
        assert "5 days late. 2 such tasks are open" in turn.why[1]

    @pytest.mark.parametrize(("late", "urgency"), [(0, "planned"), (1, "planned"), (2, "today")])
    def test_a_turn_is_missed_when_it_is_more_than_a_day_late(self, late: int, urgency: str) -> None:
        """A turn done a day early or late is the planned one (common practice, no source)."""
        (turn,) = of_pile(due=(due("turn", late),))
        assert turn.urgency == urgency

    @pytest.mark.parametrize(("hours", "urgency"), [(20, "today"), (60, "planned")])
    def test_what_a_rule_loses_before_anybody_comes_again(self, hours: int, urgency: str) -> None:
        stake = Stake("a rule", "gap", NOON + dt.timedelta(hours=hours), "Take one", "core-1")
        (read,) = of_pile(stakes=(stake,))
        assert (read.task, read.urgency, read.positions) == ("read", urgency, ("core-1",))
        assert read.lost_at == stake.at

    def test_a_window_that_closes_asks_for_the_turn_the_plan_has(self) -> None:
        stake = Stake("a rule", "turn_window", NOON, "Turn once more")
        (turn,) = of_pile(due=(due("turn"),), stakes=(stake,))
        assert (turn.id, turn.urgency) == ("turn-0", "today")

    def test_fire_holds_all_else_and_heat_holds_what_opens_the_pile(self) -> None:
        burning = of_pile(due=(due("turn"), due("check")), signs=(sign("fire_danger", "danger"),))
        assert {one.task: one.held is None for one in burning} == {
            "keep_away": True,
            "turn": False,
            "check": False,
        }
        hot = of_pile(due=(due("turn"), due("check")), signs=(sign("too_hot", "danger"),))
        assert {one.task: one.held is None for one in hot} == {"cool": True, "turn": False, "check": True}

    def test_done_stays_and_what_was_made_and_done_is_listed_after_its_sign_is_gone(self) -> None:
        told = Done(NOON, "Year 9", None)
        key = made_id(ON, "mend", PILE)
        pile = PileToday(PILE, "Ash", "1", due=(due("turn", done=told),))
        gone = items_of(pile, ON, next_visit=None, done={key: told})
        assert {one.id: one.done for one in gone} == {"turn-0": told, key: told}

    def test_ids_read_back_and_nothing_else_does(self) -> None:
        for task in PRACTICE:
            assert read_id(made_id(ON, task, PILE)) == (ON, task, PILE)
        good = made_id(ON, "turn", PILE)
        for bad in (
            "",
            "turn",
            good + "x",
            good.replace("turn", "dance"),
            good.replace("2026-05", "2026-13"),
        ):
            assert read_id(bad) is None


def item(number: int, task: str = "turn", **more: object) -> Item:
    values: dict[str, object] = {
        "id": f"i{number}", "task": task, "pile_id": None, "pile": f"P{number}", "bay": None, "to_bay": None,
        "why": ("because",), "minutes": 30, "urgency": "planned",
    }  # fmt: skip
    return Item(**(values | more))  # type: ignore[arg-type]


TASKS = st.sampled_from(sorted(PRACTICE))
BAYS = st.sampled_from(["1", "2", "3", "4", None])
ITEMS = st.lists(
    st.builds(
        dict,
        task=TASKS,
        urgency=st.sampled_from(["now", "today", "planned", "can_wait"]),
        bay=BAYS,
        to_bay=BAYS,
        minutes=st.sampled_from([None, 10, 30, 90]),
        hottest_c=st.sampled_from([None, 40.0, 60.0, 72.0]),
        age_days=st.sampled_from([None, 2.0, 9.0]),
    ),
    max_size=7,
).map(lambda told: [item(number, **one) for number, one in enumerate(told)])  # type: ignore[arg-type]


class TestOrder:
    def test_as_it_is_told(self) -> None:
        told = [
            item(1, "screen"),
            item(2, "check"),
            item(3, "build"),
            item(4, "turn", hottest_c=50.0, age_days=9.0),
            item(5, "turn", hottest_c=65.0, age_days=2.0),
            item(6, "turn", hottest_c=50.0, age_days=12.0),
            item(7, "read", urgency="today", lost_at=NOON),
            item(8, "cool", urgency="now"),
            item(9, "keep_away", urgency="now"),
            item(10, "mend"),
            item(11, "move"),
        ]
        assert [int(one.id[1:]) for one in in_order(told)] == [9, 8, 7, 5, 6, 4, 11, 10, 3, 2, 1]

    def test_a_line_moves_from_its_far_end(self) -> None:
        told = [
            item(1, bay="1", to_bay="2", hottest_c=70.0),
            item(2, bay="2", to_bay="3", hottest_c=60.0),
            item(3, bay="3", to_bay="4", hottest_c=50.0),
            item(4, "build", bay="1"),
        ]
        assert [one.id for one in in_order(told)] == ["i3", "i2", "i1", "i4"]

    def test_piles_that_change_places_still_come_out(self) -> None:
        told = [item(1, bay="1", to_bay="2"), item(2, bay="2", to_bay="1")]
        assert {one.id for one in in_order(told)} == {"i1", "i2"}

    @given(ITEMS, st.randoms(use_true_random=False))
    def test_the_order_they_come_in_does_not_matter(self, told: list[Item], random: object) -> None:
        shuffled = told.copy()
        random.shuffle(shuffled)  # type: ignore[attr-defined]
        assert in_order(shuffled) == in_order(told)

    @given(ITEMS)
    def test_nothing_is_lost_and_what_comes_before_comes_before(self, told: list[Item]) -> None:
        """Against the standard library's own topological sorter: what it finds no circle in is in an order it takes."""
        ordered = in_order(told)
        assert sorted(one.id for one in ordered) == sorted(one.id for one in told)
        place = {one.id: number for number, one in enumerate(ordered)}
        graph = graphlib.TopologicalSorter({one.id: one.after for one in ordered})
        graph.prepare()
        assert all(place[before] < place[one.id] for one in ordered for before in one.after)


class TestFit:
    @given(ITEMS, st.integers(0, 200))
    def test_what_must_never_waits_and_the_rest_fits(self, told: list[Item], crew_min: int) -> None:
        ordered = in_order(told)
        found = fit(ordered, crew_min, on=ON, next_crew_day=NEXT.date())
        waits = {one.id for one in found.waits}
        assert not waits & set(found.must)
        stays = [one for one in ordered if one.id not in waits]
        if found.state == "too_short":
            assert found.must_min > crew_min
        elif found.state != "no_crew":
            assert sum(one.minutes or 0 for one in stays) <= crew_min
        # What stays never rests on a bay that nobody empties.
        assert not any(set(one.after) & waits for one in stays)
        assert (found.state == "fits") <= (not waits)

    def test_the_last_in_order_waits_first_and_a_short_one_still_fits(self) -> None:
        told = [item(1, minutes=60), item(2, minutes=60), item(3, "check", minutes=10)]
        found = fit(in_order(told), 75, on=ON, next_crew_day=NEXT.date())
        assert [one.id for one in found.waits] == ["i2"]
        assert "until Wednesday 06 May, 2 days on" in found.waits[0].text
        assert (found.state, found.needed_min) == ("short", 130)

    def test_room_is_made_for_what_must_be_done(self) -> None:
        told = [item(1, bay="1", to_bay="2", urgency="today"), item(2, bay="2", to_bay="3"), item(3)]
        found = fit(in_order(told), 60, on=ON, next_crew_day=None)
        assert set(found.must) == {"i1", "i2"}
        assert [one.id for one in found.waits] == ["i3"]
        assert "no day is on the calendar" in found.waits[0].text

    def test_every_state_says_so(self) -> None:
        urgent = [item(1, minutes=90, urgency="now", task="cool"), item(2)]
        words = {
            crew: fit(in_order(urgent), crew, on=ON, next_crew_day=None).state for crew in (0, 60, 100, 300)
        }
        assert words == {0: "no_crew", 60: "too_short", 100: "short", 300: "fits"}
        assert fit([], 60, on=ON, next_crew_day=None).text == "Nothing is left to do."
        done = [item(n, minutes=50, done=Done(NOON, None, None)) for n in (1, 2)]
        assert fit([*done, item(3)], 120, on=ON, next_crew_day=None).state == "short"


def test_ids_of_a_day_are_all_different() -> None:
    ids = [made_id(ON, task, UUID(int=n)) for task, n in itertools.product(PRACTICE, range(3))]
    assert len(set(ids)) == len(ids)
