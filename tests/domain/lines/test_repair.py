"""A repair moves the fewest promised tasks there are to move: held against every plan of small lines."""

import datetime as dt
import itertools
from dataclasses import replace

import pytest

from service.domain.lines.model import LATER_DAYS
from service.domain.lines.planning import mended, plan_line
from service.domain.lines.request import LineRequest, PileWish, Promise
from tests.domain.lines.small import FIRST, Choice, _is_possible, best, crew, every_choice, line

CLOSED = {
    "the first turn's day": (2,),
    "both turns' days": (2, 5),
    "the first day": (0,),
    "the first three days": (0, 1, 2),
}


def without(request: LineRequest, days: tuple[int, ...]) -> LineRequest:
    gone = {FIRST + dt.timedelta(day) for day in days}
    return replace(request, crew_min={on: there for on, there in request.crew_min.items() if on not in gone})


def least_moved(request: LineRequest, told: dict[str, Promise]) -> int:
    """Return the fewest tasks another plan with no more wishes broken must move, written out without the planner."""
    broken, short, _ = best(request, LATER_DAYS)
    assert (broken, short) == (0, 0)
    choices = [list(every_choice(request, wish, LATER_DAYS)) for wish in request.piles]
    moved = []
    for plan in itertools.product(*choices):
        if None in plan or not _is_possible(request, plan):
            continue
        moved.append(sum(_moved(*one, told) for one in zip(request.piles, plan, strict=True)))
    return min(moved)


def _moved(wish: PileWish, choice: Choice | None, told: dict[str, Promise]) -> int:
    """Return how many promised days a choice does not keep."""
    assert choice is not None
    promise, (built, turns) = told[wish.name], choice
    days = {FIRST + dt.timedelta(day) for day in turns}
    return (FIRST + dt.timedelta(built) != promise.build_on) + len(set(promise.turn_on) - days)


@pytest.mark.parametrize("named", CLOSED)
@pytest.mark.parametrize("bays", [1, 2])
def test_no_plan_moves_fewer(named: str, bays: int) -> None:
    request = line(2, bays=bays, days=12, crew_min=crew(40, minutes=90))
    told = {one.name: Promise(one.build_on, one.turn_on) for one in plan_line(request).piles}
    now = without(request, CLOSED[named])
    plan = mended(now, told)
    assert plan.state == "planned"
    assert len(plan.moves) == least_moved(now, told)
    stage = next(one for one in plan.stages if one.aim == "promises moved")
    assert stage.is_proven


def test_nothing_happened_and_nothing_is_moved() -> None:
    request = line(3, bays=2, days=14, crew_min=crew(60, (0, 3)))
    before = plan_line(request)
    told = {one.name: Promise(one.build_on, one.turn_on) for one in before.piles}
    assert mended(request, told).moves == ()
