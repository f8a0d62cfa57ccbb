"""Which turnings count toward a rule, and why the others do not."""

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from enum import Enum
from itertools import takewhile
from typing import Any, Final

import numpy as np

from service.domain.compliance.demands import Turns
from service.domain.compliance.evidence import Record
from service.domain.compliance.instants import hours_us
from service.domain.compliance.rule import TextReading
from service.domain.compliance.timeline import Course
from service.domain.compliance.tracks import Track, hours_between

# A turning after the last reading still belongs to a run whose last readings were hot and no older than this.
TAIL_H: Final = 24.0


class Warmth(Enum):
    """What the last readings before an instant say of the whole pile."""

    HOT = "hot"
    COLD = "cold"
    UNSEEN = "unseen"


@dataclass(frozen=True, slots=True)
class TurnCount:
    """Turnings counted for one period.

    Attributes
    ----------
    counted
        Instants that count, ascending.
    rejected
        Instants that do not, each with the reason.
    last_needed
        The turning with which the number was reached; None if it was not.
    """

    counted: tuple[int, ...]
    rejected: tuple[tuple[int, str], ...]
    last_needed: int | None

    @property
    def is_enough(self) -> bool:
        """True if the number was reached."""
        return self.last_needed is not None


@dataclass(frozen=True, slots=True, eq=False)
class TurnView:
    """What is needed to count turnings.

    Attributes
    ----------
    tracks, record
        The readings at the hold's temperature.
    turns, text
        What is asked, and how silences are filled.
    assume_unseen_held
        True to count a turning whose heat nobody looked at.
    memo
        What was already seen before an instant, kept for other readings of the text.
    """

    tracks: Sequence[Track]
    record: Record
    turns: Turns
    text: TextReading
    assume_unseen_held: bool
    memo: dict[object, Any] = field(default_factory=dict)  # Any: each key has its own kind of value

    def warmth(self, instant: int) -> tuple[Warmth, str]:
        """Look at the last readings before a turning."""
        key = ("warmth", instant, self.turns.hot_before_h or TAIL_H)
        if key not in self.memo:
            self.memo[key] = warmth_before(self.tracks, instant, self.turns.hot_before_h or TAIL_H)
        found: tuple[Warmth, str] = self.memo[key]
        return found

    @property
    def apart_us(self) -> int:
        """Least time between two turnings that both count [us]."""
        return hours_us(max(self.turns.spacing_h, self.text.turn_apart_h))


def warmth_before(tracks: Sequence[Track], instant: int, within_h: float) -> tuple[Warmth, str]:
    """Look at the last reading of every position strictly before an instant.

    Returns
    -------
    tuple
        The coldest answer, and in words what was seen.
    """
    hot = False
    unseen = ""
    for track in tracks:
        if not track.belongs_at(instant):
            continue
        last = int(np.searchsorted(track.at, instant, side="left")) - 1
        if last < 0:
            unseen = f"no reading before it at {track.position}"
        elif not track.hot[last]:
            age = hours_between(int(track.at[last]), instant)
            return Warmth.COLD, f"the reading {age:.1f} h before it at {track.position} does not qualify"
        elif instant - int(track.at[last]) > hours_us(within_h):
            age = hours_between(int(track.at[last]), instant)
            unseen = f"the last reading before it at {track.position} is {age:.1f} h old"
        else:
            hot = True
    if unseen or not hot:
        return Warmth.UNSEEN, unseen or "no probe was in the pile"
    return Warmth.HOT, ""


def count_turns(view: TurnView, course: Course | None) -> TurnCount:
    """Count the turnings of a period as the rule counts them.

    Parameters
    ----------
    view
        Readings, turnings and the rule's terms.
    course
        The period; None if there has been no heat yet.
    """
    rejected = [
        (at, "before fresh material was added; the count began again") for at in view.record.early_turns
    ]
    eligible = []
    for at in view.record.turns:
        reason = _reason_against(view, course, at)
        if reason is None:
            eligible.append(at)
        else:
            rejected.append((at, reason))
    if view.turns.window == "sliding" and course is not None:
        chosen, last_needed = _within_window(view, course, eligible)
    else:
        chosen = spaced(eligible, view.apart_us)
        last_needed = chosen[view.turns.minimum - 1] if len(chosen) >= view.turns.minimum else None
    kept = set(chosen)
    rejected += [(at, _reason_left_out(view, at, chosen)) for at in eligible if at not in kept]
    return TurnCount(tuple(chosen), tuple(sorted(rejected)), last_needed)


