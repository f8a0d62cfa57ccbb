"""The record: organisations, sites, piles, probes, readings, verdicts, and the wall between organisations.

Why: the first schema.
Locks: nothing exists yet.
"""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

APPENDED = ("analysis", "pile_event", "verdict", "batch", "reading", "disputed_reading")
"""What happened is never overwritten: the service may read and add, no more."""
CHANGED = ("site", "bay", "feedstock", "recipe", "pile", "gateway", "probe", "placement", "api_key")
PASSING = ("held_reading", "idempotent_answer")
TENANT = "organisation_id = nullif(current_setting('heapledger.organisation', true), '')::integer"


def make_roles() -> None:
    """Two roles that log in to nothing and own nothing; roles outlive a database, so they may be there."""
    for role in ("heapledger_service", "heapledger_steward"):
        op.execute(
            f"""
            do $$ begin
              if not exists (select from pg_roles where rolname = '{role}') then
                begin
                  create role {role} nologin nobypassrls;
                exception when duplicate_object or unique_violation then
                  null;  -- another database of this server was migrated at the same instant
                end;
              end if;
              if not pg_has_role(current_user, '{role}', 'set') then
                execute format('grant {role} to %I', current_user);
              end if;
            end $$
            """
        )
        op.execute(f"grant usage on schema public to {role}")


def raise_walls() -> None:
    """Row-level security on every table, forced, and just the privileges the service needs."""
    for table in (*APPENDED, *CHANGED, *PASSING, "organisation", "reading_elsewhere"):
        op.execute(f"alter table {table} enable row level security")
        op.execute(f"alter table {table} force row level security")
    for table in (*APPENDED, *CHANGED, *PASSING, "organisation"):
        op.execute(f"create policy tenant on {table} using ({TENANT}) with check ({TENANT})")
    for table in APPENDED:
        op.execute(f"grant select, insert on {table} to heapledger_service")
    for table in CHANGED:
        op.execute(f"grant select, insert, update on {table} to heapledger_service")
    for table in PASSING:
        op.execute(f"grant select, insert, update, delete on {table} to heapledger_service")
    op.execute("grant select on organisation to heapledger_service")
    op.execute("grant usage on sequence reading_batch to heapledger_service")
    op.execute("create policy steward on organisation to heapledger_steward using (true) with check (true)")
    op.execute("grant select, insert on organisation to heapledger_steward")
    op.execute("grant select, insert, update on api_key to heapledger_steward")


