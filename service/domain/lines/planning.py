"""Planning a line of piles, and mending the plan when life happens."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Final

from service.domain.lines.answer import ASIDE, LinePlan, LineTask, Load, PilePlan, Task
from service.domain.lines.checking import refuse_what_does_not_fit
from service.domain.lines.mending import misfits_of
from service.domain.lines.model import Line, PileVars, is_aside
from service.domain.lines.places import Stay, stays_of
from service.domain.lines.promises import paired
from service.domain.lines.request import LineRequest, Promise
from service.domain.lines.solving import Found, solve
from service.domain.lines.watching import Begun, Watch
from service.domain.schedules.work_days import spoken

_CHECK_EVERY_DAYS: Final = 1


def plan_line(
    request: LineRequest,
    *,
    within_s: float = 10.0,
    watch: Watch | None = None,
    begun: Mapping[str, Begun] | None = None,
    is_even: bool = True,
) -> LinePlan:
    """Plan a site's line.

    Decided are the build date of every pile, its bay, the dates of its turns, moves and screening, and which spare
    piles are built, so that: no task falls on a day without a crew and no day takes more than its crew has hours;
    each bay holds one pile; turns follow pattern and rule, pushed later by labour by at most four days; no pile is
    built from material that has not come; wanted volumes are ready by their dates. A turn of a pile that stands
    already may be left out, as a broken wish. Crews are counted on at their reliability. Best is, in this order: fewest
    wishes broken (and least volume short), fewest promises moved (a repair), earliest readiness with fewest days
    moved, the least busy busiest day.

    Parameters
    ----------
    request
        One site.
    within_s
        Seconds the search may take; it ends earlier when the plan is proven.
    watch
        Told the aim, the best value and the bound; ends the search with what it has when it is stopped.
    begun
        By pile, the best plan of a search that was broken off; this one begins there.
    is_even
        Whether to make the busiest day less busy at last.

    Returns
    -------
    LinePlan
        Always a plan; wishes that cannot be kept stand in ``misfits`` with what would mend them. The same request
        gives the same plan unless ``ended_by`` is ``clock``.

    Raises
    ------
    Invalid
        With one pointer for each value that does not fit.
    """
    refuse_what_does_not_fit(request)
    request = request.counted_on
    line = Line(request)
    found = solve(line, within_s=within_s, watch=watch, begun=begun, is_even=is_even)
    stays = stays_of(line, found)
    piles = tuple(
        _pile_plan(pile, line, found, stays) for pile in line.piles if pile.wish.name in found.built
    )
    tasks = tuple(sorted(_tasks(line, found, stays), key=lambda one: (one.date, one.bay, one.pile, one.task)))
    return LinePlan(
        state="cannot_be_kept" if found.broken else "planned",
        piles=piles,
        left_out=tuple(p.wish.name for p in line.piles if p.wish.is_spare and p.wish.name not in found.built),
        tasks=tasks,
        misfits=misfits_of(request, found, within_s=within_s),
        loads=_loads(request, tasks),
        stages=found.stages,
        took_s=found.took_s,
        ended_by=found.stopped_by,
        moves=tuple(_moves(line, found)),
    )


def _date(request: LineRequest, day: int) -> dt.date:
    return request.first + dt.timedelta(day)


def _pile_plan(pile: PileVars, line: Line, found: Found, stays: Mapping[str, tuple[Stay, ...]]) -> PilePlan:
    request, name = line.request, pile.wish.name
    kept_m3 = pile.wish.volume_m3 * request.kept_pct / 100
    return PilePlan(
        name=name,
        bay=stays[name][0][0] if stays[name] else ASIDE,
        build_on=_date(request, found.built[name]),
        turn_on=tuple(_date(request, day) for day in found.turns[name]),
        hot_until=_date(request, found.cool[name]),
        ready_on=_date(request, found.ready[name]),
        ready_m3={grade: kept_m3 * share for grade, share in request.grades.items()},
        moved_days=sum(day - base for _, day, base in _turns(pile, found)),
    )


def _turns(pile: PileVars, found: Found) -> Iterator[tuple[int, int, int]]:
    """Yield the turns still to be done: which in the pile's life, its day, and where pattern and rule have it."""
    name = pile.wish.name
    course = next(one for one in pile.courses if one.built == found.built[name])
    left = found.left.get(name, frozenset())
    kept = [(place, base) for place, base in enumerate(course.turns) if place not in left]
    for (place, base), day in zip(kept, found.turns[name], strict=True):
        yield len(pile.wish.turns_done) + place + 1, day, base


def _tasks(line: Line, found: Found, stays: Mapping[str, tuple[Stay, ...]]) -> Iterator[LineTask]:
    for pile in line.piles:
        if pile.wish.name in found.built:
            yield from _tasks_of(pile, line, found, stays[pile.wish.name])


