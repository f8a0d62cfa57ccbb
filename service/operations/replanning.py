"""What makes a plan be mended: a turn done on another day or not at all, a changed calendar, a pile that cannot wait.

Called in the transaction that causes it; where a site has no plan it costs one look into an index.
"""

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.operations.plans import ask_repair
from service.operations.turning_sooner import turned_sooner
from service.storage import plans as stored
from service.storage.jobs import defer
from service.storage.lines import LineFacts, line_facts
from service.storage.tables import LinePlanRow, PileRow, PlanTaskRow, SiteRow

LOOK: Final = "look_at_plans"
_FAR: Final = timedelta(days=800)
_WORK: Final = frozenset({"build", "turn", "screen"})


def after_turn(session: Session, pile: PileRow, at: datetime, *, now: datetime) -> None:
    """Have the plan mended if a turn was recorded for another day than it was planned for."""
    if stored.plan_in_force(session, pile.organisation_id, pile.site_id) is None:
        return
    on = at.astimezone(ZoneInfo(_site(session, pile).time_zone)).date()
    planned = [
        one.on_date
        for one in stored.tasks_of(session, pile.organisation_id, pile.site_id, on - _FAR, on + _FAR)
        if one.pile == pile.label and one.task == "turn" and one.state == "planned"
    ]
    if planned and on not in planned:
        near = min(planned, key=lambda one: (abs((one - on).days), one))
        because = f"{pile.label} was turned on {on} instead of {near}"
        ask_repair(session, pile.organisation_id, pile.site_id, because, now=now)


def after_change(
    session: Session, organisation_id: int, site_id: UUID, because: str, *, now: datetime
) -> None:
    """Have the plan mended because something it rests on was changed."""
    ask_repair(session, organisation_id, site_id, because, now=now)


def after_build(session: Session, pile: PileRow, *, now: datetime) -> None:
    """Have the plan mended if a pile was built on another day than it was planned for, or was not planned at all."""
    if pile.built_at is None or stored.plan_in_force(session, pile.organisation_id, pile.site_id) is None:
        return
    on = pile.built_at.astimezone(ZoneInfo(_site(session, pile).time_zone)).date()
    tasks = stored.tasks_of(session, pile.organisation_id, pile.site_id, on, on + timedelta(1))
    if not any(one.pile == pile.label and one.task == "build" for one in tasks):
        because = f"{pile.label} was built on {on}, which was not planned"
        ask_repair(session, pile.organisation_id, pile.site_id, because, now=now)


def _site(session: Session, pile: PileRow) -> SiteRow:
    return session.get_one(SiteRow, (pile.organisation_id, pile.site_id))


def ask_to_look(session: Session, organisation_id: int) -> None:
    """Ask for a look at an organisation's plans in force, if it has any."""
    if stored.sites_with_plans(session, organisation_id):
        defer(session, LOOK, once=f"{LOOK}:{organisation_id}", organisation_id=organisation_id)


def look_at_site(
    session: Session, organisation_id: int, site_id: UUID, *, now: datetime
) -> LinePlanRow | None:
    """Have a site's plan mended if work was missed or a pile cannot wait; None when all is well."""
    in_force = stored.plan_in_force(session, organisation_id, site_id)
    if in_force is None or stored.plan_to_come(session, organisation_id, site_id) is not None:
        return None
    facts = line_facts(session, organisation_id, site_id, now=now)
    tasks = stored.tasks_of(session, organisation_id, site_id, facts.today - _FAR, facts.today + _FAR)
    made_on = in_force.created_at.astimezone(facts.zone).date()
    reasons = [
        *(_missed(one) for one in tasks if _is_missed(one, facts, made_on)),
        *_cannot_wait(session, facts, tasks, now),
    ]
    if not reasons:
        return None
    return ask_repair(session, organisation_id, site_id, "; ".join(dict.fromkeys(reasons)), now=now)


def _is_missed(task: PlanTaskRow, facts: LineFacts, made_on: date) -> bool:
    """Return whether nobody recorded a task whose day is over, and no plan was made since."""
    if task.task not in _WORK or task.state == "done" or not made_on <= task.on_date < facts.today:
        return False
    there = facts.piles.get(task.pile)
    if task.task == "turn":
        return there is None or len(there.turned_on) < task.number
    if task.task == "build":
        return there is None or there.built_on is None
    return there is not None and there.stage not in {"ready", "closed"}


def _missed(task: PlanTaskRow) -> str:
    what = f"turn {task.number}" if task.task == "turn" else task.task
    return f"{task.pile}: {what} of {task.on_date} was not done"


def _cannot_wait(
    session: Session, facts: LineFacts, tasks: Sequence[PlanTaskRow], now: datetime
) -> list[str]:
    """Say which piles are to be turned sooner than their next planned turn."""
    soon = turned_sooner(session, facts, now=now)
    next_crew = next(
        (on for offset in range(60) if facts.calendar.crews_on(on := facts.today + timedelta(offset))), None
    )
    planned = {(one.pile, one.on_date) for one in tasks if one.task == "turn" and one.state == "planned"}
    return [
        f"{label}: {why}"
        for label, why in soon.items()
        if next_crew is not None
        and not any(
            (label, facts.today + timedelta(offset)) in planned
            for offset in range((next_crew - facts.today).days + 1)
        )
    ]
