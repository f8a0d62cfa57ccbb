"""Column shapes every table shares: tenant first, UUIDv7 ids, text, instants, versions."""

from datetime import UTC, datetime
from typing import Any, Final
from uuid import UUID

import uuid_utils.compat
from sqlalchemy import DateTime, ForeignKeyConstraint, Text, func, text
from sqlalchemy.dialects.postgresql import ARRAY, JSONB
from sqlmodel import Field, SQLModel

NAMING: Final = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


def new_id() -> UUID:
    """Return a UUIDv7: unique, and sorted by the time it was made."""
    return uuid_utils.compat.uuid7()


def words(**options: Any) -> Any:  # noqa: ANN401 - SQLModel's Field is typed as Any
    """Return a ``text`` column."""
    return Field(sa_type=Text, **options)


def instant(**options: Any) -> Any:  # noqa: ANN401 - as above
    """Return a ``timestamptz`` column."""
    return Field(sa_type=DateTime(timezone=True), **options)


def recorded_now(**options: Any) -> Any:  # noqa: ANN401 - as above
    """Return a ``timestamptz`` column that holds when the row was written."""
    return instant(
        default_factory=lambda: datetime.now(UTC), sa_column_kwargs={"server_default": func.now()}, **options
    )


def document(**options: Any) -> Any:  # noqa: ANN401 - as above
    """Return a ``jsonb`` column; SQL null when absent."""
    return Field(sa_type=JSONB(none_as_null=True), **options)


def word_list(**options: Any) -> Any:  # noqa: ANN401 - as above
    """Return a ``text[]`` column."""
    return Field(
        sa_type=ARRAY(Text),
        default_factory=list,
        sa_column_kwargs={"server_default": text("'{}'")},
        **options,
    )


def belongs_to(table: str, *, column: str | None = None) -> ForeignKeyConstraint:
    """Return the foreign key ``(organisation_id, <table>_id)``; never across organisations."""
    return ForeignKeyConstraint(
        ["organisation_id", column or f"{table}_id"], [f"{table}.organisation_id", f"{table}.id"]
    )


class TenantRow(SQLModel):
    """A row of one organisation."""

    organisation_id: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    id: UUID = Field(default_factory=new_id, primary_key=True)


class VersionedRow(TenantRow):
    """A row that may change; its version is its ETag."""

    version: int = Field(default=1, sa_column_kwargs={"server_default": text("1")})
    created_at: datetime = recorded_now()
