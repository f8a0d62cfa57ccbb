"""Feedstocks, their analyses, and recipes."""

from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKeyConstraint, Index, UniqueConstraint, text

from service.storage.tables.columns import TenantRow, VersionedRow, belongs_to, document, recorded_now, words


class FeedstockRow(VersionedRow, table=True):
    """A material an organisation has, or one of its sites alone; figures are of dry matter, moisture of wet mass."""

    __tablename__ = "feedstock"
    __table_args__ = (
        UniqueConstraint("organisation_id", "code"),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
        belongs_to("site"),
    )

    code: str = words()
    name: str = words()
    category: str | None = words(default=None)
    moisture_pct: float | None = None
    nitrogen_pct: float | None = None
    carbon_pct: float | None = None
    carbon_nitrogen_ratio: float | None = None
    volatile_solids_pct: float | None = None
    bulk_density_kg_m3: float | None = None
    lignin_pct: float | None = None
    lignin_method: str | None = words(default=None)
    phosphorus_pct: float | None = None
    potassium_pct: float | None = None
    source: str | None = words(default=None)
    site_id: UUID | None = None
    """The only site that has it; null is every site's."""


class AnalysisRow(TenantRow, table=True):
    """A laboratory or hand measurement of a feedstock, or the withdrawal of one; appended, never changed."""

    __tablename__ = "analysis"
    __table_args__ = (
        belongs_to("feedstock"),
        belongs_to("site"),
        belongs_to("analysis", column="withdraws"),
        CheckConstraint(
            "kind in ('laboratory', 'oven_drying', 'bucket', 'squeeze', 'withdraw')", name="kind_known"
        ),
        CheckConstraint("(kind = 'withdraw') = (withdraws is not null)", name="withdrawal_names_one"),
        Index(None, "organisation_id", "feedstock_id", "sampled_on"),
    )

    feedstock_id: UUID
    kind: str = words(default="laboratory", sa_column_kwargs={"server_default": text("'laboratory'")})
    site_id: UUID | None = None
    """Where alone it counts; null is everywhere."""
    sampled_on: date
    valid_until: date | None = None
    method: str = words()
    moisture_pct: float | None = None
    nitrogen_pct: float | None = None
    carbon_pct: float | None = None
    carbon_nitrogen_ratio: float | None = None
    volatile_solids_pct: float | None = None
    bulk_density_kg_m3: float | None = None
    lignin_pct: float | None = None
    lignin_method: str | None = words(default=None)
    phosphorus_pct: float | None = None
    potassium_pct: float | None = None
    plus_minus: dict[str, float] | None = document(default=None)
    """Accuracy of each figure, in its own unit."""
    raw: dict[str, Any] | None = document(default=None)
    """What was weighed or printed, before it became the figures."""
    withdraws: UUID | None = None
    note: str | None = words(default=None)
    recorded_at: datetime = recorded_now()


class RecipeRow(VersionedRow, table=True):
    """A mix whose figures were fixed when it was written; only its name and note may change."""

    __tablename__ = "recipe"
    __table_args__ = (
        UniqueConstraint("organisation_id", "name"),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
    )

    name: str = words()
    note: str | None = words(default=None)
    ingredients: list[dict[str, Any]] = document()
    """Each ingredient with the figures it had when the recipe was written and where they came from."""
