"""Plans of a site's line and their tasks: found, listed, in force."""

from collections.abc import Collection, Sequence
from datetime import date, datetime
from typing import Final
from uuid import UUID

from sqlmodel import Session, col, or_, select

from service.domain.errors import NotFound
from service.storage.records import Page, page
from service.storage.tables import LinePlanRow, PlanTaskRow

OVER: Final = frozenset({"done", "cancelled", "failed"})
"""States in which a plan stays."""
IN_FORCE: Final = frozenset({"planned", "done", "missed"})
"""States of tasks that were not taken back."""


def tasks_of(
    session: Session,
    organisation_id: int,
    site_id: UUID,
    since: date,
    until: date,
    crew: str | None = None,
    *,
    states: Collection[str] = IN_FORCE,
) -> Sequence[PlanTaskRow]:
    """Return a site's tasks by date, then bay.

    Parameters
    ----------
    since, until
        Local dates; the last is not included.
    crew
        Only this crew's, and those that are no crew's.
    states
        Those wanted; a calendar feed asks for ``cancelled`` ones too.
    """
    statement = select(PlanTaskRow).where(
        col(PlanTaskRow.organisation_id) == organisation_id,
        col(PlanTaskRow.site_id) == site_id,
        col(PlanTaskRow.on_date) >= since,
        col(PlanTaskRow.on_date) < until,
        col(PlanTaskRow.state).in_(sorted(states)),
    )
    if crew is not None:
        statement = statement.where(or_(col(PlanTaskRow.crew) == crew, col(PlanTaskRow.crew).is_(None)))
    order = (PlanTaskRow.on_date, PlanTaskRow.bay, PlanTaskRow.pile, PlanTaskRow.task, PlanTaskRow.number)
    return session.exec(statement.order_by(*map(col, order))).all()


def every_task(
    session: Session, organisation_id: int, site_id: UUID, *, lock: bool = False
) -> Sequence[PlanTaskRow]:
    """Return every task a site ever had, locked for a new plan if asked."""
    statement = select(PlanTaskRow).where(
        col(PlanTaskRow.organisation_id) == organisation_id, col(PlanTaskRow.site_id) == site_id
    )
    return session.exec(
        statement.order_by(col(PlanTaskRow.id)).with_for_update() if lock else statement
    ).all()


def find_plan(
    session: Session, organisation_id: int, site_id: UUID | None, plan_id: UUID, *, lock: bool = False
) -> LinePlanRow:
    """Return a plan, of one site if asked, locked for a change if asked.

    Raises
    ------
    NotFound
        Absent, another organisation's or another site's.
    """
    statement = select(LinePlanRow).where(
        col(LinePlanRow.organisation_id) == organisation_id, col(LinePlanRow.id) == plan_id
    )
    if lock:
        # Under a lock the row is as it is now, not as this session saw it before.
        statement = statement.with_for_update().execution_options(populate_existing=True)
    row = session.exec(statement).one_or_none()
    if row is None or (site_id is not None and row.site_id != site_id):
        raise NotFound("no plan with this id")
    return row


def plans_page(
    session: Session, organisation_id: int, site_id: UUID, *, limit: int, after: str | None
) -> Page[LinePlanRow]:
    """Return a site's plans, oldest first."""
    statement = select(LinePlanRow).where(
        col(LinePlanRow.organisation_id) == organisation_id, col(LinePlanRow.site_id) == site_id
    )
    return page(session, statement, [col(LinePlanRow.id)], limit=limit, after=after)


def plan_in_force(session: Session, organisation_id: int, site_id: UUID) -> LinePlanRow | None:
    """Return the plan a site goes by: the newest that was answered."""
    return _newest(session, organisation_id, site_id, {"done"})


def plan_to_come(session: Session, organisation_id: int, site_id: UUID) -> LinePlanRow | None:
    """Return the newest plan that is not answered yet."""
    return _newest(session, organisation_id, site_id, {"waiting", "running"})


def _newest(
    session: Session, organisation_id: int, site_id: UUID, states: Collection[str]
) -> LinePlanRow | None:
    statement = select(LinePlanRow).where(
        col(LinePlanRow.organisation_id) == organisation_id,
        col(LinePlanRow.site_id) == site_id,
        col(LinePlanRow.state).in_(sorted(states)),
    )
    newest = statement.order_by(col(LinePlanRow.created_at).desc(), col(LinePlanRow.id).desc()).limit(1)
    return session.exec(newest).one_or_none()


def of_network(session: Session, organisation_id: int, network_id: UUID) -> Sequence[LinePlanRow]:
    """Return the plans of several sites that were made together, by site."""
    statement = select(LinePlanRow).where(
        col(LinePlanRow.organisation_id) == organisation_id, col(LinePlanRow.network_id) == network_id
    )
    return session.exec(statement.order_by(col(LinePlanRow.id))).all()


def sites_with_plans(session: Session, organisation_id: int) -> Sequence[UUID]:
    """Return the sites of an organisation that go by a plan."""
    statement = select(LinePlanRow.site_id).where(
        col(LinePlanRow.organisation_id) == organisation_id, col(LinePlanRow.state) == "done"
    )
    return session.exec(statement.distinct()).all()


def unanswered(session: Session, organisation_id: int, *, before: datetime) -> Sequence[LinePlanRow]:
    """Return plans asked for before an instant and not answered, whose signal may be lost."""
    statement = select(LinePlanRow).where(
        col(LinePlanRow.organisation_id) == organisation_id,
        col(LinePlanRow.state).in_(["waiting", "running"]),
        col(LinePlanRow.created_at) < before,
    )
    return session.exec(statement).all()
