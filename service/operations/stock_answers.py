"""What a site's stock books say: balances with their lots, and the outlook for a pile."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Final
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Invalid, NotFound
from service.domain.recipes import evaluate
from service.domain.stocks import (
    Delivered,
    Gap,
    Holding,
    Ledger,
    Lot,
    Movement,
    Outlook,
    UnitOfStock,
    arrivals_ahead,
    in_force,
    ledger,
    outlook,
)
from service.operations import sites
from service.operations.stocks import Material, kg_per_unit, materials, spoiled, unit_of
from service.storage import records
from service.storage import stocks as stored
from service.storage.recipes import ingredients_of
from service.storage.tables import RecipeRow, StockBalanceRow

FURTHEST: Final = timedelta(days=366)
_YEAR: Final = timedelta(days=364)
"""52 weeks: the same weekdays."""


@dataclass(frozen=True)
class Book:
    """A feedstock's book at a site, with what it takes to read it."""

    row: StockBalanceRow
    material: Material
    movements: Sequence[Movement]

    @property
    def unit(self) -> UnitOfStock:
        """Return the unit it is kept in."""
        return unit_of(self.row)


@dataclass(frozen=True)
class Held:
    """A balance as it is told; ``mass_kg`` or ``volume_m3`` is None where it takes a density nobody knows."""

    feedstock: str
    name: str
    unit: UnitOfStock
    mass_kg: float | None
    volume_m3: float | None
    density_kg_m3: float | None
    density_source: str | None
    oldest_delivery_at: datetime | None
    spoils_next_on: date | None
    spoiled: float
    cost_per_kg: float | None
    lots: Sequence[Lot]


@dataclass(frozen=True)
class Discrepancy:
    """Where book and yard disagree, in words."""

    feedstock: str
    kind: str
    movement_id: UUID
    at: datetime
    unit: UnitOfStock
    amount: float
    text: str


def books(session: Session, caller: Caller, site_id: UUID) -> tuple[list[Book], ZoneInfo]:
    """Load every book of a site, and the zone its days are told in.

    Raises
    ------
    NotFound
        No such site for this key.
    """
    site = sites.site_of(session, caller, site_id)
    rows = stored.books_of(session, caller.organisation_id, site_id)
    known = materials(session, caller, site_id, [row.feedstock for row in rows])
    moved = stored.movements_of(session, rows)
    return [Book(row, known[row.feedstock], moved[row.feedstock]) for row in rows], ZoneInfo(site.time_zone)


def held(book: Book, *, today: date) -> tuple[Held, list[Discrepancy]]:
    """Return a book's balance and where it disagrees with the yard."""
    told = ledger(book.movements)
    factor = kg_per_unit(book.unit, book.material.density_kg_m3)
    density = book.material.density_kg_m3
    balance = float(told.balance)
    mass = None if factor is None else balance * factor
    volume = balance if book.unit == "m3" else None if density is None else balance / density
    paid = [(float(lot.left), lot.cost_per_unit) for lot in told.lots if lot.cost_per_unit is not None]
    weight = sum(amount for amount, _ in paid)
    cost = sum(amount * each for amount, each in paid) / weight if weight else None
    fit = [lot for lot in told.lots if not spoiled(lot.spoils_on, today)]
    found = Held(
        feedstock=book.row.feedstock,
        name=book.material.name,
        unit=book.unit,
        mass_kg=mass,
        volume_m3=volume,
        density_kg_m3=density,
        density_source=book.material.density_source,
        oldest_delivery_at=min((lot.at for lot in told.lots if lot.is_delivered), default=None),
        spoils_next_on=min((lot.spoils_on for lot in fit if lot.spoils_on), default=None),
        spoiled=balance - float(sum(lot.left for lot in fit)),
        cost_per_kg=None if cost is None or factor is None else cost / factor,
        lots=told.lots,
    )
    return found, _discrepancies(book, told)


def _discrepancies(book: Book, told: Ledger) -> list[Discrepancy]:
    code, unit = book.row.feedstock, book.unit

    def of(kind: str, gap: Gap, text: str) -> Discrepancy:
        return Discrepancy(code, kind, gap.movement_id, gap.at, unit, float(gap.amount), text)

    found = [
        of(
            "short",
            gap,
            f"{gap.amount.normalize():f} {unit} more of '{code}' went onto a pile than the book had; record the"
            " delivery that is missing, or count what is there",
        )
        for gap in told.short
    ]
    count = told.last_count
    if count is not None and count.amount:
        way = "more" if count.amount > 0 else "less"
        found.append(
            of(
                "count",
                count,
                f"the last count found {abs(count.amount).normalize():f} {unit} {way} than the book",
            )
        )
    return found


