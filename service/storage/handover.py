"""Planned tasks beside what was recorded: of one pile, overdue ones, and what was promised."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlalchemy import Time, bindparam, text
from sqlmodel import Session, and_, col, or_, select

from service.domain.piles import in_force
from service.domain.schedules import local_instant
from service.domain.schedules.handover import TASK_OF_KIND, Done
from service.domain.schedules.work_days import WORK_STARTS
from service.storage.pile_events import events_by_pile
from service.storage.plans import IN_FORCE
from service.storage.tables import PileRow, PlanTaskRow, SiteRow

TICKED_OFF: Final = "today_item"
"""In an event's details: the item of a crew's list whose completion it records."""
_MOST_AT_ONCE: Final = 5000


def tasks_of_pile(session: Session, pile: PileRow) -> Sequence[PlanTaskRow]:
    """Return a pile's tasks that were not taken back, locked, those planned before it was on record among them."""
    statement = (
        select(PlanTaskRow)
        .where(
            col(PlanTaskRow.organisation_id) == pile.organisation_id,
            col(PlanTaskRow.site_id) == pile.site_id,
            or_(
                col(PlanTaskRow.pile_id) == pile.id,
                and_(col(PlanTaskRow.pile_id).is_(None), col(PlanTaskRow.pile) == pile.label),
            ),
            col(PlanTaskRow.state).in_(sorted(IN_FORCE)),
        )
        .order_by(col(PlanTaskRow.id))
    )
    # Under the lock a row is as it is now, not as this session saw it before.
    locked = statement.with_for_update().execution_options(populate_existing=True)
    return session.exec(locked).all()


def done_of(
    session: Session, organisation_id: int, piles: Sequence[PileRow], zone: ZoneInfo
) -> dict[UUID, list[Done]]:
    """Return what holds of each pile's record, as far as it can be the record of a planned task.

    An event that was made by ticking off a task names it in its details, under ``TICKED_OFF``.
    """
    events = events_by_pile(session, organisation_id, [pile.id for pile in piles])
    found: dict[UUID, list[Done]] = {}
    for pile in piles:
        done = found.setdefault(pile.id, [])
        if pile.built_at is not None:
            done.append(Done(None, "build", pile.built_at, pile.built_at.astimezone(zone).date()))
        for event in in_force(events.get(pile.id, ())):
            said_of = _task_named(event.details.get(TICKED_OFF))
            if event.kind in TASK_OF_KIND or said_of is not None:
                on = event.at.astimezone(zone).date()
                done.append(Done(event.id, TASK_OF_KIND.get(event.kind, ""), event.at, on, said_of))
    return found


def _task_named(told: object) -> UUID | None:
    try:
        return UUID(str(told))
    except ValueError:
        return None  # an item that was made for the day, not a task of the plan


def overdue(session: Session, organisation_id: int, *, before: date) -> Sequence[tuple[PlanTaskRow, str]]:
    """Return tasks planned before a date and not done, with their sites' zones; what another works on is left to it."""
    statement = (
        select(PlanTaskRow, SiteRow.time_zone)
        .join(
            SiteRow,
            and_(
                col(SiteRow.organisation_id) == col(PlanTaskRow.organisation_id),
                col(SiteRow.id) == col(PlanTaskRow.site_id),
            ),
        )
        .where(
            col(PlanTaskRow.organisation_id) == organisation_id,
            col(PlanTaskRow.state) == "planned",
            col(PlanTaskRow.on_date) < before,
        )
        .order_by(col(PlanTaskRow.on_date), col(PlanTaskRow.id))
        .limit(_MOST_AT_ONCE)
    )
    return session.exec(statement.with_for_update(of=PlanTaskRow, skip_locked=True)).all()


def piles_labelled(
    session: Session, organisation_id: int, site_id: UUID, labels: Collection[str]
) -> Sequence[PileRow]:
    """Return a site's piles by their labels."""
    statement = select(PileRow).where(
        col(PileRow.organisation_id) == organisation_id,
        col(PileRow.site_id) == site_id,
        col(PileRow.label).in_(sorted(labels)),
    )
    return session.exec(statement).all()


@dataclass(frozen=True)
class Promise:
    """A turn that was planned for a date when the crew came on its morning."""

    pile: str
    on: date
    crew: str | None


_PROMISES: Final = text(
    """
    with in_force as (
        select answer, ended_at as since, lead(ended_at) over (order by ended_at, id) as until
        from line_plan
        where organisation_id = :organisation_id and site_id = :site_id and state = 'done'
    ), turns as (
        select task ->> 'pile' as pile, (task ->> 'date')::date as on_date, task -> 'crews' -> 0 ->> 'crew' as crew,
            since, until
        from in_force cross join lateral jsonb_array_elements(answer -> 'tasks') as task
        where task ->> 'task' = 'turn'
            and since < :until_at and (until is null or until > :since_at)
    )
    select pile, on_date, crew
    from turns
    where on_date >= :since and on_date < :until
        and (on_date + :work_starts) at time zone :time_zone >= since
        and (until is null or (on_date + :work_starts) at time zone :time_zone < until)
    order by on_date, pile
    """
).bindparams(bindparam("work_starts", WORK_STARTS, Time()))


def promises(session: Session, site: SiteRow, since: date, until: date) -> list[Promise]:
    """Return the turns planned for a site's days, ``until`` not included, each as it stood when work began that day.

    Tasks themselves do not say it: one that was missed is planned anew, and then stands on another day.
    """
    rows = session.execute(
        _PROMISES,
        {
            "organisation_id": site.organisation_id,
            "site_id": site.id,
            "since": since,
            "until": until,
            "since_at": local_instant(site.time_zone, since, WORK_STARTS),
            "until_at": local_instant(site.time_zone, until, WORK_STARTS),
            "time_zone": site.time_zone,
        },
    ).all()
    return [Promise(*row) for row in rows]
