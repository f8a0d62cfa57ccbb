"""Piles, what happened to them, and the verdicts issued on them."""

from datetime import datetime
from typing import Any
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKeyConstraint, Index, UniqueConstraint
from sqlmodel import Field

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


class PileRow(VersionedRow, table=True):
    """One batch from first load to last use; its stage is derived, never stored."""

    __tablename__ = "pile"
    __table_args__ = (
        UniqueConstraint("organisation_id", "site_id", "label"),
        belongs_to("site"),
        belongs_to("bay"),
        belongs_to("recipe"),
    )

    site_id: UUID
    label: str = words()
    bay_id: UUID | None = None
    recipe_id: UUID | None = None
    built_at: datetime | None = instant(default=None)
    rules: list[str] = word_list()
    pattern: dict[str, Any] | None = document(default=None)
    design_volume_m3: float | None = None
    design_height_m: float | None = None


class PileEventRow(TenantRow, table=True):
    """Something that happened to a pile; a correction is another row that names this one."""

    __tablename__ = "pile_event"
    __table_args__ = (
        belongs_to("pile"),
        belongs_to("pile_event", column="corrects"),
        CheckConstraint(
            "kind in ('load', 'water', 'cover', 'turn', 'move', 'merge', 'split', 'observe', 'sample',"
            " 'screen', 'release', 'close', 'correct')",
            name="kind_known",
        ),
        CheckConstraint("(kind = 'correct') = (corrects is not null)", name="correction_names_one"),
        Index(None, "organisation_id", "pile_id", "at"),
    )

    pile_id: UUID
    kind: str = words()
    at: datetime = instant()
    crew: str | None = words(default=None)
    note: str | None = words(default=None)
    details: dict[str, Any] = document()
    corrects: UUID | None = None
    recorded_at: datetime = recorded_now()
    recorded_by: UUID | None = Field(default=None, description="The key that wrote it.")


class VerdictRow(TenantRow, table=True):
    """A verdict as issued; it stays on file beside its successors."""

    __tablename__ = "verdict"
    __table_args__ = (
        belongs_to("pile"),
        belongs_to("verdict", column="supersedes"),
        Index(None, "organisation_id", "pile_id", "rule", "issued_at"),
        Index(None, "organisation_id", "judged_at"),
    )

    pile_id: UUID
    rule: str = words()
    rule_version: str = words()
    interpretation: str = words()
    state: str = words()
    readings_digest: str = words()
    engine_version: str = words()
    judged_at: datetime = instant()
    issued_at: datetime = recorded_now()
    supersedes: UUID | None = None
    because: str | None = words(default=None)
    """Why a successor was issued, for instance that late readings came in."""
    body: dict[str, Any] = document()


class OwnRuleRow(TenantRow, table=True):
    """A version of a rule an organisation wrote itself; appended, never edited."""

    __tablename__ = "own_rule"
    __table_args__ = (
        UniqueConstraint("organisation_id", "rule", "number"),
        ForeignKeyConstraint(["organisation_id"], ["organisation.organisation_id"]),
    )

    rule: str = words()
    number: int
    version: str = words()
    document: dict[str, Any] = document()
    recorded_at: datetime = recorded_now()
    recorded_by: UUID | None = None
