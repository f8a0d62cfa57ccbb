"""Looking ahead: the earliest instant at which a rule can be met."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from service.domain.compliance.demands import AnyOf, Heat, Node, Turns
from service.domain.compliance.evidence import Record
from service.domain.compliance.instants import DISTANT_PAST, hours_us
from service.domain.compliance.proofs import Duty
from service.domain.compliance.rule import TextReading
from service.domain.compliance.standing import HoldCase, Standing
from service.domain.compliance.states import HeatFound
from service.domain.compliance.timeline import Course, is_silent
from service.domain.compliance.verdict import State


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What is needed to look ahead from a standing.

    Attributes
    ----------
    found
        A hold with its turnings, and where the pile stands on it.
    record, text
        What was recorded, and how silences are filled.
    """

    found: HeatFound
    record: Record
    text: TextReading

    @property
    def case(self) -> HoldCase:
        """The hold, and the readings seen at its temperature."""
        return self.found.case

    @property
    def turns(self) -> Turns | None:
        """The turnings tied to it."""
        return self.found.heat.turns

    @property
    def standing(self) -> Standing:
        """Where the pile stands."""
        return self.found.standing

    @property
    def is_cold(self) -> bool:
        """True if some position's last reading does not qualify."""
        return bool(self.cold_positions)

    @property
    def cold_positions(self) -> tuple[str, ...]:
        """Positions in the pile whose last reading does not qualify."""
        return tuple(
            one.position
            for one in self.case.tracks
            if one.position is not None
            and one.belongs_at(self.record.judged)
            and one.at.size
            and not one.hot[-1]
        )

    @property
    def missing_turns(self) -> int:
        """Turnings still asked for, all of them if the period begins again."""
        if self.turns is None or self.standing.turns is None:
            return 0
        if not self.can_go_on and self.turns.window not in {"any", "before_each"}:
            return self.turns.minimum
        return max(self.turns.minimum - len(self.standing.turns.counted), 0)

    @property
    def can_go_on(self) -> bool:
        """True if heat from now on adds to the period shown."""
        course = self.standing.course
        return course is not None and course.is_alive

    @property
    def begins_again(self) -> bool:
        """True if there has been heat, and what is still asked must come in a new period."""
        if self.standing.course is None or self.can_go_on:
            return False
        return self.found.held != "met" or (
            self.missing_turns > 0
            and self.turns is not None
            and self.turns.window not in {"any", "before_each"}
        )

    def resumes_at(self) -> int:
        """Return the instant from which heat is assumed to count again [us]."""
        course, judged = self.standing.course, self.record.judged
        interrupted = self.is_cold or is_silent(self.case.tracks, self.record, self.case.hold)
        if course is None or not course.is_alive or interrupted:
            return judged
        return course.end


def earliest_of(node: Node, look: Callable[[Heat], Outlook], state: Callable[[Node], State]) -> int | None:
    """Return the earliest instant at which a part of a rule can be met [us].

    Parameters
    ----------
    node
        The part.
    look, state
        Give the outlook of a hold in it, and the state of any part of it.

    Returns
    -------
    int or None
        None if it cannot be met; ``DISTANT_PAST`` if it is, or waits for nothing but a record.
    """
    if state(node) == "not_met":
        return None
    if state(node) == "met" or isinstance(node, Duty):
        return DISTANT_PAST
    if isinstance(node, Heat):
        return earliest(look(node))
    found = [earliest_of(one, look, state) for one in node.of]
    known = [at for at in found if at is not None]
    if isinstance(node, AnyOf):
        return min(known, default=None)
    return max(known) if len(known) == len(found) else None


def earliest(outlook: Outlook) -> int | None:
    """Return the earliest instant at which heat and turnings can suffice [us].

    Nothing more is assumed lost from the last evidence on; turnings still missing are made when the schedule means to
    make them, or else from the instant of judging on, at the rule's spacing. What only the readings can show, a mean or
    an hour at another temperature, is taken to come in time.

    Returns
    -------
    int or None
        None if the process has ended or both suffice already.
    """
    standing, record = outlook.standing, outlook.record
    if record.closed or standing.met_at is not None:
        return None
    course = standing.course if outlook.can_go_on else None
    start = outlook.resumes_at()
    credit = 0 if course is None else course.credit_us
    required = hours_us(outlook.case.hold.duration_h) if course is None else course.required_us
    reached = None if course is None else course.reached_at
    held_at = start + max(0, required - credit) if reached is None else reached
    if outlook.turns is not None and outlook.turns.window == "before_each":
        return max(_last_after_heat(outlook, course, start), record.judged)
    held_at = max(held_at, _inner_hours(outlook, start)) if standing.short_of else held_at
    if outlook.turns is None:
        return max(held_at, record.judged)
    return max(held_at, _last_turn(outlook, course, start), record.judged)


def _inner_hours(outlook: Outlook, start: int) -> int:
    """Return when hours at another temperature, asked within the period, can be made from now on."""
    longest = max((one.hold.duration_h for one in outlook.case.within), default=0.0)
    return start + hours_us(longest)


def _last_after_heat(outlook: Outlook, course: Course | None, start: int) -> int:
    """Return when the last turning still missing can be made, each after its hours of heat."""
    counted = outlook.standing.turns.counted if outlook.standing.turns else ()
    credit = 0
    if course is not None:
        credit = course.credit_us - (course.credit_before_us(counted[-1]) if counted else 0)
    full = hours_us(outlook.case.hold.duration_h)
    at = max(outlook.record.judged, start)
    for n in range(outlook.missing_turns):
        at = _planned(outlook.record, max(at, start) + max(0, full - credit) if n == 0 else at + full)
    return at


def _planned(record: Record, at: int) -> int:
    """Return the first turning planned at or after an instant; the instant itself if none is."""
    return next((one for one in record.planned_turns if one >= at), at)


def _last_turn(outlook: Outlook, course: Course | None, starts: int) -> int:
    """Return when the last turning still missing can be made [us]."""
    turns, standing = outlook.turns, outlook.standing
    if turns is None or standing.turns is None or (course is not None and standing.turns.is_enough):
        return starts
    apart = hours_us(max(turns.spacing_h, outlook.text.turn_apart_h))
    keeps = course is not None or turns.window == "any"
    counted = list(standing.turns.counted) if keeps else []
    now = max(outlook.record.judged, starts)
    options = []
    for dropped in range(len(counted) + 1):
        kept = counted[dropped:]
        missing = max(turns.minimum - len(kept), 0)
        last = max(now, kept[-1] + apart) if kept else now
        for n in range(missing):
            last = _planned(outlook.record, last + (apart if n else 0))
        last = last if missing else now
        if _fits(turns, course, kept, last):
            options.append(last)
    return min(options)


def _fits(turns: Turns, course: Course | None, kept: Sequence[int], last: int) -> bool:
    """Tell whether turnings kept and one at ``last`` lie in one window of the rule's length."""
    if turns.window != "sliding" or course is None or not kept:
        return True
    return last - kept[0] <= course.window_us
