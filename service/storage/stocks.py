"""Stock books: found, locked, listed."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import cast
from uuid import UUID

from sqlalchemy import exists, func, or_
from sqlalchemy.dialects.postgresql import insert
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from service.domain.stocks import Kind, Movement, UnitOfStock
from service.storage.records import Page, page
from service.storage.tables import StockBalanceRow, StockMovementRow


def lock_book(
    session: Session, organisation_id: int, site_id: UUID, feedstock: str
) -> StockBalanceRow | None:
    """Return the book of a feedstock at a site, locked; None when none is kept."""
    return session.exec(
        select(StockBalanceRow)
        .where(
            col(StockBalanceRow.organisation_id) == organisation_id,
            col(StockBalanceRow.site_id) == site_id,
            col(StockBalanceRow.feedstock) == feedstock,
        )
        .with_for_update()
        .execution_options(populate_existing=True)
    ).one_or_none()


def open_book(
    session: Session, organisation_id: int, site_id: UUID, feedstock: str, unit: UnitOfStock
) -> StockBalanceRow:
    """Return the book, locked, begun if there was none; who begins it at the same moment waits here."""
    session.execute(
        insert(StockBalanceRow)
        .values(organisation_id=organisation_id, site_id=site_id, feedstock=feedstock, unit=unit, balance=0)
        .on_conflict_do_nothing()
    )
    book = lock_book(session, organisation_id, site_id, feedstock)
    assert book is not None
    return book


def books_of(
    session: Session, organisation_id: int, site_id: UUID, feedstocks: Iterable[str] | None = None
) -> list[StockBalanceRow]:
    """Return a site's books by feedstock, of some feedstocks if asked."""
    statement = select(StockBalanceRow).where(
        col(StockBalanceRow.organisation_id) == organisation_id, col(StockBalanceRow.site_id) == site_id
    )
    if feedstocks is not None:
        statement = statement.where(col(StockBalanceRow.feedstock).in_(list(feedstocks)))
    return list(session.exec(statement.order_by(col(StockBalanceRow.feedstock))).all())


def movements_of(session: Session, books: Sequence[StockBalanceRow]) -> dict[str, list[Movement]]:
    """Return every movement of some books of one site, by feedstock."""
    found: dict[str, list[Movement]] = {book.feedstock: [] for book in books}
    if not books:
        return found
    rows = session.exec(
        select(StockMovementRow).where(
            col(StockMovementRow.organisation_id) == books[0].organisation_id,
            col(StockMovementRow.site_id) == books[0].site_id,
            col(StockMovementRow.feedstock).in_(list(found)),
        )
    ).all()
    for row in rows:
        found[row.feedstock].append(as_movement(row))
    return found


def movements_since_count(session: Session, book: StockBalanceRow) -> list[Movement]:
    """Return what the balance follows from: movements since the last count that stands, and every withdrawal."""
    of_book = (
        col(StockMovementRow.organisation_id) == book.organisation_id,
        col(StockMovementRow.site_id) == book.site_id,
        col(StockMovementRow.feedstock) == book.feedstock,
    )
    undoing = aliased(StockMovementRow)
    counted = session.exec(
        select(func.max(col(StockMovementRow.at))).where(
            *of_book,
            col(StockMovementRow.kind) == "count",
            ~exists().where(
                col(undoing.organisation_id) == book.organisation_id,
                col(undoing.withdraws) == col(StockMovementRow.id),
            ),
        )
    ).one()
    statement = select(StockMovementRow).where(*of_book)
    if counted is not None:
        statement = statement.where(
            or_(col(StockMovementRow.at) >= counted, col(StockMovementRow.kind) == "withdraw")
        )
    return [as_movement(row) for row in session.exec(statement).all()]


def begun_at(session: Session, book: StockBalanceRow) -> datetime | None:
    """Return the earliest instant a book tells of; None while it is empty."""
    return session.exec(
        select(func.min(col(StockMovementRow.at))).where(
            col(StockMovementRow.organisation_id) == book.organisation_id,
            col(StockMovementRow.site_id) == book.site_id,
            col(StockMovementRow.feedstock) == book.feedstock,
        )
    ).one()


def taken_by(session: Session, organisation_id: int, event_id: UUID) -> StockMovementRow | None:
    """Return the movement a load stands for now; None when it took nothing or that was withdrawn."""
    undoing = aliased(StockMovementRow)
    return session.exec(
        select(StockMovementRow).where(
            col(StockMovementRow.organisation_id) == organisation_id,
            col(StockMovementRow.pile_event_id) == event_id,
            col(StockMovementRow.kind) == "use",
            ~exists().where(
                col(undoing.organisation_id) == organisation_id,
                col(undoing.withdraws) == col(StockMovementRow.id),
            ),
        )
    ).one_or_none()


def movements_page(
    session: Session,
    organisation_id: int,
    site_id: UUID,
    feedstock: str | None,
    *,
    limit: int,
    after: str | None,
) -> Page[StockMovementRow]:
    """Return a site's movements in the order they were recorded, of one feedstock if asked."""
    statement = select(StockMovementRow).where(
        col(StockMovementRow.organisation_id) == organisation_id, col(StockMovementRow.site_id) == site_id
    )
    if feedstock is not None:
        statement = statement.where(col(StockMovementRow.feedstock) == feedstock)
    return page(session, statement, [col(StockMovementRow.id)], limit=limit, after=after)


def as_movement(row: StockMovementRow) -> Movement:
    """Return a row as the domain's."""
    return Movement(
        id=row.id,
        kind=cast("Kind", row.kind),  # a constraint keeps it to these words
        at=row.at,
        amount=row.amount,
        spoils_on=row.spoils_on,
        cost=row.cost,
        withdraws=row.withdraws,
    )
