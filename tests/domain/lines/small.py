"""Small lines, and every plan of them written out: what the planner finds is compared with the best of all."""

import datetime as dt
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache

from service.domain.lines.request import Bay, LineRequest, Order, PileWish, Work
from service.domain.schedules import Pattern

FIRST = dt.date(2026, 3, 2)
"""A Monday."""
EVERY_THIRD = Pattern(rest_days=2, turn_every_days=3, last_turn_day=5, curing_days=3)
"""Two turns, on days 2 and 5; cool on day 8, ready on day 11."""


def crew(days: int, weekdays: Sequence[int] = range(7), minutes: int = 240) -> dict[dt.date, int]:
    dates = (FIRST + dt.timedelta(day) for day in range(days))
    return {on: minutes for on in dates if on.weekday() in weekdays}


def line(
    piles: int | Sequence[PileWish] = 2, bays: int = 1, days: int = 21, **changes: object
) -> LineRequest:
    asked = LineRequest(
        first=FIRST,
        days=days,
        crew_min=crew(days + 40),
        bays=[Bay(f"bay {number}", 1.0) for number in range(bays)],
        piles=[PileWish(f"pile {number}", EVERY_THIRD, 1.0) for number in range(piles)]
        if isinstance(piles, int)
        else piles,
        work=Work(build_m3_per_person_h=1.0, turn_m3_per_person_h=1.0, check_min=0),
    )
    return replace(asked, **changes)  # type: ignore[arg-type]


Choice = tuple[int, tuple[int, ...]]
"""The day a pile is built, and those on which it is turned."""


def every_choice(request: LineRequest, wish: PileWish, later_days: int) -> Iterator[Choice | None]:
    """Yield every way to build and turn a pile by rules written here, not by the planner's: or not to build it."""
    yield None
    open_days = [(on - request.first).days for on, there in request.crew_min.items() if there > 0]
    for built in (day for day in open_days if day < request.days):
        options = [
            [day for day in open_days if one <= day <= one + later_days]
            for one in laid(wish, built, open_days)
        ]
        yield from ((built, turns) for turns in itertools.product(*options) if _are_apart(wish, turns))


def laid(wish: PileWish, built: int, open_days: Sequence[int]) -> tuple[int, ...]:
    """Return the turns on crew days nearest to the pattern: fewest days moved, fewest turns moved, rather later."""
    wanted = _wanted(wish, built)
    near = [[day for day in open_days if abs(day - one) <= 7 and day >= wanted[0]] for one in wanted]
    layouts = (turns for turns in itertools.product(*near) if _are_apart(wish, turns))

    def burden(turns: Sequence[int]) -> tuple[int, int, int]:
        moves = [day - one for day, one in zip(turns, wanted, strict=True)]
        return sum(map(abs, moves)), sum(move != 0 for move in moves), -sum(moves)

    return min(layouts, key=burden)


@cache
def _laid_once(pattern: Pattern, built: int, open_days: tuple[int, ...]) -> tuple[int, ...]:
    return laid(PileWish("", pattern, 1.0), built, open_days)


def _laid(wish: PileWish, built: int, open_days: tuple[int, ...]) -> tuple[int, ...]:
    return _laid_once(wish.pattern, built, open_days)


def _wanted(wish: PileWish, built: int) -> list[int]:
    assert wish.pattern.turn_every_days is not None
    days = range(wish.pattern.rest_days, wish.pattern.last_turn_day + 1, wish.pattern.turn_every_days)
    return [built + day for day in days]


def _are_apart(wish: PileWish, turns: Sequence[int]) -> bool:
    assert wish.pattern.turn_every_days is not None
    return all(b - a >= max(1, wish.pattern.turn_every_days // 2) for a, b in itertools.pairwise(turns))


def best(request: LineRequest, later_days: int) -> tuple[int, int, int]:
    """Return the fewest broken wishes, the least litres short with them, and then the least readiness and moves."""
    choices = [list(every_choice(request, wish, later_days)) for wish in request.piles]
    return min(_measure(request, plan) for plan in itertools.product(*choices) if _is_possible(request, plan))


def _is_possible(request: LineRequest, plan: Sequence[Choice | None]) -> bool:
    minutes: dict[int, int] = {}
    stays = []
    for wish, choice in zip(request.piles, plan, strict=True):
        if choice is None:
            continue
        built, turns = choice
        stays.append((built, _cool(wish, turns)))
        for day in (built, *turns):
            minutes[day] = minutes.get(day, 0) + round(60 * wish.volume_m3)
    if any(
        needed > request.crew_min.get(request.first + dt.timedelta(day), 0) for day, needed in minutes.items()
    ):
        return False
    return all(sum(a <= start < b for a, b in stays) <= len(request.bays) for start, _ in stays)


def _cool(wish: PileWish, turns: Sequence[int]) -> int:
    assert wish.pattern.turn_every_days is not None
    return turns[-1] + wish.pattern.turn_every_days


def _measure(request: LineRequest, plan: Sequence[Choice | None]) -> tuple[int, int, int]:
    broken = short = readiness = 0
    ready: list[tuple[int, int]] = []
    for wish, choice in zip(request.piles, plan, strict=True):
        if choice is None:
            broken += not wish.is_spare
            continue
        built, turns = choice
        broken += wish.latest is not None and (wish.latest - request.first).days < built
        on = _cool(wish, turns) + (wish.pattern.curing_days or 0)
        open_days = [(one - request.first).days for one, there in request.crew_min.items() if there > 0]
        readiness += on + sum(turns) - sum(_laid(wish, built, tuple(open_days)))
        ready.append((on, int(wish.volume_m3 * request.kept_pct * 10)))
    asked = 0
    for order in sorted(request.orders, key=_by):
        asked += round(order.volume_m3 * 1000)
        missing = max(0, asked - sum(litres for on, litres in ready if on <= (order.by - request.first).days))
        broken, short = broken + (missing > 0), short + missing
    return broken, short, readiness


def _by(order: Order) -> dt.date:
    return order.by
