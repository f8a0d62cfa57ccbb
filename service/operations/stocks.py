"""What a caller can change of a site's stock: deliveries, uses, losses, counts; and what it limits a mix to."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Conflict, Invalid, NotFound
from service.domain.readings import FUTURE_TOLERANCE
from service.domain.recipes import find
from service.domain.stocks import TAKES, Ledger, Movement, Told, UnitOfStock, amount_in, ledger
from service.domain.stocks.amounts import MOST, unit_for
from service.operations import sites
from service.operations.feedstocks import in_force
from service.storage import feedstocks as stored_feedstocks
from service.storage import records
from service.storage import stocks as stored
from service.storage.tables import StockBalanceRow, StockMovementRow


@dataclass(frozen=True)
class Material:
    """A feedstock as a stock book needs it: its name and the density in force, with where that comes from."""

    code: str
    name: str
    density_kg_m3: float | None = None
    density_source: str | None = None


def materials(session: Session, caller: Caller, site_id: UUID, codes: Iterable[str]) -> dict[str, Material]:
    """Return feedstocks of the organisation or the library by code, with the density that counts at a site today.

    Raises
    ------
    Invalid
        A code is neither's, or another site's own.
    """
    wanted = list(dict.fromkeys(codes))
    own = {
        code: row
        for code, row in stored_feedstocks.by_codes(session, caller.organisation_id, wanted).items()
        if row.site_id in {None, site_id}
    }
    analyses = stored_feedstocks.valid_analyses(
        session, caller.organisation_id, [row.id for row in own.values()], site_id=site_id, on=None
    )
    found = {}
    for code in wanted:
        if code in own:
            row = own[code]
            figures, sources = in_force(row, analyses.get(row.id, []))
            density = figures.get("bulk_density_kg_m3")
            found[code] = Material(code, row.name, density, sources.get("bulk_density_kg_m3"))
        else:
            shipped = find(code, "/feedstock")
            density = shipped.value("bulk_density_kg_m3")
            found[code] = Material(
                code, shipped.name, density, None if density is None else "shipped library"
            )
    return found


def record_movement(
    session: Session, caller: Caller, site_id: UUID, values: Mapping[str, Any], *, now: datetime
) -> StockMovementRow:
    """Add what came in, went out or was counted to a feedstock's book at a site.

    The book is locked first, so that of two who take the last barrow one is refused; the constraint beneath would
    stop whoever came past the lock.

    Parameters
    ----------
    values
        ``kind``, ``at`` and, but for a withdrawal, ``feedstock`` and its amount.

    Raises
    ------
    NotFound
        No such site for this key.
    Invalid
        Unknown feedstock, a movement that has not happened yet, an amount that cannot be told in the book's unit.
    Conflict
        A use, loss or spoilage of more than there is, or of a feedstock no book is kept of.
    """
    site = sites.site_of(session, caller, site_id)
    if values["at"] > now + FUTURE_TOLERANCE:
        raise Invalid.field(
            "/at", f"{values['at'].isoformat()} has not come yet; record it when it has happened"
        )
    if values["kind"] == "withdraw":
        return _withdraw_told(session, caller, site_id, values, now)
    came_on = values["at"].astimezone(ZoneInfo(site.time_zone)).date()
    if spoiled(values.get("spoils_on"), came_on):
        raise Invalid.field(
            "/spoils_on",
            f"{values['spoils_on'].isoformat()} is not after the day it came ({came_on.isoformat()}); what is spoiled"
            " already is a loss, not stock",
        )
    code = values["feedstock"]
    material = materials(session, caller, site_id, [code])[code]
    density = values.get("bulk_density_kg_m3") or material.density_kg_m3
    told = Told(values.get("mass_kg"), values.get("volume_m3"), density)
    book = _book_for(session, caller, site_id, values["kind"], material, told)
    amount = amount_in(unit_of(book), told)
    if not amount and values["kind"] != "count":
        raise Invalid.field("", "the amount is less than a gram or a litre; give what was moved")
    row = StockMovementRow(
        organisation_id=caller.organisation_id,
        site_id=site_id,
        feedstock=code,
        kind=values["kind"],
        at=values["at"],
        amount=amount,
        mass_kg=told.mass_kg,
        volume_m3=told.volume_m3,
        density_kg_m3=told.density_used_kg_m3,
        density_source=_source(told, values, material),
        spoils_on=values.get("spoils_on"),
        cost=values.get("cost"),
        note=values.get("note"),
        recorded_at=now,
        recorded_by=caller.credential_id,
        balance_after=Decimal(0),
    )
    return enter(session, book, row)


def _source(told: Told, values: Mapping[str, Any], material: Material) -> str | None:
    if told.mass_kg and told.volume_m3:
        return "mass and volume told together"
    if values.get("bulk_density_kg_m3") is not None:
        return "told with the movement"
    return material.density_source


def _book_for(
    session: Session, caller: Caller, site_id: UUID, kind: str, material: Material, told: Told
) -> StockBalanceRow:
    if told.mass_kg is None and told.volume_m3 is None:
        raise Invalid.field("", "tells no amount; give mass_kg or volume_m3")
    if kind not in TAKES:
        return stored.open_book(session, caller.organisation_id, site_id, material.code, unit_for(told))
    book = stored.lock_book(session, caller.organisation_id, site_id, material.code)
    if book is None:
        raise Conflict(
            f"no stock of '{material.code}' is kept at this site; record a delivery or a count of it first"
        )
    return book


def _withdraw_told(
    session: Session, caller: Caller, site_id: UUID, values: Mapping[str, Any], now: datetime
) -> StockMovementRow:
    wanted = values["withdraws"]
    try:
        target = records.find(session, StockMovementRow, caller.organisation_id, wanted)
    except NotFound:
        target = None
    if target is None or target.site_id != site_id or target.kind == "withdraw":
        raise Invalid.field(
            "/withdraws", f"no movement with id {wanted} at this site; take an id from its movements"
        )
    if target.pile_event_id is not None:
        raise Invalid.field(
            "/withdraws", "this was taken by a load; correct that load on its pile and the stock follows"
        )
    book = _locked(session, target)
    if any(one.withdraws == target.id for one in stored.movements_since_count(session, book)):
        raise Conflict(f"movement {wanted} is withdrawn already; nothing is left to do")
    return enter(session, book, withdrawal(caller, target, values["at"], now, note=values["note"]))


def _locked(session: Session, row: StockMovementRow) -> StockBalanceRow:
    book = stored.lock_book(session, row.organisation_id, row.site_id, row.feedstock)
    assert book is not None
    return book


def withdrawal(
    caller: Caller, target: StockMovementRow, at: datetime, now: datetime, *, note: str | None
) -> StockMovementRow:
    """Return the entry that takes another back."""
    return StockMovementRow(
        organisation_id=caller.organisation_id,
        site_id=target.site_id,
        feedstock=target.feedstock,
        kind="withdraw",
        at=at,
        amount=Decimal(0),
        note=note,
        pile_event_id=target.pile_event_id,
        withdraws=target.id,
        recorded_at=now,
        recorded_by=caller.credential_id,
        balance_after=Decimal(0),
    )


def enter(session: Session, book: StockBalanceRow, row: StockMovementRow) -> StockMovementRow:
    """Append an entry to a locked book and keep its balance.

    What a load took is never refused: the book leaves a gap and says so. Any other use, loss or spoilage that would
    leave one, or widen one of an entry after it, is.

    Raises
    ------
    Conflict
        More is to be taken than there is.
    Invalid
        The balance would be beyond all reason.
    """
    before = stored.movements_since_count(session, book)
    entry = stored.as_movement(row)
    after = ledger([*before, entry])
    if row.kind in TAKES and row.pile_event_id is None:
        _must_be_there(book, entry, ledger(before), after)
    if after.balance > MOST:
        raise Invalid.field("", f"the stock would come to {after.balance} {book.unit}; check the amount")
    row.short = next((gap.amount for gap in after.short if gap.movement_id == row.id), Decimal(0))
    row.balance_after = after.balance
    book.balance, book.changed_at = after.balance, row.recorded_at
    return records.add(session, row)


def _must_be_there(book: StockBalanceRow, entry: Movement, before: Ledger, after: Ledger) -> None:
    missing = after.missing - before.missing
    if missing <= 0:
        return
    raise Conflict(
        f"{entry.amount.normalize():f} {book.unit} of '{book.feedstock}' cannot be taken:"
        f" {missing.normalize():f} {book.unit} more than the book has"
        f" ({before.balance.normalize():f} {book.unit} now); record the missing delivery first, or count what is there"
    )


def unit_of(book: StockBalanceRow) -> UnitOfStock:
    """Return the unit a book is kept in."""
    return "kg" if book.unit == "kg" else "m3"


@dataclass(frozen=True)
class StockLimit:
    """What a site's stock limits a mix to.

    ``max_kg`` is what is fit for use today, None when the book is kept in m3 and no density is known; ``spoils_on``
    the first day a part of it spoils; ``cost_per_kg`` of the lots whose cost is known.
    """

    max_kg: float | None
    spoils_on: date | None = None
    cost_per_kg: float | None = None


def limits(
    session: Session, caller: Caller, site_id: UUID, codes: Iterable[str], *, today: date
) -> dict[str, StockLimit]:
    """Return the limit for each feedstock the site keeps stock of; the others are not limited, but unknown.

    Raises
    ------
    NotFound
        No such site for this key.
    Invalid
        A code is neither the organisation's nor the library's.
    """
    sites.site_of(session, caller, site_id)
    books = stored.books_of(session, caller.organisation_id, site_id, codes)
    known = materials(session, caller, site_id, [book.feedstock for book in books])
    movements = stored.movements_of(session, books)
    found = {}
    for book in books:
        fit = [lot for lot in ledger(movements[book.feedstock]).lots if not spoiled(lot.spoils_on, today)]
        factor = kg_per_unit(book.unit, known[book.feedstock].density_kg_m3)
        left = float(sum(lot.left for lot in fit))
        spoils = [lot.spoils_on for lot in fit if lot.spoils_on is not None]
        paid = [(float(lot.left), lot.cost_per_unit) for lot in fit if lot.cost_per_unit is not None]
        weight = sum(amount for amount, _ in paid)
        per_unit = sum(amount * cost for amount, cost in paid) / weight if weight else None
        found[book.feedstock] = StockLimit(
            None if factor is None else left * factor,
            min(spoils, default=None),
            None if factor is None or per_unit is None else per_unit / factor,
        )
    return found


def spoiled(spoils_on: date | None, day: date) -> bool:
    """Say whether a lot is no longer fit on a day."""
    return spoils_on is not None and spoils_on <= day


def kg_per_unit(unit: str, density_kg_m3: float | None) -> float | None:
    """Return what one unit of a book weighs [kg]; None when nobody knows."""
    return 1.0 if unit == "kg" else density_kg_m3
