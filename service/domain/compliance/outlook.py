"""What comes next: the earliest the rule can be met, and what will be lost unless somebody acts."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from service.domain.compliance.demands import AnyOf, Heat, Node, Turns
from service.domain.compliance.evidence import Record
from service.domain.compliance.instants import DISTANT_PAST, hours_us, to_datetime
from service.domain.compliance.proofs import Duty
from service.domain.compliance.rule import TextReading
from service.domain.compliance.standing import HoldCase, Standing
from service.domain.compliance.states import HeatFound
from service.domain.compliance.timeline import Course, caused_by_turn, is_silent
from service.domain.compliance.turns import regained_at
from service.domain.compliance.verdict import AtRisk
from service.domain.compliance.words import count, hours


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

    def resumes_at(self) -> int:
        """Return the instant from which heat is assumed to count again [us]."""
        course, judged = self.standing.course, self.record.judged
        interrupted = self.is_cold or is_silent(self.case.tracks, self.record, self.case.hold)
        if course is None or not course.is_alive or interrupted:
            return judged
        return course.end


def earliest_of(node: Node, look: Callable[[Heat], Outlook]) -> int | None:
    """Return the earliest instant at which a part of a rule can be met [us].

    Parameters
    ----------
    node
        The part.
    look
        Gives the outlook of a hold in it.

    Returns
    -------
    int or None
        None if it cannot be met by waiting: the process has ended, or only a record is missing.
    """
    if isinstance(node, Duty):
        return DISTANT_PAST
    if isinstance(node, Heat):
        outlook = look(node)
        return outlook.standing.met_at if outlook.standing.met_at is not None else earliest(outlook)
    found = [earliest_of(one, look) for one in node.of]
    if isinstance(node, AnyOf):
        return min((at for at in found if at is not None), default=None)
    known = [at for at in found if at is not None]
    return max(known) if known and len(known) == len(found) else None


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


def at_risk(outlook: Outlook) -> tuple[AtRisk, ...]:
    """List what will be lost at a known instant unless somebody acts before."""
    if outlook.record.closed or outlook.record.is_empty:
        return ()
    met = outlook.standing.met_at is not None
    found = [] if met else _gaps(outlook) + _window(outlook) + _recovery(outlook)
    return tuple(sorted(found + _regain(outlook), key=lambda one: (one.at, one.what, one.position or "")))


def _gaps(outlook: Outlook) -> list[AtRisk]:
    """Name positions more than half way to the longest allowed gap."""
    limit, judged = hours_us(outlook.case.hold.longest_gap_h), outlook.record.judged
    found = []
    for one in outlook.case.tracks:
        if one.at.size == 0 or not one.belongs_at(judged):
            continue
        silent = judged - int(one.at[-1])
        if limit // 2 < silent <= limit:
            detail = f"no reading at {one.position} for {hours(silent)}; after {hours(limit)} the time is lost as a gap"
            found.append(AtRisk("gap", to_datetime(int(one.at[-1]) + limit), one.position, detail))
    return found


def _window(outlook: Outlook) -> list[AtRisk]:
    """Name the instant at which the oldest turning counted drops out of the window, if one is still missing."""
    turns, standing, course = outlook.turns, outlook.standing, outlook.standing.course
    if turns is None or turns.window != "sliding" or standing.turns is None or course is None:
        return []
    if not outlook.can_go_on or not outlook.missing_turns or not standing.turns.counted:
        return []
    at = standing.turns.counted[0] + course.window_us
    detail = (
        f"the first turning counted drops out of the window of {hours(course.window_us)} unless "
        f"{count(outlook.missing_turns, 'more turning is', 'more turnings are')} made before"
    )
    return [AtRisk("turn_window", to_datetime(at), None, detail)]


def _recovery(outlook: Outlook) -> list[AtRisk]:
    """Name the instant by which a fall put down to a turning must be made good, or the period begins again."""
    if outlook.text.continuity != "unbroken" or not outlook.can_go_on:
        return []
    within = hours_us(outlook.text.turn_transient_h)
    found = []
    for one in outlook.case.tracks:
        excused = (
            caused_by_turn(one.losses, outlook.record, outlook.text.turn_transient_h) & one.losses.is_open
        )
        for k in np.flatnonzero(excused).tolist():
            turn = max(at for at in outlook.record.turns if at <= int(one.losses.first_cold[k]))
            limit = min(turn, int(one.losses.start[k])) + within
            detail = (
                f"{one.position} must be hot again within {hours(within)} of the turning, "
                "or the period begins again"
            )
            found.append(AtRisk("recovery", to_datetime(limit), one.position, detail))
    return found


def _regain(outlook: Outlook) -> list[AtRisk]:
    """Name the instant by which heat must be shown again after the last turning counted."""
    within, standing = outlook.text.regain_within_h, outlook.standing
    if within == 0 or standing.turns is None or not standing.turns.counted:
        return []
    last = standing.turns.counted[-1]
    limit = last + hours_us(within)
    if regained_at(outlook.case.tracks, last) is not None or outlook.record.judged > limit:
        return []
    detail = (
        f"heat must be shown again at every position within {hours(hours_us(within))} of the last turning"
    )
    return [AtRisk("regain", to_datetime(limit), None, detail)]
