"""Readings and their batches: plain tables, because the write path never meets the ORM.

No foreign key and no trigger stands on ``reading`` (measured: a foreign key costs 37-54 % of the insert
rate); a probe number is only ever written after it was resolved in the same organisation.
"""

from sqlalchemy import (
    BigInteger,
    Column,
    DateTime,
    Double,
    Index,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    SmallInteger,
    Table,
    Text,
    func,
)
from sqlalchemy.dialects.postgresql import UUID
from sqlmodel import SQLModel

batch = Table(
    "batch",
    SQLModel.metadata,
    Column("organisation_id", Integer, nullable=False),
    Column("batch_id", BigInteger, nullable=False, autoincrement=False),
    Column("received_at", DateTime(timezone=True), nullable=False),
    Column("sent_at", DateTime(timezone=True)),
    Column("credential_id", UUID(as_uuid=True)),
    Column("gateway", Text),
    Column("earliest_at", DateTime(timezone=True)),
    Column("latest_at", DateTime(timezone=True)),
    Column("promised_silence_s", Double),
    Column("seal", LargeBinary),
    PrimaryKeyConstraint("organisation_id", "batch_id"),
    Index(None, "organisation_id", "gateway", "received_at"),
    Index(None, "organisation_id", "received_at"),
)
"""Who sent what and when, once for a request; ``seal`` is what the log holds of the readings kept of it."""

reading = Table(
    "reading",
    SQLModel.metadata,
    # Widest first: no padding inside the row.
    Column("observed_at", DateTime(timezone=True), nullable=False),
    Column("value", Double, nullable=False),
    Column("batch_id", BigInteger, nullable=False),
    Column("organisation_id", Integer, nullable=False),
    Column("probe", Integer, nullable=False),
    Column("quantity", SmallInteger, nullable=False),
    Column("unit", SmallInteger, nullable=False),
    Column("flag", SmallInteger, nullable=False),
    PrimaryKeyConstraint("organisation_id", "probe", "quantity", "observed_at"),
    postgresql_partition_by="RANGE (observed_at)",
)
"""One value as recorded; the natural key is the idempotency key."""

held_reading = Table(
    "held_reading",
    SQLModel.metadata,
    Column("organisation_id", Integer, nullable=False),
    Column("serial", Text, nullable=False),
    Column("quantity", SmallInteger, nullable=False),
    Column("observed_at", DateTime(timezone=True), nullable=False),
    Column("value", Double, nullable=False),
    Column("unit", SmallInteger, nullable=False),
    Column("flag", SmallInteger, nullable=False),
    Column("batch_id", BigInteger, nullable=False),
    PrimaryKeyConstraint("organisation_id", "serial", "quantity", "observed_at", "value", "unit"),
)
"""Readings of probes not known yet; adopted when the probe is registered."""

disputed_reading = Table(
    "disputed_reading",
    SQLModel.metadata,
    Column("organisation_id", Integer, nullable=False),
    Column("probe", Integer, nullable=False),
    Column("quantity", SmallInteger, nullable=False),
    Column("observed_at", DateTime(timezone=True), nullable=False),
    Column("value", Double, nullable=False),
    Column("unit", SmallInteger, nullable=False),
    Column("batch_id", BigInteger, nullable=False),
    Column("recorded_at", DateTime(timezone=True), nullable=False, server_default=func.now()),
    PrimaryKeyConstraint("organisation_id", "probe", "quantity", "observed_at", "value", "unit"),
    Index(None, "organisation_id", "recorded_at"),
)
"""A different value for an instant already taken: kept beside it, never in its place."""
