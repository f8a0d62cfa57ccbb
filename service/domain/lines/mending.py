"""What would mend a broken wish: each change is tried on the model, so that what is offered is known to work."""

import datetime as dt
import time
from collections.abc import Iterator
from dataclasses import replace
from math import ceil
from typing import Final

from service.domain.lines.answer import Change, LineMisfit
from service.domain.lines.courses import minutes_of
from service.domain.lines.model import LATER_DAYS, LITRES, Line
from service.domain.lines.request import Arrival, LineRequest, PileWish
from service.domain.lines.solving import Found, sketch
from service.domain.schedules.work_days import spoken

_TRIED: Final = 2
"""Wishes for which changes are tried; a plan that breaks more needs another look, not a list."""
_TRY_S: Final = 0.6
_SINGLE_DAYS: Final = 5
"""Days tried one by one, to see whether one alone would do."""
_LISTED: Final = 3
_MOST_MORE: Final = 10


def misfits_of(request: LineRequest, found: Found, *, within_s: float) -> tuple[LineMisfit, ...]:
    """Return the broken wishes, for the first few what would mend them.

    Parameters
    ----------
    request, found
        As planned.
    within_s
        Seconds the plan itself was given; a fifth of it, at most, is spent on each try.
    """
    each_s, ends = min(_TRY_S, within_s / 5), time.monotonic() + within_s
    tried = 0 if any(one.promised for one in request.piles) else _TRIED
    answer = []
    for place, key in enumerate(found.broken):
        changes: list[Change] = []
        for change in _changes(request, key, found, each_s) if place < tried else ():
            changes.append(change)
            if time.monotonic() > ends:
                break
        answer.append(_misfit(request, key, found, tuple(changes)))
    return tuple(answer)


def _misfit(request: LineRequest, key: str, found: Found, changes: tuple[Change, ...]) -> LineMisfit:
    kind, name = key.split(":", 1)
    if kind == "order":
        short_l = found.short_l.get(key) or 0
        return LineMisfit(name, "order", _why_order(request, name, short_l), short_l / LITRES, changes)
    if kind == "turn":
        name, number = name.rsplit(":", 1)
        return LineMisfit(name, "turn", _why_turn(request, name, number), None, changes)
    return LineMisfit(name, "pile", _why_pile(request, name), None, changes)


def _why_turn(request: LineRequest, name: str, number: str) -> str:
    wish = next(one for one in request.piles if one.name == name)
    need, most = minutes_of(request, wish).turn, max(request.crew_min.values(), default=0)
    if need > most:
        return f"turn {number} takes {need} person-minutes and the largest crew of a day has {most}"
    return f"no crew day within {LATER_DAYS} days of where the pattern has turn {number} has {need} minutes left for it"


def _why_pile(request: LineRequest, name: str) -> str:
    wish = next(one for one in request.piles if one.name == name)
    need, most = minutes_of(request, wish), max(request.crew_min.values(), default=0)
    if need.build > most:
        return f"building it takes {need.build} person-minutes and the largest crew of a day has {most}"
    if need.turn > most:
        return f"turning it takes {need.turn} person-minutes and the largest crew of a day has {most}"
    for feedstock, kg in wish.needs_kg.items():
        if sum(one.kg for one in request.arrivals if one.feedstock == feedstock) < kg:
            return f"it needs {kg:g} kg of {feedstock} and less than that arrives"
    until = "the end of the plan" if wish.latest is None else spoken(wish.latest)
    return f"no day until {until} leaves crew, bay and material for it beside the others"


def _why_order(request: LineRequest, name: str, short_l: int) -> str:
    order = next(one for one in request.orders if one.name == name)
    return (
        f"{short_l / 1000:.2f} m3 of {order.grade} wanted by {spoken(order.by)} are not ready then, counting what"
        " earlier dates take"
    )


def _changes(request: LineRequest, key: str, found: Found, each_s: float) -> Iterator[Change]:
    """Try one change after the other, from the least trouble to the most."""
    kind, name = key.split(":", 1)
    if kind == "turn":
        yield from _extra_days(request, key, found, each_s)
        return
    yield from _later_order(request, name, found) if kind == "order" else _later_pile(request, name, found)
    yield from _extra_days(request, key, found, each_s)
    if _mends(Line(request, extra_bays=1), key, found, each_s):
        yield Change("extra_bay", "one more bay of the usual size")
    if kind == "order":
        yield from _more_piles(request, key, found, each_s)
    else:
        yield from _material(request, name, key, found, each_s)


def _mends(line: Line, key: str, found: Found, each_s: float) -> Found | None:
    """Return the plan in which the wish is kept and no other is broken instead, if there is one."""
    tried = sketch(line, within_s=each_s)
    is_mended = tried is not None and key not in tried.broken and set(tried.broken) <= set(found.broken)
    return tried if is_mended else None


