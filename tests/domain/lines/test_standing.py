"""Piles that stand: turns nobody can do are broken wishes, not the end of planning; and what is refused."""

import datetime as dt
from dataclasses import replace

import pytest

from service.domain.errors import Invalid
from service.domain.lines.answer import ASIDE
from service.domain.lines.checking import refuse_what_does_not_fit
from service.domain.lines.model import Line
from service.domain.lines.planning import plan_line
from service.domain.lines.request import Bay, LineRequest, Order, PileWish
from service.domain.lines.solving import solve
from service.domain.lines.watching import Begun, Watch
from tests.domain.lines.small import EVERY_THIRD, FIRST, crew, line


def standing(name: str = "old", bay: str = "bay 0", days_ago: int = 1, **changes: object) -> PileWish:
    """Built some days before the horizon: turned on its days 2 and 5."""
    wish = PileWish(name, EVERY_THIRD, 1.0, bays=(bay,), built_on=FIRST - dt.timedelta(days_ago))
    return replace(wish, **changes)  # type: ignore[arg-type]


def turns(request: LineRequest, name: str = "old") -> list[tuple[int, int]]:
    """Return number and day of each planned turn."""
    plan = plan_line(request, within_s=3)
    return [
        (one.number, (one.date - FIRST).days) for one in plan.tasks if one.pile == name and one.task == "turn"
    ]


class TestTurnsNobodyCanDo:
    def test_a_crew_too_small_leaves_them_as_broken_wishes(self) -> None:
        """A turn takes sixty person-minutes at 1 m3/h; the crew has thirty."""
        plan = plan_line(line([standing()], crew_min=crew(60, minutes=30)), within_s=3)
        assert [(one.kind, one.wish) for one in plan.misfits] == [("turn", "old"), ("turn", "old")]
        assert (
            plan.misfits[0].because == "turn 1 takes 60 person-minutes and the largest crew of a day has 30"
        )
        assert [one for one in plan.tasks if one.task == "turn"] == []

    def test_two_that_need_the_same_hour_share_the_days_they_have(self) -> None:
        """Both are due on the same two days; each day has an hour, so that one of them is turned a day later."""
        piles = [standing("a", "bay 0"), standing("b", "bay 1")]
        request = line(piles, bays=2, crew_min=crew(60, minutes=60))
        assert sorted([*turns(request, "a"), *turns(request, "b")]) == [(1, 1), (1, 2), (2, 4), (2, 5)]

    def test_one_hour_in_all_keeps_one_turn_and_names_the_others(self) -> None:
        only = {FIRST + dt.timedelta(1): 60, FIRST + dt.timedelta(30): 0}
        plan = plan_line(line([standing()], crew_min=only), within_s=3)
        assert [one.date for one in plan.tasks if one.task == "turn"] == [FIRST + dt.timedelta(1)]
        (misfit,) = plan.misfits
        assert misfit.kind == "turn"
        assert [one.kind for one in misfit.changes] == ["extra_day"]

    def test_numbers_go_on_from_what_was_done(self) -> None:
        done = (FIRST - dt.timedelta(1),)
        assert turns(line([standing(days_ago=3, turns_done=done)])) == [(2, 2)]


class TestAPileThatCannotWait:
    def test_is_turned_on_the_first_day_there_is_a_crew(self) -> None:
        slow = replace(EVERY_THIRD, rest_days=8, last_turn_day=8)
        hot = standing(pattern=slow, days_ago=3, soon="it runs too hot")
        assert turns(line([replace(hot, soon=None)])) == [(1, 5)]
        assert turns(line([hot])) == [(1, 0)]
        assert turns(line([hot], crew_min=crew(60, weekdays=(2,)))) == [(1, 2)]

    def test_has_a_turn_added_when_none_is_left(self) -> None:
        done = tuple(FIRST - dt.timedelta(day) for day in (6, 3))
        old = standing(days_ago=8, turns_done=done)
        assert turns(line([old])) == []
        assert turns(line([replace(old, soon="it runs too hot")])) == [(3, 0)]


