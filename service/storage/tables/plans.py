"""Work calendars, turning patterns of one's own, plans of a line, their tasks, and calendar feeds."""

from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKeyConstraint, Index, LargeBinary, UniqueConstraint, text
from sqlmodel import Field

from service.storage.tables.columns import (
    TenantRow,
    VersionedRow,
    belongs_to,
    document,
    instant,
    recorded_now,
    words,
)


class SiteCalendarRow(VersionedRow, table=True):
    """When a crew is at a site: hours and people by weekday, seasons, extra days, the holidays it chose to keep."""

    __tablename__ = "site_calendar"
    __table_args__ = (UniqueConstraint("organisation_id", "site_id"), belongs_to("site"))

    site_id: UUID
    calendar: dict[str, Any] = document()


class OwnPatternRow(VersionedRow, table=True):
    """A turning pattern an organisation or one of its sites wrote itself."""

    __tablename__ = "own_pattern"
    __table_args__ = (
        UniqueConstraint("organisation_id", "code"),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
        belongs_to("site"),
    )

    code: str = words()
    title: str = words()
    note: str | None = words(default=None)
    source: str | None = words(default=None)
    site_id: UUID | None = None
    pattern: dict[str, Any] = document()


class LinePlanRow(TenantRow, table=True):
    """A plan of a site's line as it was asked for and answered; a mended plan stands beside the one before."""

    __tablename__ = "line_plan"
    __table_args__ = (
        belongs_to("site"),
        CheckConstraint("state in ('waiting', 'running', 'done', 'cancelled', 'failed')", name="state_known"),
        Index(None, "organisation_id", "site_id", "created_at"),
    )

    site_id: UUID
    state: str = words(default="waiting")
    asked: dict[str, Any] = document()
    """What was asked for and, once it runs, every fact it was planned from."""
    answer: dict[str, Any] | None = document(default=None)
    follows_id: UUID | None = None
    """The plan this one mends."""
    because: str | None = words(default=None)
    """What made a plan before be mended."""
    network_id: UUID | None = None
    """Plans of several sites made together share it."""
    progress_pct: float = Field(default=0, sa_column_kwargs={"server_default": text("0")})
    gap_pct: float | None = None
    is_cancel_asked: bool = Field(default=False, sa_column_kwargs={"server_default": text("false")})
    problem: str | None = words(default=None)
    created_at: datetime = recorded_now()
    ended_at: datetime | None = instant(default=None)


class PlanTaskRow(TenantRow, table=True):
    """One planned task for life: a replan moves or cancels it, a completion names the event it became."""

    __tablename__ = "plan_task"
    __table_args__ = (
        belongs_to("site"),
        belongs_to("pile"),
        UniqueConstraint("organisation_id", "site_id", "pile", "task", "number"),
        CheckConstraint("task in ('build', 'turn', 'move', 'check', 'screen')", name="task_known"),
        CheckConstraint("state in ('planned', 'done', 'missed', 'cancelled')", name="state_known"),
        Index(None, "organisation_id", "site_id", "on_date"),
    )

    site_id: UUID
    plan_id: UUID
    """The plan that moved it last."""
    pile: str = words()
    """The pile's label; it may not be on record yet."""
    pile_id: UUID | None = None
    task: str = words()
    number: int
    """Which of its kind in the pile's life, from 1."""
    on_date: date
    bay: str = words()
    to_bay: str | None = words(default=None)
    minutes: int
    day_of_pile: int
    crew: str | None = words(default=None)
    reason: str = words()
    state: str = words(default="planned")
    sequence: int = Field(default=0, sa_column_kwargs={"server_default": text("0")})
    """Raised whenever a calendar that shows it has to change it."""
    changed_at: datetime = recorded_now()
    done_at: datetime | None = instant(default=None)
    event_id: UUID | None = None


class CalendarFeedRow(TenantRow, table=True):
    """A secret address at which a calendar program reads planned tasks; only its hash is kept."""

    __tablename__ = "calendar_feed"
    __table_args__ = (belongs_to("site"), UniqueConstraint("organisation_id", "digest"))

    site_id: UUID
    crew: str | None = words(default=None)
    label: str = words()
    digest: bytes = Field(sa_type=LargeBinary)
    created_at: datetime = recorded_now()
    expires_at: datetime | None = instant(default=None)
    revoked_at: datetime | None = instant(default=None)
    read_at: datetime | None = instant(default=None)
