"""What a crew's day is made from: the site's piles, which of them a plan has, and links to the day's page."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final
from uuid import UUID

from sqlmodel import Session, col, select

from service.storage.tables import ApiKeyRow, BayRow, PileRow, PlanTaskRow

LINK_PREFIX: Final = "today-"
"""A link to a day's page is kept as a key that has no scope, and is known by its prefix."""


def piles_at(session: Session, organisation_id: int, site_id: UUID) -> Sequence[PileRow]:
    """Return the piles of a site, oldest first."""
    statement = select(PileRow).where(
        col(PileRow.organisation_id) == organisation_id, col(PileRow.site_id) == site_id
    )
    return session.exec(statement.order_by(col(PileRow.id))).all()


def bays_at(session: Session, organisation_id: int, site_id: UUID) -> Sequence[BayRow]:
    """Return the bays of a site."""
    statement = select(BayRow).where(
        col(BayRow.organisation_id) == organisation_id, col(BayRow.site_id) == site_id
    )
    return session.exec(statement.order_by(col(BayRow.id))).all()


def pile_named(session: Session, organisation_id: int, site_id: UUID, label: str) -> PileRow | None:
    """Return a site's pile by its label."""
    statement = select(PileRow).where(
        col(PileRow.organisation_id) == organisation_id,
        col(PileRow.site_id) == site_id,
        col(PileRow.label) == label,
    )
    return session.exec(statement).one_or_none()


def planned_labels(session: Session, organisation_id: int, site_id: UUID) -> frozenset[str]:
    """Return the piles a plan of the site's line has tasks for, by label."""
    statement = (
        select(PlanTaskRow.pile)
        .where(
            col(PlanTaskRow.organisation_id) == organisation_id,
            col(PlanTaskRow.site_id) == site_id,
            col(PlanTaskRow.state) != "cancelled",
        )
        .distinct()
    )
    return frozenset(session.exec(statement).all())


def planned_task(session: Session, organisation_id: int, site_id: UUID, task_id: UUID) -> PlanTaskRow | None:
    """Return a planned task of a site."""
    statement = select(PlanTaskRow).where(
        col(PlanTaskRow.organisation_id) == organisation_id,
        col(PlanTaskRow.site_id) == site_id,
        col(PlanTaskRow.id) == task_id,
    )
    return session.exec(statement).one_or_none()


def live_links(
    session: Session, organisation_id: int, site_id: UUID, *, now: datetime
) -> Sequence[ApiKeyRow]:
    """Return a site's links that are neither revoked nor run out, oldest first."""
    statement = select(ApiKeyRow).where(
        col(ApiKeyRow.organisation_id) == organisation_id,
        col(ApiKeyRow.site_id) == site_id,
        col(ApiKeyRow.prefix).startswith(LINK_PREFIX, autoescape=True),
        col(ApiKeyRow.revoked_at).is_(None),
        col(ApiKeyRow.expires_at) > now,
    )
    return session.exec(statement.order_by(col(ApiKeyRow.id)).with_for_update()).all()
