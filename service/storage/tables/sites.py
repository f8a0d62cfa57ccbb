"""Sites and their bays."""

from datetime import date
from typing import Any
from uuid import UUID

from sqlalchemy import CheckConstraint, Date, ForeignKeyConstraint, UniqueConstraint, text
from sqlalchemy.dialects.postgresql import ARRAY, JSONB
from sqlmodel import Field

from service.storage.tables.columns import VersionedRow, belongs_to, word_list, words


class SiteRow(VersionedRow, table=True):
    """A place with piles, its zone, its climate and the days a crew is there."""

    __tablename__ = "site"
    __table_args__ = (
        UniqueConstraint("organisation_id", "name"),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
        CheckConstraint("lifting_limit_kg > 0", name="lifting_limit_positive"),
    )

    name: str = words()
    time_zone: str = words()
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    climate: str | None = words(default=None)
    work_days: list[str] = word_list()
    closures: list[date] = Field(
        sa_type=ARRAY(Date),
        default_factory=list,
        sa_column_kwargs={"server_default": text("'{}'")},
    )
    crews: list[str] = word_list()
    measures: list[dict[str, Any]] = Field(
        sa_type=JSONB(none_as_null=True),
        default_factory=list,
        sa_column_kwargs={"server_default": text("'[]'"), "nullable": False},
    )
    """Each with ``name``, ``kind``, ``volume_l`` and ``mass_kg``, of which one is null."""
    lifting_limit_kg: float | None = None


class BayRow(VersionedRow, table=True):
    """A numbered place where a pile stands."""

    __tablename__ = "bay"
    __table_args__ = (
        UniqueConstraint("organisation_id", "site_id", "label"),
        belongs_to("site"),
        CheckConstraint(
            "kind in ('cage', 'open_bay', 'windrow_strip', 'aerated_bay', 'vessel')", name="kind_known"
        ),
        CheckConstraint("volume_m3 > 0", name="volume_positive"),
        CheckConstraint("height_m > 0", name="height_positive"),
    )

    site_id: UUID
    label: str = words()
    kind: str = words()
    volume_m3: float
    height_m: float | None = None
    """Of the mark to which it is filled."""
