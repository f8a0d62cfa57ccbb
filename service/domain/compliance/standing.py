"""How a pile stands against one hold and the turnings tied to it."""

from dataclasses import dataclass, replace
from zoneinfo import ZoneInfo

from service.domain.compliance.days import day_courses
from service.domain.compliance.evidence import Record
from service.domain.compliance.rule import Hold, TextReading, Turns
from service.domain.compliance.timeline import Course, courses
from service.domain.compliance.tracks import Track
from service.domain.compliance.turns import TurnCount, TurnView, count_turns, regained_at


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
    """

    hold: Hold
    tracks: tuple[Track, ...]
    time_zone: ZoneInfo


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
    """

    course: Course | None
    turns: TurnCount | None
    met_at: int | None

    @property
    def is_held(self) -> bool:
        """True if the heat sufficed."""
        return self.course is not None and self.course.is_reached

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
    periods: list[Course | None] = []
    periods += courses(case.tracks, record, case.hold, text, assume_unseen_held=assume_unseen_held)
    if case.hold.day_count is not None:
        periods += day_courses(
            case.tracks,
            record,
            case.hold.day_count,
            text,
            case.time_zone,
            assume_unseen_held=assume_unseen_held,
        )
    view = None if turns is None else TurnView(case.tracks, record, turns, text, assume_unseen_held)
    standings = [_standing(view, course) for course in periods or [None]]
    met = [(one.met_at, one) for one in standings if one.met_at is not None]
    if not met:
        return max(standings, key=lambda one: _advance(one, record))
    first = min(at for at, _ in met)
    # Days counted may suffice a little earlier than hours; once hours suffice they are what is shown.
    _, best = min(met, key=lambda pair: (pair[1].course is not None and pair[1].course.by_days, pair[0]))
    return replace(best, met_at=first)


def _standing(view: TurnView | None, course: Course | None) -> Standing:
    count = None if view is None else count_turns(view, course)
    reached = None if course is None else course.reached_at
    if reached is None or view is None or count is None:
        return Standing(course, count, reached)
    if count.last_needed is None:
        return Standing(course, count, None)
    met_at = max(reached, count.last_needed)
    if view.turns.regain_in_text:
        shown = regained_at(view.tracks, count.last_needed)
        if shown is None:
            waiting = (count.last_needed, "heat has not been shown again after it")
            return Standing(
                course, replace(count, rejected=(*count.rejected, waiting), last_needed=None), None
            )
        return Standing(course, count, max(met_at, shown))
    return Standing(course, count, met_at)


def _advance(standing: Standing, record: Record) -> tuple[bool, bool, int, float, bool]:
    """Order standings: what can still grow, then what has enough heat, turnings, the most heat."""
    course = standing.course
    if course is None:
        return False, False, 0, 0.0, True
    turned = len(standing.turns.counted) if standing.turns is not None and course.is_reached else 0
    can_grow = course.is_alive and not record.closed
    return can_grow, course.is_reached, turned, standing.progress, not course.by_days
