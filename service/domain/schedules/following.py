"""How the turns that were recorded follow the plan, and which one comes next."""

import datetime as dt
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

from service.domain.errors import Invalid
from service.domain.schedules.answer import Plan
from service.domain.schedules.nearest import keepable_from
from service.domain.schedules.pattern import Pattern
from service.domain.schedules.request import PlanRequest
from service.domain.schedules.work_days import WorkCalendar

MATCH_WITHIN_DAYS: Final = 1
"""A turn done a day early or late is the planned one (common practice, no source)."""

_CATCH_UP_WITHIN_DAYS: Final = 60


@dataclass(frozen=True)
class TurnMatch:
    """Planned turns beside recorded ones.

    Attributes
    ----------
    matched
        Pairs (planned, recorded), in order.
    missed
        Planned dates without a recorded turn, past and to come.
    unplanned
        Recorded turns that belong to no planned one; a date recorded twice stands here the second time.
    """

    matched: tuple[tuple[dt.date, dt.date], ...]
    missed: tuple[dt.date, ...]
    unplanned: tuple[dt.date, ...]


@dataclass(frozen=True)
class NextTurn:
    """Where a pile stands in its plan.

    Attributes
    ----------
    missed_on, missed
        The last planned turn before today that was not done, or None; and all of them.
    next_on
        The next planned turn from today on that is not done yet, or None when no more is planned.
    catch_up_on
        The crew day on which to make good the missed turn: the first from today on, if the pile has not been
        turned since and the next planned turn is more than a day later; otherwise None.
    """

    missed_on: dt.date | None
    missed: tuple[dt.date, ...]
    next_on: dt.date | None
    catch_up_on: dt.date | None


def match_turns(
    planned: Iterable[dt.date], recorded: Iterable[dt.date], *, within_days: int = MATCH_WITHIN_DAYS
) -> TurnMatch:
    """Pair planned turns with recorded ones.

    Each pair lies within ``within_days``. As many pairs as possible are made, and among these the one with the fewest
    days between planned and recorded; of a turn done between two planned ones the earlier is served, because
    turns are done late more often than early.

    Parameters
    ----------
    planned, recorded
        Local dates in any order.
    within_days
        How far from its day a planned one may have been done [d].
    """
    wanted, done = sorted(planned), sorted(recorded)
    rest = _scores(wanted, done, within_days)
    matched, missed, unplanned = [], [], []
    i = j = 0
    while i < len(wanted) and j < len(done):
        apart = abs((wanted[i] - done[j]).days)
        if apart <= within_days and _joined(rest[i + 1][j + 1], apart) == rest[i][j]:
            matched.append((wanted[i], done[j]))
            i, j = i + 1, j + 1
        elif rest[i][j + 1] == rest[i][j]:
            unplanned.append(done[j])
            j += 1
        else:
            missed.append(wanted[i])
            i += 1
    return TurnMatch(tuple(matched), (*missed, *wanted[i:]), (*unplanned, *done[j:]))


def next_turn(
    planned: Plan | Pattern,
    built_on: dt.date,
    turns_done: Iterable[dt.date],
    today: dt.date,
    calendar: WorkCalendar,
) -> NextTurn:
    """Return the last missed and the next planned turn of a pile.

    Parameters
    ----------
    planned
        A plan, followed on its own dates (of a plan that cannot be kept, the nearest); or a pattern, laid on the
        crew days from ``built_on``.
    built_on
        Day 0 of the pile; used with a pattern.
    turns_done
        Local dates of the recorded turns.
    today
        The local date on the site.
    calendar
        The site's crew days.

    Raises
    ------
    Invalid
        If a pattern does not fit.
    """
    dates = _planned_dates(planned, built_on, calendar)
    done = sorted(turns_done)
    open_dates = match_turns(dates, done).missed
    missed = tuple(on for on in open_dates if on < today)
    next_on = next((on for on in open_dates if on >= today), None)
    missed_on = missed[-1] if missed else None
    turned_since = missed_on is None or (bool(done) and done[-1] > missed_on)
    catch_up_on = None if turned_since else calendar.next_crew_day(today, within_days=_CATCH_UP_WITHIN_DAYS)
    if catch_up_on is not None and next_on is not None and (next_on - catch_up_on).days <= MATCH_WITHIN_DAYS:
        catch_up_on = None
    return NextTurn(missed_on, missed, next_on, catch_up_on)


def _planned_dates(planned: Plan | Pattern, built_on: dt.date, calendar: WorkCalendar) -> tuple[dt.date, ...]:
    """Return the dates on which the pile is to be turned."""
    if isinstance(planned, Plan):
        return (planned.nearest or planned).turn_dates
    faults = planned.errors()
    if faults:
        raise Invalid(*faults)
    turns = planned.turns(built_on)
    if turns:
        # The crew days are the calendar's, and the zone has no say in dates.
        keepable = keepable_from(PlanRequest("Etc/UTC", built_on, (), planned), calendar)
        turns = keepable.turns if keepable else turns
    return tuple(built_on + dt.timedelta(day) for day in turns)


def _joined(score: tuple[int, int], apart: int) -> tuple[int, int]:
    """Return a score with one more pair, ``apart`` days from each other."""
    return score[0] - 1, score[1] + apart


def _scores(wanted: list[dt.date], done: list[dt.date], within_days: int) -> list[list[tuple[int, int]]]:
    """Return, for each rest of both lists, the best (pairs, negative; days apart)."""
    rest = [[(0, 0)] * (len(done) + 1) for _ in range(len(wanted) + 1)]
    for i in reversed(range(len(wanted))):
        for j in reversed(range(len(done))):
            best = min(rest[i + 1][j], rest[i][j + 1])
            apart = abs((wanted[i] - done[j]).days)
            if apart <= within_days:
                best = min(best, _joined(rest[i + 1][j + 1], apart))
            rest[i][j] = best
    return rest
