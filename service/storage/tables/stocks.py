"""What of each feedstock lies at a site, and every movement that made it so."""

from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID

from sqlalchemy import CheckConstraint, ForeignKeyConstraint, Index, Numeric, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.storage.tables.columns import TenantRow, belongs_to, instant, recorded_now, words


def thousandths(**options: Any) -> Any:  # noqa: ANN401 - SQLModel's Field is typed as Any
    """Return a ``numeric`` column exact to a gram or a litre."""
    return Field(sa_type=Numeric(15, 3), **options)


class StockBalanceRow(SQLModel, table=True):
    """The book of a feedstock at a site: its unit and its balance, kept under its lock and never negative."""

    __tablename__ = "stock_balance"
    __table_args__ = (
        belongs_to("site"),
        CheckConstraint("unit in ('kg', 'm3')", name="unit_known"),
        CheckConstraint("balance >= 0", name="never_negative"),
    )

    organisation_id: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    site_id: UUID = Field(primary_key=True)
    feedstock: str = words(primary_key=True)
    unit: str = words()
    balance: Decimal = thousandths()
    """In ``unit``; what the movements add up to."""
    changed_at: datetime = recorded_now()


class StockMovementRow(TenantRow, table=True):
    """Something that came in, went out or was counted; appended, never changed."""

    __tablename__ = "stock_movement"
    __table_args__ = (
        ForeignKeyConstraint(
            ["organisation_id", "site_id", "feedstock"],
            ["stock_balance.organisation_id", "stock_balance.site_id", "stock_balance.feedstock"],
        ),
        belongs_to("pile_event"),
        belongs_to("stock_movement", column="withdraws"),
        UniqueConstraint("organisation_id", "withdraws"),
        CheckConstraint(
            "kind in ('delivery', 'return', 'use', 'loss', 'spoilage', 'count', 'withdraw')",
            name="kind_known",
        ),
        CheckConstraint("(kind = 'withdraw') = (withdraws is not null)", name="withdrawal_names_one"),
        CheckConstraint("amount >= 0 and balance_after >= 0", name="never_negative"),
        Index(None, "organisation_id", "site_id", "feedstock", "at"),
        Index(None, "organisation_id", "pile_event_id"),
    )

    site_id: UUID
    feedstock: str = words()
    kind: str = words()
    at: datetime = instant()
    amount: Decimal = thousandths()
    """In the unit of the book."""
    mass_kg: float | None = None
    volume_m3: float | None = None
    density_kg_m3: float | None = None
    density_source: str | None = words(default=None)
    spoils_on: date | None = None
    cost: float | None = None
    note: str | None = words(default=None)
    pile_event_id: UUID | None = None
    """The load that took it."""
    withdraws: UUID | None = None
    short: Decimal = thousandths(default=Decimal(0))
    """By how much it was more than there was, as the book stood when it was written."""
    balance_after: Decimal = thousandths()
    recorded_at: datetime = recorded_now()
    recorded_by: UUID | None = None
