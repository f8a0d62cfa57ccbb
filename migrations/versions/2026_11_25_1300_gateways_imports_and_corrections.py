"""Gateways of their own keys, calibrations, corrections, profiles, imports, quarantine; no default month.

Why: readings come in many forms and by many ways, a person may correct what a clock or a cable got wrong, and months
must be detachable without stopping writers, which a default partition forbids.
Locks: ``reading`` exclusively while the default partition is exchanged, for as long as moving its rows takes (as a rule
it is empty); ``batch`` and ``verdict`` while an index is built on each, seconds at ten million rows.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

APPENDED = ("calibration", "reading_correction", "quarantined_message", "import_refusal")
CHANGED = ("gateway_state", "reading_profile", "reading_import", "reading_stream")
PASSING = ("import_chunk",)
TENANT = "organisation_id = nullif(current_setting('heapledger.organisation', true), '')::integer"


def raise_walls() -> None:
    """Row-level security on every new table, forced, and just the privileges the service needs."""
    for table in (*APPENDED, *CHANGED, *PASSING):
        op.execute(f"alter table {table} enable row level security")
        op.execute(f"alter table {table} force row level security")
        op.execute(f"create policy tenant on {table} using ({TENANT}) with check ({TENANT})")
    for table in APPENDED:
        op.execute(f"grant select, insert on {table} to heapledger_service")
    for table in CHANGED:
        op.execute(f"grant select, insert, update on {table} to heapledger_service")
    for table in PASSING:
        op.execute(f"grant select, insert, delete on {table} to heapledger_service")
    op.execute("grant update (keep_readings_months) on organisation to heapledger_service")


def early_instead_of_default() -> None:
    """Exchange the default partition for one of everything before the first month."""
    op.execute(
        """
        do $$
        declare first timestamptz;
        begin
          select min((regexp_match(pg_get_expr(c.relpartbound, c.oid), 'FROM \\(''([^'']+)''\\)'))[1]::timestamptz)
          into first
          from pg_inherits i join pg_class c on c.oid = i.inhrelid
          where i.inhparent = 'reading'::regclass and c.relname ~ '^reading_[0-9]{4}_[0-9]{2}$';
          if first is null then
            first := date_trunc('month', now() at time zone 'UTC') at time zone 'UTC' - interval '36 months';
          end if;
          alter table reading detach partition reading_elsewhere;
          execute format(
            'create table reading_early partition of reading for values from (minvalue) to (%L)', first);
          alter table reading_early enable row level security;
          alter table reading_early force row level security;
          alter table reading_elsewhere disable row level security;
          insert into reading_early select * from reading_elsewhere where observed_at < first;
          if exists (select from reading_elsewhere where observed_at >= first) then
            raise exception 'readings of % lie beyond the months made', (select max(observed_at) from reading_elsewhere)
              using hint = 'a clock was years ahead; move these rows to reading_early''s dates or delete them';
          end if;
          drop table reading_elsewhere;
        end $$
        """
    )


def default_instead_of_early() -> None:
    """Undo :func:`early_instead_of_default`."""
    op.execute("alter table reading detach partition reading_early")
    op.execute("alter table reading_early rename to reading_elsewhere")
    op.execute("alter index reading_early_pkey rename to reading_elsewhere_pkey")
    op.execute("alter table reading attach partition reading_elsewhere default")


def upgrade() -> None:
    op.create_table(
        "quarantined_message",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("gateway", sa.Text(), nullable=False),
        sa.Column("topic", sa.Text(), nullable=False),
        sa.Column("media_type", sa.Text(), nullable=True),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_quarantined_message")),
    )
    op.create_index(
        op.f("ix_quarantined_message_organisation_id_received_at"),
        "quarantined_message",
        ["organisation_id", "received_at"],
        unique=False,
    )
    op.create_table(
        "reading_stream",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("credential_id", sa.Uuid(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("committed_bytes", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("lines", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("received", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("stored", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("duplicate", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("disputed", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("held", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("refused", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("is_complete", sa.Boolean(), nullable=False),
        sa.Column("updated_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.PrimaryKeyConstraint("organisation_id", "credential_id", "key", name=op.f("pk_reading_stream")),
    )
    op.create_table(
        "reading_import",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("credential_id", sa.Uuid(), nullable=True),
        sa.Column("site_id", sa.Uuid(), nullable=True),
        sa.Column("gateway_id", sa.Uuid(), nullable=True),
        sa.Column("media_type", sa.Text(), nullable=False),
        sa.Column("content_coding", sa.Text(), nullable=True),
        sa.Column("profile", sa.Text(), nullable=True),
        sa.Column("time_zone", sa.Text(), nullable=True),
        sa.Column("is_dry_run", sa.Boolean(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("bytes_total", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("bytes_done", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("received", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("stored", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("duplicate", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("disputed", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("held", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("refused", sa.BigInteger(), server_default="0", nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("finished_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "state in ('receiving', 'waiting', 'running', 'done', 'cancelled', 'failed')",
            name=op.f("ck_reading_import_state_known"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id"], ["organisation.organisation_id"], name=op.f("fk_reading_import_organisation")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_reading_import")),
    )
    op.create_index(
        op.f("ix_reading_import_organisation_id_created_at"),
        "reading_import",
        ["organisation_id", "created_at"],
        unique=False,
    )
    op.create_table(
        "reading_profile",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("definition", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=False),
        sa.Column("sample", sa.Text(), nullable=False),
        sa.CheckConstraint("kind in ('table', 'uplink')", name=op.f("ck_reading_profile_kind_known")),
        sa.ForeignKeyConstraint(
            ["organisation_id"],
            ["organisation.organisation_id"],
            name=op.f("fk_reading_profile_organisation"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_reading_profile")),
        sa.UniqueConstraint("organisation_id", "name", name=op.f("uq_reading_profile_organisation_id_name")),
    )
    op.create_table(
        "import_chunk",
        sa.Column("organisation_id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.UUID(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "import_id"],
            ["reading_import.organisation_id", "reading_import.id"],
            name=op.f("fk_import_chunk_reading_import"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "import_id", "number", name=op.f("pk_import_chunk")),
    )
    op.create_table(
        "import_refusal",
        sa.Column("organisation_id", sa.Integer(), nullable=False),
        sa.Column("import_id", sa.UUID(), nullable=False),
        sa.Column("place", sa.BigInteger(), nullable=False),
        sa.Column("line", sa.BigInteger(), nullable=True),
        sa.Column("member", sa.Text(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "import_id"],
            ["reading_import.organisation_id", "reading_import.id"],
            name=op.f("fk_import_refusal_reading_import"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "import_id", "place", name=op.f("pk_import_refusal")),
    )
    op.create_table(
        "calibration",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("probe_id", sa.Uuid(), nullable=False),
        sa.Column("calibrated_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("reference_c", sa.Float(), nullable=False),
        sa.Column("shown_c", sa.Float(), nullable=False),
        sa.Column("accuracy_c", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("recorded_by", sa.Uuid(), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id", "probe_id"],
            ["probe.organisation_id", "probe.id"],
            name=op.f("fk_calibration_probe"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_calibration")),
    )
    op.create_index(
        op.f("ix_calibration_organisation_id_probe_id_calibrated_at"),
        "calibration",
        ["organisation_id", "probe_id", "calibrated_at"],
        unique=False,
    )
    op.create_table(
        "gateway_state",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("gateway_id", sa.Uuid(), nullable=False),
        sa.Column("is_online", sa.Boolean(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=True),
        sa.Column("buffered", sa.Integer(), nullable=True),
        sa.Column("told_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "gateway_id"],
            ["gateway.organisation_id", "gateway.id"],
            name=op.f("fk_gateway_state_gateway"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "gateway_id", name=op.f("pk_gateway_state")),
    )
    op.create_table(
        "reading_correction",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("probe_id", sa.Uuid(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("quantity", sa.SmallInteger(), nullable=True),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by_s", sa.Float(), nullable=True),
        sa.Column("unit", sa.SmallInteger(), nullable=True),
        sa.Column("withdraws", sa.Uuid(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("recorded_by", sa.Uuid(), nullable=True),
        sa.CheckConstraint(
            "(kind = 'withdraw') = (withdraws is not null)",
            name=op.f("ck_reading_correction_withdrawal_names_one"),
        ),
        sa.CheckConstraint(
            "kind in ('accept', 'exclude', 'shift', 'unit', 'withdraw')",
            name=op.f("ck_reading_correction_kind_known"),
        ),
        sa.CheckConstraint("until > since", name=op.f("ck_reading_correction_until_after_since")),
        sa.ForeignKeyConstraint(
            ["organisation_id", "probe_id"],
            ["probe.organisation_id", "probe.id"],
            name=op.f("fk_reading_correction_probe"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "withdraws"],
            ["reading_correction.organisation_id", "reading_correction.id"],
            name=op.f("fk_reading_correction_reading_correction"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_reading_correction")),
    )
    op.create_index(
        op.f("ix_reading_correction_organisation_id_probe_id_since"),
        "reading_correction",
        ["organisation_id", "probe_id", "since"],
        unique=False,
    )
    op.add_column("api_key", sa.Column("gateway_id", sa.Uuid(), nullable=True))
    op.create_foreign_key(
        op.f("fk_api_key_gateway"),
        "api_key",
        "gateway",
        ["organisation_id", "gateway_id"],
        ["organisation_id", "id"],
    )
    op.add_column("batch", sa.Column("earliest_at", sa.DateTime(timezone=True), nullable=True))
    op.add_column("batch", sa.Column("latest_at", sa.DateTime(timezone=True), nullable=True))
    op.add_column("batch", sa.Column("promised_silence_s", sa.Double(), nullable=True))
    op.create_index(
        op.f("ix_batch_organisation_id_gateway_received_at"),
        "batch",
        ["organisation_id", "gateway", "received_at"],
        unique=False,
    )
    op.add_column(
        "gateway",
        sa.Column("serials", postgresql.ARRAY(sa.Text()), server_default=sa.text("'{}'"), nullable=False),
    )
    op.add_column(
        "gateway",
        sa.Column(
            "aliases",
            postgresql.JSONB(none_as_null=True, astext_type=sa.Text()),
            server_default=sa.text("'{}'"),
            nullable=False,
        ),
    )
    op.add_column("organisation", sa.Column("keep_readings_months", sa.Integer(), nullable=True))
    op.add_column("verdict", sa.Column("supersedes", sa.Uuid(), nullable=True))
    op.add_column("verdict", sa.Column("because", sa.Text(), nullable=True))
    op.create_index(
        op.f("ix_verdict_organisation_id_judged_at"),
        "verdict",
        ["organisation_id", "judged_at"],
        unique=False,
    )
    op.create_foreign_key(
        op.f("fk_verdict_verdict"),
        "verdict",
        "verdict",
        ["organisation_id", "supersedes"],
        ["organisation_id", "id"],
    )
    raise_walls()
    early_instead_of_default()


def downgrade() -> None:
    default_instead_of_early()
    op.execute("revoke update (keep_readings_months) on organisation from heapledger_service")
    op.drop_constraint(op.f("fk_verdict_verdict"), "verdict", type_="foreignkey")
    op.drop_index(op.f("ix_verdict_organisation_id_judged_at"), table_name="verdict")
    op.drop_column("verdict", "because")
    op.drop_column("verdict", "supersedes")
    op.drop_column("organisation", "keep_readings_months")
    op.drop_column("gateway", "aliases")
    op.drop_column("gateway", "serials")
    op.drop_index(op.f("ix_batch_organisation_id_gateway_received_at"), table_name="batch")
    op.drop_column("batch", "promised_silence_s")
    op.drop_column("batch", "latest_at")
    op.drop_column("batch", "earliest_at")
    op.drop_constraint(op.f("fk_api_key_gateway"), "api_key", type_="foreignkey")
    op.drop_column("api_key", "gateway_id")
    op.drop_index(
        op.f("ix_reading_correction_organisation_id_probe_id_since"), table_name="reading_correction"
    )
    op.drop_table("reading_correction")
    op.drop_table("gateway_state")
    op.drop_index(op.f("ix_calibration_organisation_id_probe_id_calibrated_at"), table_name="calibration")
    op.drop_table("calibration")
    op.drop_table("import_refusal")
    op.drop_table("import_chunk")
    op.drop_table("reading_profile")
    op.drop_index(op.f("ix_reading_import_organisation_id_created_at"), table_name="reading_import")
    op.drop_table("reading_import")
    op.drop_table("reading_stream")
    op.drop_index(
        op.f("ix_quarantined_message_organisation_id_received_at"), table_name="quarantined_message"
    )
    op.drop_table("quarantined_message")