def upgrade() -> None:
    op.execute("create extension if not exists btree_gist")
    make_roles()
    op.create_table(
        "batch",
        sa.Column("organisation_id", sa.Integer(), nullable=False),
        sa.Column("batch_id", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("received_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("sent_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("credential_id", sa.UUID(), nullable=True),
        sa.Column("gateway", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("organisation_id", "batch_id", name=op.f("pk_batch")),
    )
    op.create_table(
        "disputed_reading",
        sa.Column("organisation_id", sa.Integer(), nullable=False),
        sa.Column("probe", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.SmallInteger(), nullable=False),
        sa.Column("observed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("unit", sa.SmallInteger(), nullable=False),
        sa.Column("batch_id", sa.BigInteger(), nullable=False),
        sa.Column("recorded_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.PrimaryKeyConstraint(
            "organisation_id",
            "probe",
            "quantity",
            "observed_at",
            "value",
            "unit",
            name=op.f("pk_disputed_reading"),
        ),
    )
    op.create_index(
        op.f("ix_disputed_reading_organisation_id_recorded_at"),
        "disputed_reading",
        ["organisation_id", "recorded_at"],
        unique=False,
    )
    op.create_table(
        "held_reading",
        sa.Column("organisation_id", sa.Integer(), nullable=False),
        sa.Column("serial", sa.Text(), nullable=False),
        sa.Column("quantity", sa.SmallInteger(), nullable=False),
        sa.Column("observed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("unit", sa.SmallInteger(), nullable=False),
        sa.Column("flag", sa.SmallInteger(), nullable=False),
        sa.Column("batch_id", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint(
            "organisation_id",
            "serial",
            "quantity",
            "observed_at",
            "value",
            "unit",
            name=op.f("pk_held_reading"),
        ),
    )
    op.create_table(
        "idempotent_answer",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("credential_id", sa.Uuid(), nullable=False),
        sa.Column("operation", sa.Text(), nullable=False),
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("request_digest", sa.LargeBinary(), nullable=False),
        sa.Column("status", sa.Integer(), nullable=True),
        sa.Column("headers", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=True),
        sa.Column("body", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.PrimaryKeyConstraint(
            "organisation_id", "credential_id", "operation", "key", name=op.f("pk_idempotent_answer")
        ),
    )
    op.create_table(
        "organisation",
        sa.Column("organisation_id", sa.Integer(), sa.Identity(always=False), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.PrimaryKeyConstraint("organisation_id", name=op.f("pk_organisation")),
        sa.UniqueConstraint("name", name=op.f("uq_organisation_name")),
    )
    op.create_table(
        "reading",
        sa.Column("observed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("batch_id", sa.BigInteger(), nullable=False),
        sa.Column("organisation_id", sa.Integer(), nullable=False),
        sa.Column("probe", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.SmallInteger(), nullable=False),
        sa.Column("unit", sa.SmallInteger(), nullable=False),
        sa.Column("flag", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint(
            "organisation_id", "probe", "quantity", "observed_at", name=op.f("pk_reading")
        ),
        postgresql_partition_by="RANGE (observed_at)",
    )
    op.create_table(
        "feedstock",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("category", sa.Text(), nullable=True),
        sa.Column("moisture_pct", sa.Float(), nullable=True),
        sa.Column("nitrogen_pct", sa.Float(), nullable=True),
        sa.Column("carbon_pct", sa.Float(), nullable=True),
        sa.Column("carbon_nitrogen_ratio", sa.Float(), nullable=True),
        sa.Column("volatile_solids_pct", sa.Float(), nullable=True),
        sa.Column("bulk_density_kg_m3", sa.Float(), nullable=True),
        sa.Column("source", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id"], ["organisation.organisation_id"], name=op.f("fk_feedstock_organisation")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_feedstock")),
        sa.UniqueConstraint("organisation_id", "code", name=op.f("uq_feedstock_organisation_id_code")),
    )
    op.create_table(
        "recipe",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("ingredients", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id"], ["organisation.organisation_id"], name=op.f("fk_recipe_organisation")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_recipe")),
        sa.UniqueConstraint("organisation_id", "name", name=op.f("uq_recipe_organisation_id_name")),
    )
    op.create_table(
        "site",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("time_zone", sa.Text(), nullable=False),
        sa.Column("latitude_deg", sa.Float(), nullable=True),
        sa.Column("longitude_deg", sa.Float(), nullable=True),
        sa.Column("climate", sa.Text(), nullable=True),
        sa.Column("work_days", postgresql.ARRAY(sa.Text()), server_default=sa.text("'{}'"), nullable=False),
        sa.Column("closures", postgresql.ARRAY(sa.Date()), server_default=sa.text("'{}'"), nullable=False),
        sa.Column("crews", postgresql.ARRAY(sa.Text()), server_default=sa.text("'{}'"), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id"], ["organisation.organisation_id"], name=op.f("fk_site_organisation")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_site")),
        sa.UniqueConstraint("organisation_id", "name", name=op.f("uq_site_organisation_id_name")),
    )
    op.create_table(
        "analysis",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("feedstock_id", sa.Uuid(), nullable=False),
        sa.Column("sampled_on", sa.Date(), nullable=False),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("moisture_pct", sa.Float(), nullable=True),
        sa.Column("nitrogen_pct", sa.Float(), nullable=True),
        sa.Column("carbon_pct", sa.Float(), nullable=True),
        sa.Column("carbon_nitrogen_ratio", sa.Float(), nullable=True),
        sa.Column("volatile_solids_pct", sa.Float(), nullable=True),
        sa.Column("bulk_density_kg_m3", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "feedstock_id"],
            ["feedstock.organisation_id", "feedstock.id"],
            name=op.f("fk_analysis_feedstock"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_analysis")),
    )
    op.create_index(
        op.f("ix_analysis_organisation_id_feedstock_id_sampled_on"),
        "analysis",
        ["organisation_id", "feedstock_id", "sampled_on"],
        unique=False,
    )
    op.create_table(
        "api_key",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("prefix", sa.Text(), nullable=False),
        sa.Column("digest", sa.LargeBinary(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("scopes", postgresql.ARRAY(sa.Text()), server_default=sa.text("'{}'"), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=True),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_used_at", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id", "site_id"], ["site.organisation_id", "site.id"], name=op.f("fk_api_key_site")
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id"], ["organisation.organisation_id"], name=op.f("fk_api_key_organisation")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_api_key")),
        sa.UniqueConstraint("organisation_id", "prefix", name=op.f("uq_api_key_organisation_id_prefix")),
    )
    op.create_table(
        "bay",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("volume_m3", sa.Float(), nullable=False),
        sa.CheckConstraint(
            "kind in ('cage', 'open_bay', 'windrow_strip', 'aerated_bay', 'vessel')",
            name=op.f("ck_bay_kind_known"),
        ),
        sa.CheckConstraint("volume_m3 > 0", name=op.f("ck_bay_volume_positive")),
        sa.ForeignKeyConstraint(
            ["organisation_id", "site_id"], ["site.organisation_id", "site.id"], name=op.f("fk_bay_site")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_bay")),
        sa.UniqueConstraint(
            "organisation_id", "site_id", "label", name=op.f("uq_bay_organisation_id_site_id_label")
        ),
    )
    op.create_table(
        "gateway",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id", "site_id"], ["site.organisation_id", "site.id"], name=op.f("fk_gateway_site")
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id"], ["organisation.organisation_id"], name=op.f("fk_gateway_organisation")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_gateway")),
        sa.UniqueConstraint("organisation_id", "name", name=op.f("uq_gateway_organisation_id_name")),
    )
    op.create_table(
        "probe",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("serial", sa.Text(), nullable=False),
        sa.Column("number", sa.Integer(), sa.Identity(always=False), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=True),
        sa.Column("accuracy_c", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id", "site_id"], ["site.organisation_id", "site.id"], name=op.f("fk_probe_site")
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id"], ["organisation.organisation_id"], name=op.f("fk_probe_organisation")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_probe")),
        sa.UniqueConstraint("organisation_id", "number", name=op.f("uq_probe_organisation_id_number")),
        sa.UniqueConstraint("organisation_id", "serial", name=op.f("uq_probe_organisation_id_serial")),
    )
    op.create_table(
        "pile",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("bay_id", sa.Uuid(), nullable=True),
        sa.Column("recipe_id", sa.Uuid(), nullable=True),
        sa.Column("built_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("rules", postgresql.ARRAY(sa.Text()), server_default=sa.text("'{}'"), nullable=False),
        sa.Column("pattern", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=True),
        sa.Column("design_volume_m3", sa.Float(), nullable=True),
        sa.ForeignKeyConstraint(
            ["organisation_id", "bay_id"], ["bay.organisation_id", "bay.id"], name=op.f("fk_pile_bay")
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "recipe_id"],
            ["recipe.organisation_id", "recipe.id"],
            name=op.f("fk_pile_recipe"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "site_id"], ["site.organisation_id", "site.id"], name=op.f("fk_pile_site")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_pile")),
        sa.UniqueConstraint(
            "organisation_id", "site_id", "label", name=op.f("uq_pile_organisation_id_site_id_label")
        ),
    )
    op.create_table(
        "pile_event",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("pile_id", sa.Uuid(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("crew", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("details", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=False),
        sa.Column("corrects", sa.Uuid(), nullable=True),
        sa.Column("recorded_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("recorded_by", sa.Uuid(), nullable=True),
        sa.CheckConstraint(
            "(kind = 'correct') = (corrects is not null)", name=op.f("ck_pile_event_correction_names_one")
        ),
        sa.CheckConstraint(
            "kind in ('load', 'water', 'cover', 'turn', 'move', 'merge', 'split', 'observe', 'sample', 'screen', 'release', 'close', 'correct')",
            name=op.f("ck_pile_event_kind_known"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "corrects"],
            ["pile_event.organisation_id", "pile_event.id"],
            name=op.f("fk_pile_event_pile_event"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "pile_id"],
            ["pile.organisation_id", "pile.id"],
            name=op.f("fk_pile_event_pile"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_pile_event")),
    )
    op.create_index(
        op.f("ix_pile_event_organisation_id_pile_id_at"),
        "pile_event",
        ["organisation_id", "pile_id", "at"],
        unique=False,
    )
    op.create_table(
        "placement",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), server_default=sa.text("1"), nullable=False),
        sa.Column("created_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("probe_id", sa.Uuid(), nullable=False),
        sa.Column("pile_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Text(), nullable=False),
        sa.Column("depth_cm", sa.Float(), nullable=True),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=True),
        postgresql.ExcludeConstraint(
            (sa.column("organisation_id"), "="),
            (sa.column("probe_id"), "="),
            (sa.text("tstzrange(since, until)"), "&&"),
            using="gist",
            name="ex_placement_one_place_at_a_time",
        ),
        sa.CheckConstraint("until is null or until > since", name=op.f("ck_placement_until_after_since")),
        sa.ForeignKeyConstraint(
            ["organisation_id", "pile_id"],
            ["pile.organisation_id", "pile.id"],
            name=op.f("fk_placement_pile"),
        ),
        sa.ForeignKeyConstraint(
            ["organisation_id", "probe_id"],
            ["probe.organisation_id", "probe.id"],
            name=op.f("fk_placement_probe"),
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_placement")),
    )
    op.create_index(
        op.f("ix_placement_organisation_id_pile_id_since"),
        "placement",
        ["organisation_id", "pile_id", "since"],
        unique=False,
    )
    op.create_table(
        "verdict",
        sa.Column("organisation_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("pile_id", sa.Uuid(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("rule_version", sa.Text(), nullable=False),
        sa.Column("interpretation", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("readings_digest", sa.Text(), nullable=False),
        sa.Column("engine_version", sa.Text(), nullable=False),
        sa.Column("judged_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), server_default=sa.text("now()"), nullable=False),
        sa.Column("body", postgresql.JSONB(none_as_null=True, astext_type=sa.Text()), nullable=False),
        sa.ForeignKeyConstraint(
            ["organisation_id", "pile_id"], ["pile.organisation_id", "pile.id"], name=op.f("fk_verdict_pile")
        ),
        sa.PrimaryKeyConstraint("organisation_id", "id", name=op.f("pk_verdict")),
    )
    op.create_index(
        op.f("ix_verdict_organisation_id_pile_id_rule_issued_at"),
        "verdict",
        ["organisation_id", "pile_id", "rule", "issued_at"],
        unique=False,
    )
    op.execute("create table reading_elsewhere partition of reading default")
    # Handed out in blocks, so that a batch knows its number without a round trip.
    op.execute("create sequence reading_batch increment by 1000")
    raise_walls()


def downgrade() -> None:
    op.drop_index(op.f("ix_verdict_organisation_id_pile_id_rule_issued_at"), table_name="verdict")
    op.drop_table("verdict")
    op.drop_index(op.f("ix_placement_organisation_id_pile_id_since"), table_name="placement")
    op.drop_table("placement")
    op.drop_index(op.f("ix_pile_event_organisation_id_pile_id_at"), table_name="pile_event")
    op.drop_table("pile_event")
    op.drop_table("pile")
    op.drop_table("probe")
    op.drop_table("gateway")
    op.drop_table("bay")
    op.drop_table("api_key")
    op.drop_index(op.f("ix_analysis_organisation_id_feedstock_id_sampled_on"), table_name="analysis")
    op.drop_table("analysis")
    op.drop_table("site")
    op.drop_table("recipe")
    op.drop_table("feedstock")
    op.drop_table("reading")
    op.drop_table("organisation")
    op.drop_table("idempotent_answer")
    op.drop_table("held_reading")
    op.drop_index(op.f("ix_disputed_reading_organisation_id_recorded_at"), table_name="disputed_reading")
    op.drop_table("disputed_reading")
    op.drop_table("batch")
    op.execute("drop sequence reading_batch")
    for role in ("heapledger_service", "heapledger_steward"):
        op.execute(f"revoke usage on schema public from {role}")
    op.execute("drop extension btree_gist")
