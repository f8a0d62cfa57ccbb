"""Feedstocks and analyses, listed and found by code."""

from collections.abc import Sequence
from uuid import UUID

from sqlmodel import Session, col, select

from service.storage.records import Page, page
from service.storage.tables import AnalysisRow, FeedstockRow


def feedstocks_page(
    session: Session, organisation_id: int, *, limit: int, after: str | None
) -> Page[FeedstockRow]:
    """Return the organisation's feedstocks."""
    statement = select(FeedstockRow).where(col(FeedstockRow.organisation_id) == organisation_id)
    return page(session, statement, [col(FeedstockRow.id)], limit=limit, after=after)


def analyses_page(
    session: Session, organisation_id: int, feedstock_id: UUID, *, limit: int, after: str | None
) -> Page[AnalysisRow]:
    """Return the analyses of a feedstock."""
    statement = select(AnalysisRow).where(
        col(AnalysisRow.organisation_id) == organisation_id, col(AnalysisRow.feedstock_id) == feedstock_id
    )
    return page(session, statement, [col(AnalysisRow.id)], limit=limit, after=after)


def by_codes(session: Session, organisation_id: int, codes: Sequence[str]) -> dict[str, FeedstockRow]:
    """Return the organisation's own feedstocks among ``codes``."""
    rows = session.exec(
        select(FeedstockRow).where(
            col(FeedstockRow.organisation_id) == organisation_id, col(FeedstockRow.code).in_(codes)
        )
    ).all()
    return {row.code: row for row in rows}


def analyses_of(
    session: Session, organisation_id: int, feedstock_ids: Sequence[UUID]
) -> dict[UUID, list[AnalysisRow]]:
    """Return the analyses of some feedstocks, newest first."""
    rows = session.exec(
        select(AnalysisRow)
        .where(
            col(AnalysisRow.organisation_id) == organisation_id,
            col(AnalysisRow.feedstock_id).in_(feedstock_ids),
        )
        .order_by(col(AnalysisRow.sampled_on).desc(), col(AnalysisRow.id).desc())
    ).all()
    found: dict[UUID, list[AnalysisRow]] = {}
    for row in rows:
        found.setdefault(row.feedstock_id, []).append(row)
    return found
