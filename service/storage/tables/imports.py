"""Bodies taken in to be read later or bit by bit: imports, streams, uplink and table profiles, quarantine."""

from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    ForeignKeyConstraint,
    Index,
    Integer,
    LargeBinary,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
)
from sqlalchemy.dialects.postgresql import UUID as PG_UUID
from sqlmodel import Field, SQLModel

from service.storage.tables.columns import (
    TenantRow,
    VersionedRow,
    document,
    instant,
    recorded_now,
    words,
)


def _count() -> Any:  # noqa: ANN401 - SQLModel's Field is typed as Any
    return Field(default=0, sa_type=BigInteger, sa_column_kwargs={"server_default": "0"})


class ReadingProfileRow(VersionedRow, table=True):
    """How one kind of file or uplink is read; accepted only with a sample that passes."""

    __tablename__ = "reading_profile"
    __table_args__ = (
        UniqueConstraint("organisation_id", "name"),
        CheckConstraint("kind in ('table', 'uplink')", name="kind_known"),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
    )

    name: str = words()
    kind: str = words()
    definition: dict[str, Any] = document()
    sample: str = words()


class ReadingImportRow(VersionedRow, table=True):
    """A body of readings kept whole and read by a job; its counts grow as the job goes on."""

    __tablename__ = "reading_import"
    __table_args__ = (
        CheckConstraint(
            "state in ('receiving', 'waiting', 'running', 'done', 'cancelled', 'failed')", name="state_known"
        ),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
        Index(None, "organisation_id", "created_at"),
    )

    credential_id: UUID | None = None
    site_id: UUID | None = None
    """The one site of the key it came with, if it had one."""
    gateway_id: UUID | None = None
    """The gateway whose own key it came with."""
    media_type: str = words()
    content_coding: str | None = words(default=None)
    profile: str | None = words(default=None)
    time_zone: str | None = words(default=None)
    is_dry_run: bool = False
    state: str = words(default="receiving")
    problem: str | None = words(default=None)
    bytes_total: int = _count()
    bytes_done: int = _count()
    received: int = _count()
    stored: int = _count()
    duplicate: int = _count()
    disputed: int = _count()
    held: int = _count()
    refused: int = _count()
    started_at: datetime | None = instant(default=None)
    finished_at: datetime | None = instant(default=None)


import_chunk = Table(
    "import_chunk",
    SQLModel.metadata,
    Column("organisation_id", Integer, nullable=False),
    Column("import_id", PG_UUID(as_uuid=True), nullable=False),
    Column("number", Integer, nullable=False),
    Column("body", LargeBinary, nullable=False),
    PrimaryKeyConstraint("organisation_id", "import_id", "number"),
    ForeignKeyConstraint(
        ["organisation_id", "import_id"], ["reading_import.organisation_id", "reading_import.id"]
    ),
)
"""A piece of a body as it came over the wire; taken away once the import has ended."""

import_refusal = Table(
    "import_refusal",
    SQLModel.metadata,
    Column("organisation_id", Integer, nullable=False),
    Column("import_id", PG_UUID(as_uuid=True), nullable=False),
    Column("place", BigInteger, nullable=False),
    Column("line", BigInteger),
    Column("member", Text, nullable=False),
    Column("code", Text, nullable=False),
    Column("detail", Text, nullable=False),
    PrimaryKeyConstraint("organisation_id", "import_id", "place"),
    ForeignKeyConstraint(
        ["organisation_id", "import_id"], ["reading_import.organisation_id", "reading_import.id"]
    ),
)
"""A reading of an import that could not be used, and why."""


class ReadingStreamRow(SQLModel, table=True):
    """How far a stream of lines was committed, so that its sender may go on from there."""

    __tablename__ = "reading_stream"

    organisation_id: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    credential_id: UUID = Field(primary_key=True)
    key: str = words(primary_key=True)
    committed_bytes: int = _count()
    lines: int = _count()
    received: int = _count()
    stored: int = _count()
    duplicate: int = _count()
    disputed: int = _count()
    held: int = _count()
    refused: int = _count()
    is_complete: bool = False
    updated_at: datetime = recorded_now()


class QuarantinedMessageRow(TenantRow, table=True):
    """A message that could not be read, kept as it came."""

    __tablename__ = "quarantined_message"
    __table_args__ = (Index(None, "organisation_id", "received_at"),)

    gateway: str = words()
    topic: str = words()
    media_type: str | None = words(default=None)
    body: bytes = Field(sa_type=LargeBinary)
    reason: str = words()
    received_at: datetime = recorded_now()
