"""Work calendars, own turning patterns, plans of a line with their tasks, and calendar feeds.

Why: many piles, bays and crews are planned together, the plan is mended when life happens, and crews see it as today's
list and in their calendars. A task keeps its row for life, so that a calendar knows the turn that moved.
Locks: nothing; new tables.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

TENANT = "organisation_id = nullif(current_setting('heapledger.organisation', true), '')::integer"
CHANGED = ("site_calendar", "own_pattern", "line_plan", "plan_task", "calendar_feed")
JSON = postgresql.JSONB(none_as_null=True, astext_type=sa.Text())


def tenant_columns() -> list[sa.Column]:
    return [
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
    ]


def versioned_columns() -> list[sa.Column]:
    return [
        *tenant_columns(),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
    ]


def belongs_to(table: str, other: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(
        ["organisation_id", f"{other}_id"],
        [f"{other}.organisation_id", f"{other}.id"],
        name=op.f(f"fk_{table}_{other}"),
    )


def calendars_and_patterns() -> None:
    op.create_table(
        "site_calendar",
        *versioned_columns(),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("calendar", JSON, nullable=False),
        belongs_to("site_calendar", "site"),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_site_calendar")),
        sa.UniqueConstraint(
            "organisation_id", "site_id", name=op.f("uq_site_calendar_organisation_id_site_id")
        ),
    )
    op.create_table(
        "own_pattern",
        *versioned_columns(),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("source", sa.Text(), nullable=True),
        sa.Column("site_id", sa.Uuid(), nullable=True),
        sa.Column("pattern", JSON, nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id"], ["organisation.organisation_id"], name=op.f("fk_own_pattern_organisation")
        ),
        belongs_to("own_pattern", "site"),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_own_pattern")),
        sa.UniqueConstraint("organisation_id", "code", name=op.f("uq_own_pattern_organisation_id_code")),
    )


def plans() -> None:
    op.create_table(
        "line_plan",
        *tenant_columns(),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("asked", JSON, nullable=False),
        sa.Column("answer", JSON, nullable=True),
        sa.Column("follows_id", sa.Uuid(), nullable=True),
        sa.Column("because", sa.Text(), nullable=True),
        sa.Column("network_id", sa.Uuid(), nullable=True),
        sa.Column("progress_pct", sa.Float(), server_default=sa.text("0"), nullable=False),
        sa.Column("gap_pct", sa.Float(), nullable=True),
        sa.Column("is_cancel_asked", sa.Boolean(), server_default=sa.text("false"), nullable=False),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "state in ('waiting', 'running', 'done', 'cancelled', 'failed')",
            name=op.f("ck_line_plan_state_known"),
        ),
        belongs_to("line_plan", "site"),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_line_plan")),
    )
    op.create_index(
        op.f("ix_line_plan_organisation_id_site_id_created_at"),
        "line_plan",
        ["organisation_id", "site_id", "created_at"],
    )


def tasks() -> None:
    op.create_table(
        "plan_task",
        *tenant_columns(),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("plan_id", sa.Uuid(), nullable=False),
        sa.Column("pile", sa.Text(), nullable=False),
        sa.Column("pile_id", sa.Uuid(), nullable=True),
        sa.Column("task", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("on_date", sa.Date(), nullable=False),
        sa.Column("bay", sa.Text(), nullable=False),
        sa.Column("to_bay", sa.Text(), nullable=True),
        sa.Column("minutes", sa.Integer(), nullable=False),
        sa.Column("day_of_pile", sa.Integer(), nullable=False),
        sa.Column("crew", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("sequence", sa.Integer(), server_default=sa.text("0"), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("event_id", sa.Uuid(), nullable=True),
        sa.CheckConstraint(
            "task in ('build', 'turn', 'move', 'check', 'screen')", name=op.f("ck_plan_task_task_known")
        ),
        sa.CheckConstraint(
            "state in ('planned', 'done', 'missed', 'cancelled')", name=op.f("ck_plan_task_state_known")
        ),
        belongs_to("plan_task", "site"),
        belongs_to("plan_task", "pile"),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_plan_task")),
        sa.UniqueConstraint(
            "organisation_id",
            "site_id",
            "pile",
            "task",
            "number",
            name=op.f("uq_plan_task_organisation_id_site_id_pile_task_number"),
        ),
    )
    op.create_index(
        op.f("ix_plan_task_organisation_id_site_id_on_date"),
        "plan_task",
        ["organisation_id", "site_id", "on_date"],
    )


def feeds() -> None:
    op.create_table(
        "calendar_feed",
        *tenant_columns(),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("crew", sa.Text(), nullable=True),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("read_at", sa.DateTime(timezone=True), nullable=True),
        belongs_to("calendar_feed", "site"),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_calendar_feed")),
        sa.UniqueConstraint(
            "organisation_id", "digest", name=op.f("uq_calendar_feed_organisation_id_digest")
        ),
    )


def upgrade() -> None:
    calendars_and_patterns()
    plans()
    tasks()
    feeds()
    for table in CHANGED:
        op.execute(f"alter table {table} enable row level security")
        op.execute(f"alter table {table} force row level security")
        op.execute(f"create policy tenant on {table} using ({TENANT}) with check ({TENANT})")
        op.execute(f"grant select, insert, update on {table} to heapledger_service")


def downgrade() -> None:
    for table in reversed(CHANGED):
        op.drop_table(table)
