"""How a pile stands against one hold and the turnings tied to it."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any
from zoneinfo import ZoneInfo

from service.domain.compliance.days import day_courses
from service.domain.compliance.demands import Hold, Turns
from service.domain.compliance.evidence import Evidence, Record
from service.domain.compliance.inside import mean_reached, time_within
from service.domain.compliance.rule import TextReading
from service.domain.compliance.spans import Spans
from service.domain.compliance.timeline import Course, courses, governing
from service.domain.compliance.tracks import Track
from service.domain.compliance.turns import TurnCount, TurnView, count_each, count_turns, regained_at


@dataclass(frozen=True, slots=True, eq=False)
class HoldCase:
    """One hold and the readings seen at its temperature.

    Attributes
    ----------
    hold
        Temperature and time.
    tracks
        Every required position, and the placing of probes.
    time_zone
        Of the site.
    evidence
        The readings behind the tracks.
    within
        The holds whose time must lie within this one.
    memo
        What was already worked out from the same tracks, kept for other rules and other readings of the text.
    """

    hold: Hold
    tracks: tuple[Track, ...]
    time_zone: ZoneInfo
    evidence: tuple[Evidence, ...] = ()
    within: tuple["HoldCase", ...] = ()
    memo: dict[object, Any] = field(default_factory=dict)  # Any: each key has its own kind of value


@dataclass(frozen=True, slots=True, eq=False)
class Standing:
    """Where a pile stands in one period.

    Attributes
    ----------
    course
        The period; None if heat was never reached everywhere.
    turns
        Turnings counted in it; None if the rule asks for none.
    met_at
        The instant from which heat and turnings both sufficed; None if they do not.
    short_of
        What the period still lacks although its hours suffice: a mean, or hours at another temperature.
    """

    course: Course | None
    turns: TurnCount | None
    met_at: int | None
    short_of: str = ""

    @property
    def is_held(self) -> bool:
        """True if the heat sufficed."""
        return self.course is not None and self.course.is_reached and not self.short_of

    @property
    def is_turned(self) -> bool:
        """True if the turnings sufficed."""
        return self.turns is None or self.turns.is_enough

    @property
    def progress(self) -> float:
        """Share of the heat asked for, at most 1."""
        if self.course is None:
            return 0.0
        return min(1.0, self.course.credit_us / self.course.required_us)


def stand(
    case: HoldCase, record: Record, turns: Turns | None, text: TextReading, *, assume_unseen_held: bool
) -> Standing:
    """Find the period that first satisfies a hold and its turnings, or else the one that counts now.

    Parameters
    ----------
    case, record, turns, text
        What is asked, what was recorded, and how silences are filled.
    assume_unseen_held
        True to ask what could be met if every unseen stretch had been hot.
    """
    key = (case.hold, turns, text, assume_unseen_held)
    if key not in case.memo:
        case.memo[key] = _stand(case, record, turns, text, assume_unseen_held=assume_unseen_held)
    found: Standing = case.memo[key]
    return found


def runs(case: HoldCase, record: Record, text: TextReading, *, assume_unseen_held: bool) -> list[Course]:
    """Return the runs of a pile at the temperature of a hold, worked out once."""
    key = ("runs", case.hold.duration_h, text.run_terms, assume_unseen_held)
    if key not in case.memo:
        case.memo[key] = courses(case.tracks, record, case.hold, text, assume_unseen_held=assume_unseen_held)
    found: list[Course] = case.memo[key]
    return found


def hot_spans(case: HoldCase, record: Record, *, assume_unseen_held: bool) -> Spans:
    """Return the stretches in which every position was hot, worked out once."""
    key = ("hot", assume_unseen_held)
    if key not in case.memo:
        case.memo[key] = governing(case.tracks, record, assume_unseen_held=assume_unseen_held)
    found: Spans = case.memo[key]
    return found


def _stand(
    case: HoldCase, record: Record, turns: Turns | None, text: TextReading, *, assume_unseen_held: bool
) -> Standing:
    periods: list[Course | None] = [*runs(case, record, text, assume_unseen_held=assume_unseen_held)]
    if case.hold.day_count is not None:
        key = ("days", case.hold.day_count, text.continuity, assume_unseen_held)
        if key not in case.memo:
            case.memo[key] = day_courses(
                case.tracks,
                record,
                case.hold.day_count,
                text,
                case.time_zone,
                assume_unseen_held=assume_unseen_held,
            )
        periods += case.memo[key]
    view = (
        None if turns is None else TurnView(case.tracks, record, turns, text, assume_unseen_held, case.memo)
    )
    if turns is not None and turns.window == "before_each" and view is not None:
        return _before_each(view, [one for one in periods if one is not None])
    standings = [
        _standing(case, record, view, course, assume_unseen_held=assume_unseen_held)
        for course in periods or [None]
    ]
    met = [(one.met_at, one) for one in standings if one.met_at is not None]
    if not met:
        return max(standings, key=lambda one: _advance(one, record))
    first = min(at for at, _ in met)
    # Days counted may suffice a little earlier than hours; once hours suffice they are what is shown.
    _, best = min(met, key=lambda pair: (pair[1].course is not None and pair[1].course.by_days, pair[0]))
    return replace(best, met_at=first)


def _before_each(view: TurnView, periods: Sequence[Course]) -> Standing:
    """Count the turnings before each of which the heat was held; the period shown is the one that counts now."""
    counted = count_each(view, periods)
    course = max(periods, key=lambda one: (one.is_alive, one.end), default=None)
    if counted.last_needed is None:
        return Standing(course, counted, None)
    course = max((one for one in periods if one.start < counted.last_needed), key=lambda one: one.start)
    if not view.turns.regain_in_text:
        return Standing(course, counted, counted.last_needed)
    return _regained(view, course, counted, counted.last_needed)


def _standing(
    case: HoldCase, record: Record, view: TurnView | None, course: Course | None, *, assume_unseen_held: bool
) -> Standing:
    turned = None if view is None else count_turns(view, course)
    reached = None if course is None else course.reached_at
    if course is None or reached is None:
        return Standing(course, turned, None)
    inner = [
        time_within(
            case.hold, course, one.hold, hot_spans(one, record, assume_unseen_held=assume_unseen_held)
        )
        for one in case.within
    ]
    if case.hold.mean is not None:
        inner.append(mean_reached(case.hold, course, case.evidence, reached))
    missing = [one.short_of for one in inner if one.at is None]
    reached = max([reached, *(one.at for one in inner if one.at is not None)])
    if missing:
        return Standing(course, turned, None, "; ".join(missing))
    if view is None or turned is None:
        return Standing(course, turned, reached)
    if turned.last_needed is None:
        return Standing(course, turned, None)
    met_at = max(reached, turned.last_needed)
    if not view.turns.regain_in_text:
        return Standing(course, turned, met_at)
    return _regained(view, course, turned, met_at)


def _regained(view: TurnView, course: Course | None, turned: TurnCount, met_at: int) -> Standing:
    """Wait for the heat the text itself wants to see again after the last turning."""
    if turned.last_needed is None:
        return Standing(course, turned, None)
    shown = regained_at(view.tracks, turned.last_needed)
    if shown is None:
        waiting, why_not = (turned.last_needed, "heat has not been shown again after it"), turned.why_not
        turned = replace(turned, last_needed=None, why_not=lambda: (*why_not(), waiting))
        return Standing(course, turned, None)
    return Standing(course, turned, max(met_at, shown))


def _advance(standing: Standing, record: Record) -> tuple[bool, bool, int, float, bool]:
    """Order standings: what can still grow, then what has enough heat, turnings, the most heat."""
    course = standing.course
    if course is None:
        return False, False, 0, 0.0, True
    turned = len(standing.turns.counted) if standing.turns is not None and course.is_reached else 0
    can_grow = course.is_alive and not record.closed
    return can_grow, course.is_reached, turned, standing.progress, not course.by_days
