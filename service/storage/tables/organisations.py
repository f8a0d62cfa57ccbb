"""Organisations (the tenants) and their API keys."""

from datetime import datetime
from uuid import UUID

from sqlalchemy import ForeignKeyConstraint, Identity, Integer, LargeBinary, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.storage.tables.columns import TenantRow, belongs_to, instant, recorded_now, word_list, words


class OrganisationRow(SQLModel, table=True):
    """A tenant; the one table whose unique name cannot start with the tenant."""

    __tablename__ = "organisation"
    __table_args__ = (UniqueConstraint("name"),)

    organisation_id: int | None = Field(
        default=None, primary_key=True, sa_type=Integer, sa_column_args=[Identity(always=False)]
    )
    name: str = words()
    created_at: datetime = recorded_now()
    keep_readings_months: int | None = None
    """How long readings are kept that no verdict on file rests on; for ever when null."""


class ApiKeyRow(TenantRow, table=True):
    """A bearer key: 32 random bytes kept as SHA-256, found by its prefix."""

    __tablename__ = "api_key"
    __table_args__ = (
        UniqueConstraint("organisation_id", "prefix"),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
        belongs_to("site"),
        belongs_to("gateway"),
    )

    prefix: str = words()
    digest: bytes = Field(sa_type=LargeBinary)
    name: str = words()
    scopes: list[str] = word_list()
    site_id: UUID | None = None
    gateway_id: UUID | None = None
    created_at: datetime = recorded_now()
    expires_at: datetime | None = instant(default=None)
    revoked_at: datetime | None = instant(default=None)
    last_used_at: datetime | None = instant(default=None)