def _reason_against(view: TurnView, course: Course | None, at: int) -> str | None:
    """Return why a turning cannot count for this period, or None if it can."""
    if view.turns.window == "any":
        return None
    if course is None or not course.start <= at < course.next_start:
        return "outside the hot period that counts" if course else "there has been no heat yet"
    if view.turns.hot_before_h is None and at <= course.end:
        return None
    warmth, seen = view.warmth(at)
    if warmth is Warmth.HOT or (warmth is Warmth.UNSEEN and view.assume_unseen_held):
        return None
    return f"heat before the turning is not shown: {seen}"


def count_each(view: TurnView, periods: Sequence[Course]) -> TurnCount:
    """Count the turnings before each of which heat was held for the hold's hours, since the one counted before it.

    Parameters
    ----------
    view
        Readings, turnings and the rule's terms.
    periods
        The runs; their required time is what is asked before each turning.
    """
    rejected = [
        (at, "before fresh material was added; the count began again") for at in view.record.early_turns
    ]
    counted: list[int] = []
    starts = [one.start for one in periods]
    for at in view.record.turns:
        k = int(np.searchsorted(starts, at, side="left")) - 1
        reason = (
            "there has been no heat before it"
            if k < 0
            else _reason_against_each(view, periods[k], at, counted)
        )
        if reason is None:
            counted.append(at)
        else:
            rejected.append((at, reason))
    enough = len(counted) >= view.turns.minimum
    return TurnCount(
        tuple(counted), tuple(sorted(rejected)), counted[view.turns.minimum - 1] if enough else None
    )


def _reason_against_each(view: TurnView, run: Course, at: int, counted: Sequence[int]) -> str | None:
    if at > run.end:
        warmth, seen = view.warmth(at)
        if warmth is Warmth.COLD or (warmth is Warmth.UNSEEN and not view.assume_unseen_held):
            return f"heat before the turning is not shown: {seen}"
    held = run.credit_before_us(at) - (run.credit_before_us(counted[-1]) if counted else 0)
    if held >= run.required_us:
        return None
    since = "since the turning counted before it" if counted else "before it"
    return f"only {held / hours_us(1):.4g} h of heat {since}, {run.required_us / hours_us(1):g} h are asked"


def spaced(instants: Sequence[int], apart: int) -> list[int]:
    """Keep the first instant and each later one at least ``apart`` [us] after the one kept before."""
    kept: list[int] = []
    for at in instants:
        if not kept or at - kept[-1] >= apart:
            kept.append(at)
    return kept


def _within_window(view: TurnView, course: Course, eligible: Sequence[int]) -> tuple[list[int], int | None]:
    """Find the window of the rule's length that holds enough turnings, or the most.

    By the clock: were hours lost after a turning left out of the window, a cooler pile could pass where a hotter fails.
    """
    best: list[int] = []
    for k, first in enumerate(eligible):
        places = _spaced_places(eligible, k, view.apart_us)
        inside = takewhile(lambda n, first=first: eligible[n] - first <= course.window_us, places)  # type: ignore[misc]
        chosen = [eligible[n] for n in inside]
        if len(chosen) >= view.turns.minimum:
            return chosen, chosen[view.turns.minimum - 1]
        if len(chosen) >= len(best):  # of equals the latest, which can still be added to
            best = chosen
    return best, None


def _spaced_places(instants: Sequence[int], first: int, apart: int) -> Iterator[int]:
    """Yield the places of the first instant and of each later one far enough from the one before."""
    place = first
    while place < len(instants):
        yield place
        place = max(place + 1, bisect_left(instants, instants[place] + apart, lo=place + 1))


def _reason_left_out(view: TurnView, at: int, chosen: Sequence[int]) -> str:
    place = bisect_left(chosen, at)
    near = min(chosen[max(place - 1, 0) : place + 1], key=lambda one: abs(one - at))
    if abs(near - at) < view.apart_us:
        return (
            f"only {hours_between(*sorted((near, at))):.1f} h from another turning; "
            f"counted with it (at least {view.apart_us / hours_us(1):g} h apart)"
        )
    return "outside the one window of the rule's length that holds the turnings counted"


def regained_at(tracks: Sequence[Track], instant: int) -> int | None:
    """Return when every position had shown heat again after an instant, or None if some has not."""
    latest = instant
    for track in tracks:
        if not track.belongs_at(instant + 1):
            continue
        after = track.at[track.hot & (track.at > instant)]
        if after.size == 0:
            return None
        latest = max(latest, int(after[0]))
    return latest
