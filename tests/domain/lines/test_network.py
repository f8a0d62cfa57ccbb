"""Orders that sites share: given to who can, nothing left over that need be; and bounds by labour and bays."""

import datetime as dt
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import pytest

from service.domain.errors import Invalid
from service.domain.lines.allotting import Ahead, SharedOrder, allotted
from service.domain.lines.network import plan_network
from service.domain.lines.planning import plan_line
from service.domain.lines.request import Order, PileWish
from service.domain.lines.sharing import SiteLine, shared_name
from tests.domain.lines.small import EVERY_THIRD, FIRST, crew, line

BY = FIRST + dt.timedelta(20)


def day(number: int) -> dt.date:
    return FIRST + dt.timedelta(number)


def site(name: str, spare: int = 2, bays: int = 2, **changes: Any) -> SiteLine:
    """Make a site whose piles each give 0.4 m3, ready eleven days after the build."""
    piles = [PileWish(f"{name} {number}", EVERY_THIRD, 1.0, is_spare=True) for number in range(spare)]
    return SiteLine(name, line(piles, bays=bays, days=14, **changes))


class TestAllotting:
    there = Ahead({"bulk": [(day(5), 1.0), (day(10), 1.0)]}, {"bulk": [(day(10), 0.5)]})

    def test_nobody_is_given_more_than_is_ready_beside_what_is_owed(self) -> None:
        """2 m3 by day 10, of which half a cubic metre is owed then: 1.5 m3 for both orders together."""
        orders = [SharedOrder("early", "bulk", 1.0, day(5)), SharedOrder("late", "bulk", 1.0, day(10))]
        parts = allotted(orders, {"a": self.there})
        assert sum(parts.values()) == pytest.approx(1.5)

    def test_what_two_can_make_is_shared_by_their_room(self) -> None:
        one, two = Ahead({"bulk": [(day(1), 3.0)]}, {}), Ahead({"bulk": [(day(1), 1.0)]}, {})
        parts = allotted([SharedOrder("x", "bulk", 2.0, day(2))], {"a": one, "b": two})
        assert parts == {("x", "a"): pytest.approx(1.5), ("x", "b"): pytest.approx(0.5)}

    def test_a_site_that_may_not_makes_nothing(self) -> None:
        order = SharedOrder("x", "bulk", 2.0, day(11), frozenset({"b"}))
        assert allotted([order], {"a": self.there, "b": replace(self.there, owed={})}) == {
            ("x", "b"): pytest.approx(2.0)
        }


class TestANetwork:
    def test_makes_together_what_none_makes_alone(self) -> None:
        """Two sites of two piles of 0.4 m3 each: 1.6 m3."""
        made = plan_network([site("a"), site("b")], [SharedOrder("beds", "bulk", 1.6, BY)], within_s=6)
        assert made.unmet_m3 == {"beds": pytest.approx(0)}
        assert {part.site: part.volume_m3 for part in made.parts} == {
            "a": pytest.approx(0.8),
            "b": pytest.approx(0.8),
        }
        assert [plan.state for plan in made.plans.values()] == ["planned", "planned"]
        assert all(len(plan.piles) == 2 for plan in made.plans.values())
        assert (made.gap_pct, made.unmet_gap_pct) == (0, pytest.approx(0))

    def test_says_what_is_unmet_and_that_nothing_could_meet_it(self) -> None:
        made = plan_network([site("a"), site("b")], [SharedOrder("beds", "bulk", 2.0, BY)], within_s=6)
        assert made.unmet_m3 == {"beds": pytest.approx(0.4)}
        assert made.unmet_at_least_m3 == pytest.approx(0.4)
        assert made.unmet_gap_pct == pytest.approx(0)

    def test_a_sites_own_order_comes_first(self) -> None:
        busy = site("a", orders=[Order("own", "bulk", 0.8, BY)])
        made = plan_network([busy, site("b")], [SharedOrder("beds", "bulk", 0.8, BY)], within_s=6)
        assert [(part.site, part.volume_m3) for part in made.parts] == [("b", pytest.approx(0.8))]
        assert [plan.state for plan in made.plans.values()] == ["planned", "planned"]

    def test_is_the_same_two_at_a_time(self) -> None:
        asked = [site("a"), site("b", spare=3), site("c")], [SharedOrder("beds", "bulk", 2.2, BY)]
        one = plan_network(*asked, within_s=9)
        with ThreadPoolExecutor(2) as pool:
            two = plan_network(*asked, within_s=4.5, workers=2, each=pool.map)
        assert one.parts == two.parts
        assert {name: plan.tasks for name, plan in one.plans.items()} == {
            name: plan.tasks for name, plan in two.plans.items()
        }
        assert shared_name("beds") not in {wish.wish for plan in two.plans.values() for wish in plan.misfits}

    @pytest.mark.parametrize(
        ("order", "pointer"),
        [
            (SharedOrder("x", "bulk", 0, BY), "/shared_orders/0/volume_m3"),
            (SharedOrder("x", "bulk", 1, day(-1)), "/shared_orders/0/by"),
            (SharedOrder("x", "gold", 1, BY), "/shared_orders/0/grade"),
        ],
    )
    def test_refuses_what_does_not_fit(self, order: SharedOrder, pointer: str) -> None:
        with pytest.raises(Invalid) as refused:
            plan_network([site("a")], [order], within_s=1)
        assert [one.pointer for one in refused.value.errors] == [pointer]

    def test_names_the_site_that_does_not_fit(self) -> None:
        with pytest.raises(Invalid) as refused:
            plan_network([site("a"), site("b", crew_min={})], [], within_s=1)
        assert [one.pointer for one in refused.value.errors] == ["/sites/1/crew_min"]


class TestLowerBounds:
    """No plan is quicker than its work divided by the crew's minutes, or than its piles stay in its bays."""

    @pytest.mark.parametrize(("piles", "minutes"), [(2, 60), (3, 60), (3, 90)])
    def test_labour(self, piles: int, minutes: int) -> None:
        """Each pile takes a build and two turns of sixty person-minutes."""
        plan = plan_line(line(piles, bays=piles, days=21, crew_min=crew(60, minutes=minutes)), within_s=4)
        assert plan.state == "planned"
        last = max(task.date for task in plan.tasks)
        done = sum(task.minutes for task in plan.tasks)
        assert done == piles * 3 * 60
        assert ((last - FIRST).days + 1) * minutes >= done

    @pytest.mark.parametrize(("piles", "bays"), [(2, 1), (3, 1), (3, 2)])
    def test_bays(self, piles: int, bays: int) -> None:
        """A pile stays eight days: with ``bays`` at a time the last is built no earlier than the rounds before take."""
        plan = plan_line(line(piles, bays=bays, days=30), within_s=4)
        assert plan.state == "planned"
        rounds_before = -(-piles // bays) - 1
        last = max(pile.build_on for pile in plan.piles)
        assert (last - FIRST).days == rounds_before * 8, "and with hands enough the bound is met"
