"""What will be lost at a known instant unless somebody acts before."""

import numpy as np

from service.domain.compliance.findings import AtRisk
from service.domain.compliance.instants import hours_us, to_datetime
from service.domain.compliance.outlook import Outlook
from service.domain.compliance.timeline import caused_by_turn
from service.domain.compliance.turns import regained_at
from service.domain.compliance.words import clock, count, demanded, hours


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
        last = int(one.at[-1])
        if limit // 2 < judged - last <= limit:
            detail = (
                f"No reading at {one.position} for {hours(judged - last)}. Take one by "
                f"{_by(outlook, last + limit)}, or all the time since the last one is lost as a gap."
            )
            found.append(AtRisk("gap", to_datetime(last + limit), one.position, detail))
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
        f"Make {count(outlook.missing_turns, 'more turning', 'more turnings')} by {_by(outlook, at)}: all "
        f"{turns.minimum} must lie within {hours(course.window_us)}, and then the first one counted drops out."
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
                f"{one.position} fell after the turning and must be back {demanded(outlook.case.hold)} by "
                f"{_by(outlook, limit)}, or the period begins again."
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
        f"Take a reading {demanded(outlook.case.hold)} at every position by {_by(outlook, limit)}, within "
        f"{hours(hours_us(within))} of the last turning: only that shows that what was turned in was heated too."
    )
    return [AtRisk("regain", to_datetime(limit), None, detail)]


def _by(outlook: Outlook, instant: int) -> str:
    return clock(instant, outlook.case.time_zone)
