"""What feedstock comes in, is used, is lost.

Why: a mix is only worth solving for what is in the yard. Movements are appended; the balance beside them is what they
add up to, kept under its row's lock and a constraint, so that no two writers take the same barrow.
Locks: nothing but, for a moment, ``site`` and ``pile_event`` against changes of their schema; new tables.
"""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

TENANT = "organisation_id = nullif(current_setting('heapledger.organisation', true), '')::integer"
GRANTS = {"stock_balance": "select, insert, update", "stock_movement": "select, insert"}


def upgrade() -> None:
    op.create_table(
        "stock_balance",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("feedstock", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("balance", sa.Numeric(15, 3), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.CheckConstraint("unit in ('kg', 'm3')", name=op.f("ck_stock_balance_unit_known")),
        sa.CheckConstraint("balance >= 0", name=op.f("ck_stock_balance_never_negative")),
        sa.ForeignKeyConstraint(
            ["organisation_id", "site_id"],
            ["site.organisation_id", "site.id"],
            name=op.f("fk_stock_balance_site"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "site_id", "feedstock", name=op.f("pk_stock_balance")),
    )
    create_movements()
    for table, privileges in GRANTS.items():
        op.execute(f"alter table {table} enable row level security")
        op.execute(f"alter table {table} force row level security")
        op.execute(f"create policy tenant on {table} using ({TENANT}) with check ({TENANT})")
        op.execute(f"grant {privileges} on {table} to heapledger_service")


def create_movements() -> None:
    """Create the table of movements and its two ways in: by book, and by the load that took it."""
    op.create_table(
        "stock_movement",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("feedstock", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("amount", sa.Numeric(15, 3), nullable=False),
        sa.Column("mass_kg", sa.Float(), nullable=True),
        sa.Column("volume_m3", sa.Float(), nullable=True),
        sa.Column("density_kg_m3", sa.Float(), nullable=True),
        sa.Column("density_source", sa.Text(), nullable=True),
        sa.Column("spoils_on", sa.Date(), nullable=True),
        sa.Column("cost", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("pile_event_id", sa.Uuid(), nullable=True),
        sa.Column("withdraws", sa.Uuid(), nullable=True),
        sa.Column("short", sa.Numeric(15, 3), nullable=False),
        sa.Column("balance_after", sa.Numeric(15, 3), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("recorded_by", sa.Uuid(), nullable=True),
        sa.CheckConstraint(
            "kind in ('delivery', 'return', 'use', 'loss', 'spoilage', 'count', 'withdraw')",
            name=op.f("ck_stock_movement_kind_known"),
        ),
        sa.CheckConstraint(
            "(kind = 'withdraw') = (withdraws is not null)",
            name=op.f("ck_stock_movement_withdrawal_names_one"),
        ),
        sa.CheckConstraint(
            "amount >= 0 and balance_after >= 0", name=op.f("ck_stock_movement_never_negative")
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "site_id", "feedstock"],
            ["stock_balance.organisation_id", "stock_balance.site_id", "stock_balance.feedstock"],
            name=op.f("fk_stock_movement_stock_balance"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "pile_event_id"],
            ["pile_event.organisation_id", "pile_event.id"],
            name=op.f("fk_stock_movement_pile_event"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "withdraws"],
            ["stock_movement.organisation_id", "stock_movement.id"],
            name=op.f("fk_stock_movement_stock_movement"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_stock_movement")),
        sa.UniqueConstraint(
            "organisation_id", "withdraws", name=op.f("uq_stock_movement_organisation_id_withdraws")
        ),
    )
    op.create_index(
        op.f("ix_stock_movement_organisation_id_site_id_feedstock_at"),
        "stock_movement",
        ["organisation_id", "site_id", "feedstock", "at"],
        unique=False,
    )
    op.create_index(
        op.f("ix_stock_movement_organisation_id_pile_event_id"),
        "stock_movement",
        ["organisation_id", "pile_event_id"],
        unique=False,
    )


def downgrade() -> None:
    op.drop_table("stock_movement")
    op.drop_table("stock_balance")