def test_a_pile_set_aside_cures_in_no_bay_and_counts_for_orders() -> None:
    done = tuple(FIRST - dt.timedelta(day) for day in (8, 5))
    aside = standing(days_ago=10, turns_done=done, bays=())
    by = FIRST + dt.timedelta(3)
    request = line([aside, PileWish("new", EVERY_THIRD, 1.0)], orders=[Order("beds", "bulk", 0.4, by)])
    plan = plan_line(request, within_s=3)
    assert plan.state == "planned"
    by_name = {one.name: one for one in plan.piles}
    assert by_name["old"].bay == ASIDE
    assert (by_name["new"].bay, by_name["new"].build_on) == ("bay 0", FIRST)
    assert {one.task for one in plan.tasks if one.pile == "old"} == set()


def test_crews_are_counted_on_at_their_reliability() -> None:
    """Sixty minutes are a turn; at half of them it cannot be done on a Monday."""
    request = line([standing(days_ago=2)], crew_min=crew(60, minutes=60))
    assert turns(request)[0] == (1, 0)
    assert turns(replace(request, reliability={"mon": 0.5}))[0] == (1, 1)


PAST = FIRST - dt.timedelta(1)


@pytest.mark.parametrize(
    ("changes", "pointer", "says"),
    [
        (
            {"piles": [standing("a"), standing("b")]},
            "/piles/1/bays/0",
            "'b' and 'a' both stand in bay 'bay 0'",
        ),
        ({"piles": [standing(bays=None)]}, "/piles/0/bays", "name the one bay it stands in"),
        ({"bays": [Bay("x", 1.0), Bay("x", 1.0)]}, "/bays/1/name", "'x' stands twice"),
        ({"bays": []}, "/bays", "no bay"),
        ({"crew_min": {}}, "/crew_min", "no crew is there on any day"),
        ({"crew_min": dict.fromkeys(crew(80), 0)}, "/crew_min", "shorten the closures"),
        ({"orders": [Order("a", "bulk", 1, PAST)]}, "/orders/0/by", "is past"),
        ({"piles": [PileWish("a", EVERY_THIRD, 1.0, latest=PAST)]}, "/piles/0/latest", "is past"),
        ({"reliability": {"mon": 1.5}}, "/reliability/mon", "give 0 to 1"),
        ({"reliability": {"moon": 1.0}}, "/reliability/moon", "no weekday"),
        (
            {"reliability": dict.fromkeys(("mon", "tue", "wed", "thu", "fri", "sat", "sun"), 0.0)},
            "/crew_min",
            "no crew",
        ),
    ],
)
def test_what_is_refused(changes: dict[str, object], pointer: str, says: str) -> None:
    with pytest.raises(Invalid) as refused:
        refuse_what_does_not_fit(replace(line(), **changes))  # type: ignore[arg-type]
    assert (refused.value.errors[0].pointer, says in refused.value.errors[0].detail) == (pointer, True)


class TestASearchTakenUpAgain:
    request = line(3, bays=2, days=14, crew_min=crew(60, (0, 3)))

    def test_begins_at_the_plan_it_had(self) -> None:
        watch = Watch()
        whole = solve(Line(self.request), within_s=5, watch=watch)
        best = watch.look().so_far
        assert {name: (one.build_on - FIRST).days for name, one in best.items()} == whole.built
        again = solve(Line(self.request), within_s=0.001, begun=best)
        assert (again.built, again.turns) == (whole.built, whole.turns)

    def test_passes_over_one_that_is_no_plan_any_more(self) -> None:
        same_day = {f"pile {number}": Begun(FIRST, (FIRST,), "bay 0") for number in range(3)}
        found = solve(Line(self.request), within_s=5, begun=same_day)
        assert found.stages == solve(Line(self.request), within_s=5).stages

    def test_one_that_was_stopped_ends_with_what_it_has(self) -> None:
        watch = Watch()
        watch.stop()
        found = solve(Line(self.request), within_s=5, watch=watch)
        assert set(found.built) <= {"pile 0", "pile 1", "pile 2"}
