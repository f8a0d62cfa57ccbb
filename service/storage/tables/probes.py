"""Gateways, probes, and where each probe sat from when to when."""

from datetime import datetime
from uuid import UUID

from sqlalchemy import (
    CheckConstraint,
    ForeignKeyConstraint,
    Identity,
    Index,
    Integer,
    SmallInteger,
    UniqueConstraint,
    func,
    text,
)
from sqlalchemy import literal_column as sql
from sqlalchemy.dialects.postgresql import ExcludeConstraint
from sqlmodel import Field, SQLModel

from service.storage.tables.columns import (
    TenantRow,
    VersionedRow,
    belongs_to,
    document,
    instant,
    recorded_now,
    word_list,
    words,
)


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
    serials: list[str] = word_list()
    """The probes it may speak for; empty means any of its site."""
    aliases: dict[str, str] = document(
        default_factory=dict, nullable=False, sa_column_kwargs={"server_default": text("'{}'")}
    )
    """Names its packs use, each with the ``probe/quantity`` it stands for."""


class GatewayStateRow(SQLModel, table=True):
    """What a gateway last told of itself over the broker."""

    __tablename__ = "gateway_state"
    __table_args__ = (belongs_to("gateway"),)

    organisation_id: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    gateway_id: UUID = Field(primary_key=True)
    is_online: bool
    since: datetime | None = instant(default=None)
    buffered: int | None = None
    told_at: datetime = recorded_now()


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


class CalibrationRow(TenantRow, table=True):
    """A probe held against something known; appended, never changed."""

    __tablename__ = "calibration"
    __table_args__ = (belongs_to("probe"), Index(None, "organisation_id", "probe_id", "calibrated_at"))

    probe_id: UUID
    calibrated_at: datetime = instant()
    method: str = words()
    reference_c: float
    shown_c: float
    accuracy_c: float | None = None
    note: str | None = words(default=None)
    recorded_at: datetime = recorded_now()
    recorded_by: UUID | None = None


class ReadingCorrectionRow(TenantRow, table=True):
    """What a person says about readings of a probe over some time; an entry beside them, never in their place."""

    __tablename__ = "reading_correction"
    __table_args__ = (
        belongs_to("probe"),
        belongs_to("reading_correction", column="withdraws"),
        CheckConstraint("kind in ('accept', 'exclude', 'shift', 'unit', 'withdraw')", name="kind_known"),
        CheckConstraint("(kind = 'withdraw') = (withdraws is not null)", name="withdrawal_names_one"),
        CheckConstraint("until > since", name="until_after_since"),
        Index(None, "organisation_id", "probe_id", "since"),
    )

    probe_id: UUID
    kind: str = words()
    quantity: int | None = Field(default=None, sa_type=SmallInteger)
    since: datetime = instant()
    until: datetime = instant()
    by_s: float | None = None
    unit: int | None = Field(default=None, sa_type=SmallInteger)
    withdraws: UUID | None = None
    reason: str = words()
    recorded_at: datetime = recorded_now()
    recorded_by: UUID | None = None
