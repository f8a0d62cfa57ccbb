"""Which turnings count toward a rule, and why the others do not."""

from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from itertools import takewhile
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.demands import Turns
from service.domain.compliance.evidence import Record
from service.domain.compliance.instants import Instants, hours_us
from service.domain.compliance.rule import TextReading
from service.domain.compliance.spans import covered_us
from service.domain.compliance.timeline import Course
from service.domain.compliance.tracks import Track
from service.domain.compliance.warmth import Warmth, warmth_before, what_was_seen
from service.domain.compliance.words import hours

# A turning after the last reading still belongs to a run whose last readings were hot and no older than this.
TAIL_H: Final = 24.0

Rejected = tuple[tuple[int, str], ...]
"""Instants that do not count, each with the reason."""
_EARLY: Final = "fresh material was added after it, and the count began again"
_NO_HEAT: Final = "the pile had not been hot before it"
_NO_PERIOD, _NOT_WARM = -1, -2


@dataclass(frozen=True, slots=True, eq=False)
class TurnCount:
    """Turnings counted for one period.

    Attributes
    ----------
    counted
        Instants that count, ascending.
    last_needed
        The turning with which the number was reached; None if it was not.
    why_not
        Gives the turnings that do not count; only the period shown has to say why.
    """

    counted: tuple[int, ...]
    last_needed: int | None
    why_not: Callable[[], Rejected]

    @property
    def is_enough(self) -> bool:
        """True if the number was reached."""
        return self.last_needed is not None

    @property
    def rejected(self) -> Rejected:
        """Instants that do not count, each with the reason, ascending."""
        return self.why_not()


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
        What was already seen before a turning, kept for other readings of the text.
    """

    tracks: Sequence[Track]
    record: Record
    turns: Turns
    text: TextReading
    assume_unseen_held: bool
    memo: dict[object, Any] = field(default_factory=dict)  # Any: each key has its own kind of value

    @property
    def at(self) -> Instants:
        """Turnings on file since the last addition."""
        if "turns" not in self.memo:
            self.memo["turns"] = np.array(self.record.turns, dtype=np.int64)
        found: Instants = self.memo["turns"]
        return found

    @property
    def within_h(self) -> float:
        """How old the last reading before a turning may be [h]."""
        return self.turns.hot_before_h or TAIL_H

    @property
    def is_warm(self) -> NDArray[np.bool_]:
        """True for turnings before which the pile was hot, or may have been where that is asked."""
        key = ("warmth", self.within_h)
        if key not in self.memo:
            self.memo[key] = warmth_before(self.tracks, self.at, self.within_h)
        return np.asarray(self.memo[key] <= (Warmth.UNSEEN if self.assume_unseen_held else Warmth.HOT))

    def seen(self, instant: int) -> str:
        """Say what speaks against heat before a turning."""
        key = ("seen", instant, self.within_h)
        if key not in self.memo:
            self.memo[key] = what_was_seen(self.tracks, instant, self.within_h)
        return f"the pile was not shown to be hot before it: {self.memo[key]}"

    @property
    def apart_us(self) -> int:
        """Least time between two turnings that both count [us]."""
        return hours_us(max(self.turns.spacing_h, self.text.turn_apart_h))


def count_turns(view: TurnView, course: Course | None) -> TurnCount:
    """Count the turnings of a period as the rule counts them.

    Parameters
    ----------
    view
        Readings, turnings and the rule's terms.
    course
        The period; None if there has been no heat yet.
    """
    can_count = _can_count(view, course)
    eligible = view.at[can_count].tolist()
    if view.turns.window == "sliding" and course is not None:
        chosen, last_needed = _within_window(view, course, eligible)
    else:
        chosen = spaced(eligible, view.apart_us)
        last_needed = chosen[view.turns.minimum - 1] if len(chosen) >= view.turns.minimum else None

    @cache
    def why_not() -> Rejected:
        kept = set(chosen)
        rejected = [(at, _EARLY) for at in view.record.early_turns]
        rejected += [(at, _reason_against(view, course, at)) for at in view.at[~can_count].tolist()]
        rejected += [(at, _reason_left_out(view, at, chosen)) for at in eligible if at not in kept]
        return tuple(sorted(rejected))

    return TurnCount(tuple(chosen), last_needed, why_not)


def _can_count(view: TurnView, course: Course | None) -> NDArray[np.bool_]:
    """Tell which turnings can count for a period."""
    if view.turns.window == "any":
        return np.ones(view.at.size, dtype=np.bool_)
    if course is None:
        return np.zeros(view.at.size, dtype=np.bool_)
    inside = (course.start <= view.at) & (view.at < course.next_start)
    if view.turns.hot_before_h is not None:
        return np.asarray(inside & view.is_warm, dtype=np.bool_)
    return np.asarray(inside & ((view.at <= course.end) | view.is_warm), dtype=np.bool_)


def _reason_against(view: TurnView, course: Course | None, at: int) -> str:
    """Return why a turning cannot count for this period."""
    if course is None:
        return _NO_HEAT
    if not course.start <= at < course.next_start:
        return "it was made outside the hot period that counts"
    return view.seen(at)


def count_each(view: TurnView, periods: Sequence[Course]) -> TurnCount:
    """Count the turnings before each of which heat was held for the hold's hours, since the one counted before it.

    Parameters
    ----------
    view
        Readings, turnings and the rule's terms.
    periods
        The runs; their required time is what is asked before each turning.
    """
    places = (
        np.searchsorted(np.array([one.start for one in periods], dtype=np.int64), view.at, side="left") - 1
    )
    held = [covered_us(one.spans, view.at) for one in periods]
    ends, required = [one.end for one in periods], [one.required_us for one in periods]
    counted: list[int] = []
    left_out: list[tuple[int, int, int]] = []
    last = -1
    rows = zip(view.at.tolist(), places.tolist(), view.is_warm.tolist(), strict=True)
    for n, (at, k, is_warm) in enumerate(rows):
        since = 0
        if k >= 0:
            since = int(held[k][n]) - (int(held[k][last]) if counted else 0)
        if k >= 0 and since >= required[k] and (at <= ends[k] or is_warm):
            counted.append(at)
            last = n
        else:
            left_out.append((at, k if k < 0 or at <= ends[k] or is_warm else _NOT_WARM, since))
    enough = len(counted) >= view.turns.minimum

    @cache
    def why_not() -> Rejected:
        rejected = [(at, _EARLY) for at in view.record.early_turns]
        first = counted[0] if counted else None
        for at, k, since in left_out:
            after_one = first is not None and at > first
            rejected.append((at, _reason_against_each(view, periods, (at, k, since), after_one=after_one)))
        return tuple(sorted(rejected))

    return TurnCount(tuple(counted), counted[view.turns.minimum - 1] if enough else None, why_not)


def _reason_against_each(
    view: TurnView, periods: Sequence[Course], turning: tuple[int, int, int], *, after_one: bool
) -> str:
    at, k, since = turning
    if k == _NO_PERIOD:
        return _NO_HEAT
    if k == _NOT_WARM:
        return view.seen(at)
    last = "since the turning counted before it" if after_one else "before it"
    return f"only {hours(since)} of heat {last}; the rule asks for {hours(periods[k].required_us)}"


def spaced(instants: Sequence[int], apart: int) -> list[int]:
    """Keep the first instant and each later one at least ``apart`` [us] after the one kept before."""
    if apart == 0:
        return list(instants)
    return [instants[place] for place in _spaced_places(instants, 0, apart)]


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
            f"only {hours(abs(near - at))} from another turning: the two count as one, because at least "
            f"{hours(view.apart_us)} must lie between"
        )
    return "it lies outside the stretch of the rule's length that holds the turnings counted"


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
