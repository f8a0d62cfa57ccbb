"""Rules an organisation writes itself: a permit's critical limits, a validated site plan.

Why: not every pile is under a published rule, and a text once used by a verdict must not change under it.
Locks: nothing; a new table.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

TENANT = "organisation_id = nullif(current_setting('heapledger.organisation', true), '')::integer"


def upgrade() -> None:
    op.create_table(
        "own_rule",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("version", sa.Text(), nullable=False),
        sa.Column("document", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("recorded_by", sa.Uuid(), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id"], ["organisation.organisation_id"], name=op.f("fk_own_rule_organisation")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_own_rule")),
        sa.UniqueConstraint(
            "organisation_id", "rule", "number", name=op.f("uq_own_rule_organisation_id_rule_number")
        ),
    )
    op.execute("alter table own_rule enable row level security")
    op.execute("alter table own_rule force row level security")
    op.execute(f"create policy tenant on own_rule using ({TENANT}) with check ({TENANT})")
    op.execute("grant select, insert on own_rule to heapledger_service")


def downgrade() -> None:
    op.drop_table("own_rule")