@dataclass(frozen=True)
class Need:
    """An ingredient of a recipe as a pile needs it [kg]; mass None when it was written without one."""

    feedstock: str | None
    name: str
    mass_kg: float


def needs(session: Session, caller: Caller, recipe_id: UUID, *, volume_m3: float | None) -> list[Need]:
    """Return what a recipe needs for one pile: as it is written, or made to fill a volume.

    Raises
    ------
    Invalid
        No such recipe, or it tells no volume to scale by.
    """
    try:
        row = records.find(session, RecipeRow, caller.organisation_id, recipe_id)
    except NotFound as error:
        raise Invalid.field("/recipe_id", f"no recipe with id {recipe_id}; write it first") from error
    made = evaluate(ingredients_of(row.ingredients))
    if volume_m3 is not None and not made.volume_m3:
        raise Invalid.field(
            "/volume_m3", "the recipe's own volume is not known, so it cannot be scaled; leave volume_m3 out"
        )
    scale = 1.0 if volume_m3 is None or not made.volume_m3 else volume_m3 / made.volume_m3
    found: dict[tuple[str | None, str], Need] = {}
    for kept, portion in zip(row.ingredients, made.ingredients, strict=True):
        code = kept.get("feedstock")
        key = (code, "" if code else portion.name)
        before = found.get(key)
        mass = portion.mass_kg * scale + (before.mass_kg if before else 0.0)
        found[key] = Need(code, portion.name, mass)
    return list(found.values())


def must_be_ahead(on: date, today: date) -> None:
    """Refuse a day that is past, or further than a rate can be carried.

    Raises
    ------
    Invalid
        It is.
    """
    if not today <= on <= today + FURTHEST:
        raise Invalid.field(
            "/on", f"{on.isoformat()} must lie from today ({today.isoformat()}) to a year ahead"
        )


def outlook_of(
    wanted: Sequence[Need], kept: Sequence[Book], zone: ZoneInfo, *, today: date, on: date
) -> Outlook:
    """Say whether there will be enough; touches no record."""
    by_code: Mapping[str, Book] = {book.row.feedstock: book for book in kept}
    holdings = [_holding(one, by_code.get(one.feedstock or ""), zone, today, on) for one in wanted]
    return outlook(holdings, today=today, on=on)


def _holding(need: Need, book: Book | None, zone: ZoneInfo, today: date, on: date) -> Holding:
    factor = None if book is None else kg_per_unit(book.unit, book.material.density_kg_m3)
    if book is None or factor is None:
        return Holding(need.feedstock, need.name, "kg", need.mass_kg, None)
    lots = ledger(book.movements).lots
    fit = float(sum(lot.left for lot in lots if not spoiled(lot.spoils_on, on)))
    gone = float(sum(lot.left for lot in lots if spoiled(lot.spoils_on, on)))
    standing = in_force(book.movements)
    came = [
        Delivered(one.at.astimezone(zone).date(), float(one.amount) * factor)
        for one in standing
        if one.kind == "delivery"
    ]
    since = min((one.at for one in standing), default=None)
    begun = today if since is None else since.astimezone(zone).date()
    return Holding(
        need.feedstock,
        need.name,
        "kg",
        need.mass_kg,
        fit * factor,
        gone * factor,
        arrivals_ahead(came, since=begun, today=today),
        _last_year(came, begun, today, on),
    )


def _last_year(came: Sequence[Delivered], begun: date, today: date, on: date) -> float | None:
    if begun > today - _YEAR:
        return None
    return sum(one.amount for one in came if today - _YEAR < one.on <= on - _YEAR)


def shown_movement(row: Any) -> dict[str, Any]:  # noqa: ANN401 - a movement's row
    """Return a movement with its exact amounts as plain numbers."""
    plain = {name: getattr(row, name) for name in type(row).model_fields}
    return plain | {name: float(plain[name]) for name in ("amount", "short", "balance_after")}
