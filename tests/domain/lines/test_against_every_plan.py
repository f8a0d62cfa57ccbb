"""Small lines (up to three piles, three weeks) against every plan there is, written out by rules of the test's own."""

import datetime as dt
import itertools
from dataclasses import replace

import pytest

from service.domain.lines.model import LATER_DAYS, Line
from service.domain.lines.planning import plan_line
from service.domain.lines.request import LineRequest, Order, PileWish
from service.domain.lines.solving import solve
from tests.domain.lines.small import EVERY_THIRD, FIRST, best, crew, line

BY = FIRST + dt.timedelta(20)
WEEKDAYS = (0, 1, 2, 3, 4)
SPARE = [PileWish(f"spare {number}", EVERY_THIRD, 1.0, is_spare=True) for number in range(2)]
LINES = {
    "one bay for two piles": line(),
    "two piles and an hour a day": line(bays=2, days=14, crew_min=crew(40, minutes=60)),
    "an hour and a half a day": line(bays=2, days=12, crew_min=crew(40, minutes=90)),
    "three piles, a bay too few, a crew twice a week": line(3, bays=2, days=14, crew_min=crew(60, (0, 3))),
    "a latest day that one of two keeps": line(
        [
            PileWish("first", EVERY_THIRD, 1.0, latest=FIRST + dt.timedelta(1)),
            PileWish("second", EVERY_THIRD, 1.0, latest=FIRST + dt.timedelta(4)),
        ],
        days=14,
    ),
    "wanted volumes, of spare piles": line(SPARE, bays=2, days=14, orders=[Order("beds", "bulk", 0.5, BY)]),
    "more wanted than can be": line(
        SPARE, days=14, orders=[Order("beds", "bulk", 0.7, BY), Order("pots", "bulk", 0.2, BY)]
    ),
}


@pytest.mark.parametrize("named", LINES)
def test_no_plan_is_better_than_the_one_found(named: str) -> None:
    request = LINES[named]
    broken, short, readiness = best(request, LATER_DAYS)
    found = solve(Line(request), within_s=10)
    said = Line(request)
    stages = {stage.aim: stage for stage in found.stages}
    assert stages["broken wishes"].value == said.weight_of_a_wish * broken + short
    assert stages["readiness"].value == readiness
    assert stages["broken wishes"].is_proven
    assert stages["readiness"].is_proven


@pytest.mark.parametrize("named", LINES)
def test_what_is_planned_can_be_done(named: str) -> None:
    """Checked on the answer itself: crews, bays, order of turns."""
    _must_be_doable(LINES[named])


def _must_be_doable(request: LineRequest) -> None:
    plan = plan_line(request)
    minutes: dict[dt.date, int] = {}
    for task in plan.tasks:
        minutes[task.date] = minutes.get(task.date, 0) + task.minutes
    assert all(needed <= request.crew_min.get(on, 0) for on, needed in minutes.items())
    for bay in request.bays:
        stays = sorted((pile.build_on, pile.hot_until) for pile in plan.piles if pile.bay == bay.name)
        assert all(before[1] <= after[0] for before, after in itertools.pairwise(stays))
    for pile in plan.piles:
        assert list(pile.turn_on) == sorted(set(pile.turn_on))
        assert pile.build_on < pile.turn_on[0]
        assert pile.turn_on[-1] < pile.hot_until <= pile.ready_on


def test_the_same_request_gives_the_same_plan() -> None:
    request = replace(line(3, bays=2, days=9), crew_min=crew(60, WEEKDAYS, 90))
    first, second = plan_line(request), plan_line(request)
    assert first.tasks == second.tasks
    assert first.ended_by != "clock"
