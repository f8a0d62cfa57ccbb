"""A log of what was taken in, that shows whether anything was changed by hand; and the seals it rests on.

Why: evidence is worth as much as the proof that nobody touched it since.
Locks: ``batch`` exclusively for the moment its column is added (null, so no row is written), and against writers while
the index on ``received_at`` is built, seconds at ten million rows. Batches kept before have no seal and no leaf.
"""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None

APPENDED = ("log_leaf", "log_node", "adopted_batch")
PASSING = ("log_word_key",)
TENANT = "organisation_id = nullif(current_setting('heapledger.organisation', true), '')::integer"


def raise_walls() -> None:
    """Row-level security on every new table, forced, and just the privileges the service needs."""
    for table in (*APPENDED, *PASSING):
        op.execute(f"alter table {table} enable row level security")
        op.execute(f"alter table {table} force row level security")
        op.execute(f"create policy tenant on {table} using ({TENANT}) with check ({TENANT})")
    for table in APPENDED:
        op.execute(f"grant select, insert on {table} to heapledger_service")
    for table in PASSING:
        op.execute(f"grant select, insert, delete on {table} to heapledger_service")


def upgrade() -> None:
    op.add_column("batch", sa.Column("seal", sa.LargeBinary(), nullable=True))
    op.create_index(
        op.f("ix_batch_organisation_id_received_at"),
        "batch",
        ["organisation_id", "received_at"],
        unique=False,
    )
    op.create_table(
        "log_leaf",
        sa.Column("organisation_id", sa.Integer(), nullable=False),
        sa.Column("leaf", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("ref", sa.Text(), nullable=False),
        sa.Column("about", sa.UUID(), nullable=True),
        sa.Column("entry", sa.Text(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("appended_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.CheckConstraint(
            "kind in ('batch', 'adoption', 'event', 'correction', 'placement', 'verdict')",
            name=op.f("ck_log_leaf_kind_known"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "leaf", name=op.f("pk_log_leaf")),
        sa.UniqueConstraint(
            "organisation_id", "kind", "ref", name=op.f("uq_log_leaf_organisation_id_kind_ref")
        ),
    )
    op.create_index(
        op.f("ix_log_leaf_organisation_id_about"), "log_leaf", ["organisation_id", "about"], unique=False
    )
    op.create_table(
        "log_node",
        sa.Column("organisation_id", sa.Integer(), nullable=False),
        sa.Column("level", sa.SmallInteger(), nullable=False),
        sa.Column("place", sa.BigInteger(), nullable=False),
        sa.Column("hash", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("organisation_id", "level", "place", name=op.f("pk_log_node")),
    )
    op.create_table(
        "log_word_key",
        sa.Column("organisation_id", sa.Integer(), nullable=False),
        sa.Column("leaf", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("key", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "leaf"],
            ["log_leaf.organisation_id", "log_leaf.leaf"],
            name=op.f("fk_log_word_key_log_leaf"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "leaf", name=op.f("pk_log_word_key")),
    )
    op.create_table(
        "adopted_batch",
        sa.Column("organisation_id", sa.Integer(), nullable=False),
        sa.Column("batch_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("probe_id", sa.UUID(), nullable=False),
        sa.Column("adopted_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("seal", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "batch_id"],
            ["batch.organisation_id", "batch.batch_id"],
            name=op.f("fk_adopted_batch_batch"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "probe_id"],
            ["probe.organisation_id", "probe.id"],
            name=op.f("fk_adopted_batch_probe"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "batch_id", "probe_id", name=op.f("pk_adopted_batch")),
    )
    raise_walls()


def downgrade() -> None:
    op.drop_table("adopted_batch")
    op.drop_table("log_word_key")
    op.drop_table("log_node")
    op.drop_index(op.f("ix_log_leaf_organisation_id_about"), table_name="log_leaf")
    op.drop_table("log_leaf")
    op.drop_index(op.f("ix_batch_organisation_id_received_at"), table_name="batch")
    op.drop_column("batch", "seal")