def _tasks_of(pile: PileVars, line: Line, found: Found, stays: tuple[Stay, ...]) -> Iterator[LineTask]:
    request, name, wish = line.request, pile.wish.name, pile.wish
    built, turns = found.built[name], found.turns[name]

    def task(day: int, kind: Task, minutes: int, reason: str, number: int = 1) -> LineTask:
        bay = next(
            (bay for bay, since, until in stays if since <= day < until), stays[-1][0] if stays else ASIDE
        )
        return LineTask(
            _date(request, day), name, kind, bay, None, number, None, day - built, minutes, reason
        )

    if wish.built_on is None:
        yield task(built, "build", pile.minutes.build, f"{wish.volume_m3:g} m3 at once, to the full size")
    for number, day, base in (told := list(_turns(pile, found))):
        before = next(
            (bay for bay, since, until in stays if since < day <= until), task(day, "turn", 0, "").bay
        )
        after = next((bay for bay, since, _ in stays if since == day and wish.built_on is None), None)
        reason = _why_turned(pile, request, number, day - base, base, told[-1][0])
        yield replace(
            task(day, "turn", pile.minutes.turn, reason, number), bay=before, to_bay=after, of=told[-1][0]
        )
    for day in _checks(
        line, built, found.cool[name], turns, wish.pattern.check_every_days or _CHECK_EVERY_DAYS
    ):
        why = "temperature, moisture and smell while it is hot"
        yield task(day, "check", request.work.check_min, why, day - built)
    if found.cool[name] < found.ready[name] and not request.cures_in_bay and not is_aside(wish):
        moved = _first_crew_day(request, found.cool[name])
        if moved is not None:
            yield task(moved, "move", 0, "the hot phase is over: to the curing place, for the bay is needed")
    if name in found.screened:
        reason = f"cured {wish.pattern.curing_days or 0} days"
        yield task(found.screened[name], "screen", pile.minutes.screen, reason)


def _why_turned(pile: PileVars, request: LineRequest, number: int, later: int, base: int, last: int) -> str:
    wish = pile.wish
    if wish.soon is not None and number == len(wish.turns_done) + 1:
        return f"turn {number} of {last}, as soon as a crew can: {wish.soon}"
    reason = f"turn {number} of {last}, {wish.pattern.described}"
    if not later:
        return reason
    return f"{reason}; {later} days after {spoken(_date(request, base))}, whose crew has its hands full"


def _checks(line: Line, built: int, cool: int, turns: tuple[int, ...], every: int) -> Iterator[int]:
    """Yield the crew days of the hot phase on which the pile is looked at and not turned anyway."""
    request = line.request
    if not request.work.check_min:
        return
    seen = built
    opens = max(built + 1, 0, ((request.today or request.first) - request.first).days)
    for day in range(opens, cool):
        if request.crew_min.get(_date(request, day), 0) <= 0:
            continue
        if day in turns:
            seen = day
        elif day - seen >= every:
            seen = day
            yield day


def _first_crew_day(request: LineRequest, day: int) -> int | None:
    days = ((on - request.first).days for on, there in request.crew_min.items() if there > 0)
    return min((one for one in days if one >= day), default=None)


def _loads(request: LineRequest, tasks: tuple[LineTask, ...]) -> tuple[Load, ...]:
    planned: dict[dt.date, int] = defaultdict(int)
    for one in tasks:
        planned[one.date] += one.minutes
    return tuple(Load(on, planned[on], request.crew_min.get(on, 0)) for on in sorted(planned))


def _moves(line: Line, found: Found) -> Iterator[str]:
    """Say of every promised task that was moved from when to when: a day that keeps its turn is not moved."""
    for pile in line.piles:
        wish = pile.wish
        if wish.promised is None:
            continue
        if wish.name not in found.built:
            yield f"{wish.name} is not built: it was promised for {spoken(wish.promised.build_on)}"
            continue
        built = _date(line.request, found.built[wish.name])
        if wish.built_on is None and built != wish.promised.build_on:
            yield f"{wish.name}: build moved from {spoken(wish.promised.build_on)} to {spoken(built)}"
        turns = [_date(line.request, day) for day in found.turns[wish.name]]
        for promised, on in paired(wish.promised.turn_on, turns):
            if promised is None:
                yield f"{wish.name}: one more turn on {spoken(on or built)}"
            elif on is None:
                yield f"{wish.name}: no turn on {spoken(promised)}"
            else:
                yield f"{wish.name}: turn moved from {spoken(promised)} to {spoken(on)}"


def promising(request: LineRequest, told: Mapping[str, Promise]) -> LineRequest:
    """Return the request with what crews were told, of piles that stand and of those still to be built.

    Parameters
    ----------
    request
        As things stand now.
    told
        By pile, the dates of the plan the crews know; those before today are no promises any more.
    """
    today = request.opens
    piles = [
        replace(wish, promised=Promise(known.build_on, tuple(on for on in known.turn_on if on >= today)))
        if (known := told.get(wish.name)) is not None and (wish.built_on or known.build_on >= today)
        else wish
        for wish in request.piles
    ]
    return replace(request, piles=piles)


def mended(
    request: LineRequest,
    told: Mapping[str, Promise],
    *,
    within_s: float = 2.0,
    watch: Watch | None = None,
    begun: Mapping[str, Begun] | None = None,
) -> LinePlan:
    """Plan again after something happened, keeping what crews were told unless it must move.

    Parameters
    ----------
    request
        As things stand now: piles built since as built, turns done, days closed, orders and material as they are.
    told
        By pile, the dates of the plan the crews know.
    within_s, watch, begun
        As in :func:`plan_line`.

    Returns
    -------
    LinePlan
        With ``moves``, each promised task that has another date now.
    """
    return plan_line(promising(request, told), within_s=within_s, watch=watch, begun=begun)
