"""Gateways, probes, and where each probe sat from when to when."""

from datetime import datetime
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKeyConstraint, Identity, Index, Integer, UniqueConstraint, func
from sqlalchemy import literal_column as sql
from sqlalchemy.dialects.postgresql import ExcludeConstraint
from sqlmodel import Field

from service.storage.tables.columns import VersionedRow, belongs_to, instant, words


class GatewayRow(VersionedRow, table=True):
    """A device that posts the readings of probes."""

    __tablename__ = "gateway"
    __table_args__ = (
        UniqueConstraint("organisation_id", "name"),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
        belongs_to("site"),
    )

    name: str = words()
    site_id: UUID | None = None


class ProbeRow(VersionedRow, table=True):
    """An instrument; ``number`` is the small integer a reading row carries instead of the id."""

    __tablename__ = "probe"
    __table_args__ = (
        UniqueConstraint("organisation_id", "serial"),
        UniqueConstraint("organisation_id", "number"),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
        belongs_to("site"),
    )

    serial: str = words()
    number: int | None = Field(
        default=None, sa_type=Integer, nullable=False, sa_column_args=[Identity(always=False)]
    )
    site_id: UUID | None = None
    accuracy_c: float | None = None
    note: str | None = words(default=None)


class PlacementRow(VersionedRow, table=True):
    """Which probe sat in which pile, where, how deep, from when until when."""

    __tablename__ = "placement"
    __table_args__ = (
        belongs_to("probe"),
        belongs_to("pile"),
        CheckConstraint("until is null or until > since", name="until_after_since"),
        ExcludeConstraint(
            ("organisation_id", "="),
            ("probe_id", "="),
            (func.tstzrange(sql("since"), sql("until")), "&&"),
            name="ex_placement_one_place_at_a_time",
        ),
        Index(None, "organisation_id", "pile_id", "since"),
    )

    probe_id: UUID
    pile_id: UUID
    position: str = words()
    depth_cm: float | None = None
    since: datetime = instant()
    until: datetime | None = instant(default=None)