def _later_order(request: LineRequest, name: str, found: Found) -> Iterator[Change]:
    """Say when the plan as it is has the volume ready, all that is wanted earlier being taken first."""
    order = next(one for one in request.orders if one.name == name)
    asked = sum(one.volume_m3 for one in request.orders if one.grade == order.grade and one.by <= order.by)
    volumes = {one.name: one.volume_m3 for one in request.piles}
    there = request.on_hand_m3.get(order.grade, 0.0)
    for pile, day in sorted(found.ready.items(), key=lambda one: (one[1], one[0])):
        there += volumes[pile] * request.kept_pct / 100 * request.grades[order.grade]
        if there >= asked - 1e-3:
            yield _late(order.by, request.first + dt.timedelta(day))
            return


def _later_pile(request: LineRequest, name: str, found: Found) -> Iterator[Change]:
    wish = next(one for one in request.piles if one.name == name)
    if name in found.built and wish.latest is not None:
        yield _late(wish.latest, request.first + dt.timedelta(found.built[name]))


def _late(wanted: dt.date, there: dt.date) -> Change:
    days = (there - wanted).days
    return Change(
        "later", f"{days} {'day' if days == 1 else 'days'} later, on {spoken(there)}", (there,), days
    )


def _extra_days(request: LineRequest, key: str, found: Found, each_s: float) -> Iterator[Change]:
    """Open Saturdays, and if that does not do every day; then see whether one day alone would have done."""
    for named, weekdays in (("Saturdays", {5}), ("days that have none", set(range(7)))):
        opened = _opened(request, weekdays)
        mended = _mends(Line(opened), key, found, each_s) if opened is not request else None
        if mended is None:
            continue
        used = [on for on in _used(opened, mended) if not request.crew_min.get(on)]
        for on in used[:_SINGLE_DAYS]:
            one_more = replace(request, crew_min={**request.crew_min, on: opened.crew_min[on]})
            if _mends(Line(one_more), key, found, each_s):
                yield Change("extra_day", f"a crew on {spoken(on)}", (on,))
                return
        more = f" and {len(used) - _LISTED} more" if len(used) > _LISTED else ""
        listed = ", ".join(spoken(on) for on in used[:_LISTED])
        yield Change("extra_day", f"a crew also on {named}: {listed}{more}", tuple(used))
        return


def _opened(request: LineRequest, weekdays: set[int]) -> LineRequest:
    """Return the request with a crew on more weekdays, as large as its usual one."""
    there = sorted(minutes for minutes in request.crew_min.values() if minutes > 0)
    span = (max(request.crew_min) - request.first).days + 1
    days = (request.first + dt.timedelta(day) for day in range(span))
    extra = {
        on: there[len(there) // 2] for on in days if on.weekday() in weekdays and on not in request.crew_min
    }
    return replace(request, crew_min={**request.crew_min, **extra}) if extra else request


def _used(opened: LineRequest, mended: Found) -> list[dt.date]:
    days = {day for turns in mended.turns.values() for day in turns}
    days |= {*mended.built.values(), *mended.screened.values()}
    # A pile that stands was built before there was a plan.
    return [on for day in sorted(days) if (on := opened.first + dt.timedelta(day)) in opened.crew_min]


def _more_piles(request: LineRequest, key: str, found: Found, each_s: float) -> Iterator[Change]:
    """Add piles like the last one wished for, as many as the missing volume takes."""
    like = next((one for one in reversed(request.piles) if one.built_on is None), None)
    order = next(one for one in request.orders if f"order:{one.name}" == key)
    if like is None:
        return
    each_m3 = like.volume_m3 * request.kept_pct / 100 * request.grades[order.grade]
    count = ceil(found.short_l[key] / 1000 / each_m3)
    more = [
        replace(like, name=f"one more pile {n}", is_spare=True, promised=None) for n in range(1, count + 1)
    ]
    if count <= _MOST_MORE and _mends(
        Line(replace(request, piles=[*request.piles, *more])), key, found, each_s
    ):
        one = f"one more pile like {like.name}" if count == 1 else f"{count} more piles like {like.name}"
        yield Change("extra_pile", one, piles=count)


def _material(request: LineRequest, name: str, key: str, found: Found, each_s: float) -> Iterator[Change]:
    wish: PileWish = next(one for one in request.piles if one.name == name)
    for feedstock, kg in sorted(wish.needs_kg.items()):
        more = replace(request, arrivals=[*request.arrivals, Arrival(feedstock, request.first, kg)])
        if _mends(Line(more), key, found, each_s):
            yield Change("material", f"{kg:g} kg more of {feedstock} at the start", kg=kg)
