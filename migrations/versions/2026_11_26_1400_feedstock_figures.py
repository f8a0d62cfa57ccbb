"""Analyses by hand with their raw weights, and figures with their accuracy.

Why: a bucket, an oven or a squeeze tells a figure too, each as well as it can; a site may have material of its own; and
a measurement that turns out wrong is withdrawn by an entry, for analyses are only ever added to.
Locks: ``feedstock`` and ``analysis`` exclusively, ``site`` against writers, for as long as the new constraints look
over their rows: under a second at a hundred thousand analyses.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

KINDS = "kind in ('laboratory', 'oven_drying', 'bucket', 'squeeze', 'withdraw')"


def document() -> postgresql.JSONB:
    return postgresql.JSONB(none_as_null=True, astext_type=sa.Text())


def upgrade() -> None:
    for table in ("feedstock", "analysis"):
        op.add_column(table, sa.Column("lignin_pct", sa.Float(), nullable=True))
        op.add_column(table, sa.Column("lignin_method", sa.Text(), nullable=True))
        op.add_column(table, sa.Column("phosphorus_pct", sa.Float(), nullable=True))
        op.add_column(table, sa.Column("potassium_pct", sa.Float(), nullable=True))
        op.add_column(table, sa.Column("site_id", sa.Uuid(), nullable=True))
        op.create_foreign_key(
            op.f(f"fk_{table}_site"), table, "site", ["organisation_id", "site_id"], ["organisation_id", "id"]
        )
    op.add_column(
        "analysis", sa.Column("kind", sa.Text(), server_default=sa.text("'laboratory'"), nullable=False)
    )
    op.add_column("analysis", sa.Column("valid_until", sa.Date(), nullable=True))
    op.add_column("analysis", sa.Column("plus_minus", document(), nullable=True))
    op.add_column("analysis", sa.Column("raw", document(), nullable=True))
    op.add_column("analysis", sa.Column("withdraws", sa.Uuid(), nullable=True))
    op.create_foreign_key(
        op.f("fk_analysis_analysis"),
        "analysis",
        "analysis",
        ["organisation_id", "withdraws"],
        ["organisation_id", "id"],
    )
    op.create_check_constraint(op.f("ck_analysis_kind_known"), "analysis", KINDS)
    op.create_check_constraint(
        op.f("ck_analysis_withdrawal_names_one"), "analysis", "(kind = 'withdraw') = (withdraws is not null)"
    )


def downgrade() -> None:
    # without the entries that withdraw them, the withdrawn would count again
    op.execute(
        "delete from analysis where kind = 'withdraw' or (organisation_id, id) in"
        " (select organisation_id, withdraws from analysis where withdraws is not null)"
    )
    for column in ("withdraws", "raw", "plus_minus", "valid_until", "kind"):
        op.drop_column("analysis", column)
    for table in ("feedstock", "analysis"):
        for column in ("site_id", "potassium_pct", "phosphorus_pct", "lignin_method", "lignin_pct"):
            op.drop_column(table, column)
