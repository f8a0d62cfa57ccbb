"""Loads take from the site's stock, and their corrections give back."""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Invalid
from service.domain.piles import Event, in_force
from service.domain.stocks import Told, amount_in
from service.operations.stocks import Material, enter, materials, unit_of, withdrawal
from service.storage import stocks as stored
from service.storage.pile_events import events_by_pile
from service.storage.tables import PileEventRow, PileRow, StockBalanceRow, StockMovementRow


def follow_load(session: Session, caller: Caller, pile: PileRow, row: PileEventRow, *, now: datetime) -> None:
    """Let the stock follow a load, or the correction of an entry, just recorded on a pile.

    A load takes from the stock by itself where the site keeps a book of its feedstock and the load happened after
    the book began; a site that keeps none is not bothered. The load itself is never refused or shortened: when it is
    greater than the balance all there is is taken, the balance is 0, and the difference stands in the book as a gap,
    told with the load's answer and in the site's stock until a delivery told late fills it or a count settles it.
    A correction withdraws what the load took and takes what holds instead.

    The pile must be locked, so that two corrections of one load follow one another.
    """
    if row.kind not in {"load", "correct"}:
        return
    original = row.corrects or row.id
    wanted = _load_now(session, pile, original)
    standing = stored.taken_by(session, caller.organisation_id, original)
    if standing is not None and wanted is not None and _is_same(standing, wanted):
        return
    codes = {one for one in (_code(wanted), standing and standing.feedstock) if one}
    # In one order, so that two loads that each change two books never wait for each other.
    books = {
        code: stored.lock_book(session, caller.organisation_id, pile.site_id, code) for code in sorted(codes)
    }
    if standing is not None:
        book = books[standing.feedstock]
        assert book is not None
        enter(session, book, withdrawal(caller, standing, now, now, note="The load was corrected."))
    code = _code(wanted)
    book = books.get(code) if code else None
    if wanted is not None and book is not None:
        _take(session, caller, book, original, wanted, now)


def _take(
    session: Session, caller: Caller, book: StockBalanceRow, original: UUID, load: Event, now: datetime
) -> None:
    begun = stored.begun_at(session, book)
    if begun is None or load.at < begun:
        return
    material = materials(session, caller, book.site_id, [book.feedstock])[book.feedstock]
    told = _told(load, material)
    amount = _amount(book, told)
    if amount:
        enter(
            session,
            book,
            StockMovementRow(
                organisation_id=caller.organisation_id,
                site_id=book.site_id,
                feedstock=book.feedstock,
                kind="use",
                at=load.at,
                amount=amount,
                mass_kg=told.mass_kg,
                volume_m3=told.volume_m3,
                density_kg_m3=told.density_used_kg_m3,
                density_source="mass and volume told together"
                if told.mass_kg and told.volume_m3
                else material.density_source,
                pile_event_id=original,
                recorded_at=now,
                recorded_by=caller.credential_id,
                balance_after=Decimal(0),
            ),
        )


def told_of(session: Session, caller: Caller, pile: PileRow, row: PileEventRow) -> list[str]:
    """Say what an entry just recorded did to the stock; nothing where no stock is kept of its feedstock."""
    if row.kind not in {"load", "correct"}:
        return []
    original = row.corrects or row.id
    taken = stored.taken_by(session, caller.organisation_id, original)
    load = _load_now(session, pile, original)
    code = _code(load)
    if load is None or code is None:
        return []
    books: Sequence[StockBalanceRow] = stored.books_of(session, caller.organisation_id, pile.site_id, [code])
    if not books:
        return []
    book = books[0]
    if taken is None:
        return [f"Not taken from the stock of '{code}': {_why_not(session, caller, book, load)}"]
    said = [f"{_plain(taken.amount)} {book.unit} taken from the stock of '{code}'; {_left(book)}."]
    if taken.short:
        said.append(
            f"That is {_plain(taken.short)} {book.unit} more than the book had. The load stands; record the delivery"
            " that is missing, or count what is there."
        )
    return said


def _why_not(session: Session, caller: Caller, book: StockBalanceRow, load: Event) -> str:
    begun = stored.begun_at(session, book)
    if begun is not None and load.at < begun:
        return f"it lies before the book's first entry ({begun.date().isoformat()})."
    try:
        material = materials(session, caller, book.site_id, [book.feedstock])[book.feedstock]
        amount_in(unit_of(book), _told(load, material))
    except Invalid as error:
        return f"{error.errors[0].detail}; then correct the load."
    return "it is less than a gram or a litre."


def _load_now(session: Session, pile: PileRow, original: UUID) -> Event | None:
    """Return the load an entry now stands for; None when it is none, or was withdrawn."""
    events = events_by_pile(session, pile.organisation_id, [pile.id]).get(pile.id, [])
    holding = in_force(one for one in events if original in {one.id, one.corrects})
    return next((one for one in holding if one.kind == "load"), None)


def _is_same(standing: StockMovementRow, load: Event) -> bool:
    return (standing.feedstock, standing.at, standing.mass_kg, standing.volume_m3) == (
        _code(load),
        load.at,
        load.number("mass_kg"),
        load.number("volume_m3"),
    )


def _code(load: Event | None) -> str | None:
    return None if load is None else load.details.get("feedstock")


def _told(load: Event, material: Material) -> Told:
    return Told(load.number("mass_kg"), load.number("volume_m3"), material.density_kg_m3)


def _amount(book: StockBalanceRow, told: Told) -> Decimal | None:
    try:
        return amount_in(unit_of(book), told)
    except Invalid:
        return None


def _plain(amount: Decimal) -> str:
    return f"{amount.normalize():f}"


def _left(book: StockBalanceRow) -> str:
    return f"{_plain(book.balance)} {book.unit} left"
