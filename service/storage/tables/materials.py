"""Feedstocks, their analyses, and recipes."""

from datetime import date, datetime
from typing import Any
from uuid import UUID

from sqlalchemy import ForeignKeyConstraint, Index, UniqueConstraint

from service.storage.tables.columns import TenantRow, VersionedRow, belongs_to, document, recorded_now, words


class FeedstockRow(VersionedRow, table=True):
    """A material an organisation has; figures are of dry matter, moisture of wet mass."""

    __tablename__ = "feedstock"
    __table_args__ = (
        UniqueConstraint("organisation_id", "code"),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
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
    source: str | None = words(default=None)


class AnalysisRow(TenantRow, table=True):
    """A laboratory or hand measurement of a feedstock; appended, never changed."""

    __tablename__ = "analysis"
    __table_args__ = (
        belongs_to("feedstock"),
        Index(None, "organisation_id", "feedstock_id", "sampled_on"),
    )

    feedstock_id: UUID
    sampled_on: date
    method: str = words()
    moisture_pct: float | None = None
    nitrogen_pct: float | None = None
    carbon_pct: float | None = None
    carbon_nitrogen_ratio: float | None = None
    volatile_solids_pct: float | None = None
    bulk_density_kg_m3: float | None = None
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
