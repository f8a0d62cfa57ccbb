"""The log of what was taken in: appended by a job, never changed; and what a person may ask to have forgotten.

A leaf names its row by kind and ``ref``; there is no foreign key, because a leaf outlives readings that are no longer
kept. Complete nodes of the tree stand in rows of their own, once and for all: appending writes fewer than two rows a
leaf, and a proof reads ``O(log n)`` of them.
"""

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    DateTime,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    SmallInteger,
    Table,
    Text,
    UniqueConstraint,
    func,
)
from sqlalchemy.dialects.postgresql import UUID
from sqlmodel import SQLModel

log_leaf = Table(
    "log_leaf",
    SQLModel.metadata,
    Column("organisation_id", Integer, nullable=False),
    Column("leaf", BigInteger, nullable=False, autoincrement=False),
    Column("kind", Text, nullable=False),
    Column("ref", Text, nullable=False),
    Column("about", UUID(as_uuid=True)),
    Column("entry", Text, nullable=False),
    Column("hash", LargeBinary, nullable=False),
    Column("recorded_at", DateTime(timezone=True), nullable=False),
    Column("appended_at", DateTime(timezone=True), nullable=False, server_default=func.now()),
    PrimaryKeyConstraint("organisation_id", "leaf"),
    UniqueConstraint("organisation_id", "kind", "ref"),
    CheckConstraint(
        "kind in ('batch', 'adoption', 'event', 'correction', 'placement', 'verdict')", name="kind_known"
    ),
    Index(None, "organisation_id", "about"),
)
"""An entry, in the order of the log; ``about`` is the pile, of a correction the probe, of a batch nothing."""

log_node = Table(
    "log_node",
    SQLModel.metadata,
    Column("organisation_id", Integer, nullable=False),
    Column("level", SmallInteger, nullable=False),
    Column("place", BigInteger, nullable=False),
    Column("hash", LargeBinary, nullable=False),
    PrimaryKeyConstraint("organisation_id", "level", "place"),
)
"""A complete node above the leaves."""

log_word_key = Table(
    "log_word_key",
    SQLModel.metadata,
    Column("organisation_id", Integer, nullable=False),
    Column("leaf", BigInteger, nullable=False, autoincrement=False),
    Column("key", LargeBinary, nullable=False),
    PrimaryKeyConstraint("organisation_id", "leaf"),
    ForeignKeyConstraint(["organisation_id", "leaf"], ["log_leaf.organisation_id", "log_leaf.leaf"]),
)
"""What ties a person's words on record to a leaf; once deleted, nothing does."""

adopted_batch = Table(
    "adopted_batch",
    SQLModel.metadata,
    Column("organisation_id", Integer, nullable=False),
    Column("batch_id", BigInteger, nullable=False, autoincrement=False),
    Column("probe_id", UUID(as_uuid=True), nullable=False),
    Column("adopted_at", DateTime(timezone=True), nullable=False, server_default=func.now()),
    Column("seal", LargeBinary, nullable=False),
    PrimaryKeyConstraint("organisation_id", "batch_id", "probe_id"),
    ForeignKeyConstraint(["organisation_id", "batch_id"], ["batch.organisation_id", "batch.batch_id"]),
    ForeignKeyConstraint(["organisation_id", "probe_id"], ["probe.organisation_id", "probe.id"]),
)
"""The seal of a batch's readings that were held, and became a probe's own when it was registered."""
