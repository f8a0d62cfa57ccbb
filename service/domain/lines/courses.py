"""Where a pile's turns fall for each day it could be built: the pattern and the rule laid on the crew days."""

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import ceil

from service.domain.lines.request import LineRequest, PileWish
from service.domain.schedules import PlanRequest, WorkCalendar, repair
from service.domain.schedules.nearest import keepable_from
from service.domain.schedules.placing import LONGEST_MOVE_DAYS


@dataclass(frozen=True)
class Minutes:
    """What each task of a pile takes, in person-minutes."""

    build: int
    turn: int
    screen: int


@dataclass(frozen=True)
class Course:
    """A build day and the days of the turns, counted from the first day of the horizon.

    Attributes
    ----------
    built
        Negative for a pile that was built before the horizon.
    turns
        Where the pattern has the turns still to be done, moved least to days with crew enough.
    """

    built: int
    turns: tuple[int, ...]


def minutes_of(request: LineRequest, pile: PileWish) -> Minutes:
    """Return what a pile's tasks take: its volume over what a person moves in an hour."""
    work = request.work
    kept = pile.volume_m3 * request.kept_pct / 100
    return Minutes(
        ceil(60 * pile.volume_m3 / work.build_m3_per_person_h),
        ceil(60 * pile.volume_m3 / work.turn_m3_per_person_h),
        ceil(60 * kept / work.screen_m3_per_person_h),
    )


def days_with(crew: Mapping[dt.date, int], minutes: int, first: dt.date) -> list[int]:
    """Return the days, from ``first`` on, whose crew can do a task of so many person-minutes."""
    return sorted((on - first).days for on, there in crew.items() if there >= max(1, minutes) and on >= first)


def courses_of(request: LineRequest, pile: PileWish) -> list[Course]:
    """Return a pile's courses, by build day.

    One for each day of the horizon on which it could be built; exactly one for a pile that stands; none when no
    day has crew enough, or the rule's turns find no days after any.
    """
    need = minutes_of(request, pile)
    calendar = _calendar(request, need.turn)
    if pile.built_on is not None:
        return [_standing(request, pile, calendar)]
    return list(_open(request, pile, calendar, need.build))


def _calendar(request: LineRequest, minutes: int) -> WorkCalendar:
    days = (on for on, there in request.crew_min.items() if there >= max(1, minutes))
    return WorkCalendar(frozenset(), frozenset(), frozenset(days))


def _open(request: LineRequest, pile: PileWish, calendar: WorkCalendar, build: int) -> Iterator[Course]:
    opens = max(request.opens, pile.earliest or request.first)
    for day in days_with(request.crew_min, build, request.first):
        on = request.first + dt.timedelta(day)
        if not opens <= on <= request.last:
            continue
        asked = PlanRequest("Etc/UTC", on, (), pile.pattern, rule=pile.rule)
        found = keepable_from(asked, calendar)
        if found is not None:
            yield Course(day, tuple(day + turn for turn in found.turns))


def _standing(request: LineRequest, pile: PileWish, calendar: WorkCalendar) -> Course:
    """Lay out what is left of a pile that stands; what can no longer be kept stands where the pattern has it."""
    built_on, today = pile.built_on or request.first, request.opens
    asked = PlanRequest(
        "Etc/UTC", built_on, (), pile.pattern, extra_days=tuple(calendar.extra_days), rule=pile.rule
    )
    left = repair(asked, built_on, pile.turns_done, today)
    turns = [(on - request.first).days for on in left.turn_dates if left.state == "planned" or on >= today]
    return Course(
        (built_on - request.first).days,
        tuple(turns if pile.soon is None else _sooner(request, turns, calendar)),
    )


def _sooner(request: LineRequest, turns: list[int], calendar: WorkCalendar) -> list[int]:
    """Bring the next turn to the first day a crew can, and let those that would fall on its heels make way to it.

    Without one left, a turn is added: a pile that runs hot, or stands wet or cold, is opened whatever its pattern says.
    """
    first = calendar.next_crew_day(request.opens, within_days=LONGEST_MOVE_DAYS)
    if first is None:
        return turns
    soon = (first - request.first).days
    return [soon, *(day for day in turns[1:] if day > soon)]
