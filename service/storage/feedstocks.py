"""Feedstocks and analyses, listed and found by code."""

from collections.abc import Sequence
from datetime import date
from typing import Final
from uuid import UUID

from sqlalchemy import func, or_, true
from sqlalchemy.dialects.postgresql import distinct_on
from sqlalchemy.orm import aliased
from sqlmodel import Session, col, select

from service.domain.recipes.feedstock import FIGURES
from service.storage.records import Page, page
from service.storage.tables import AnalysisRow, FeedstockRow

# made once: an alias and its columns cost a millisecond each time
_WITHDRAWAL: Final = aliased(AnalysisRow)
_SAME_FIGURES: Final = (
    col(AnalysisRow.feedstock_id),
    col(AnalysisRow.site_id),
    *(col(getattr(AnalysisRow, name)).is_(None) for name in FIGURES),
)
_NEWEST_FIRST: Final = (col(AnalysisRow.sampled_on).desc(), col(AnalysisRow.id).desc())


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
    """Return the organisation's own feedstocks among ``codes``, whichever site has them."""
    rows = session.exec(
        select(FeedstockRow).where(
            col(FeedstockRow.organisation_id) == organisation_id, col(FeedstockRow.code).in_(codes)
        )
    ).all()
    return {row.code: row for row in rows}


def analysis_of(
    session: Session, organisation_id: int, feedstock_id: UUID, analysis_id: UUID
) -> AnalysisRow | None:
    """Return an analysis of a feedstock by its id."""
    return session.exec(
        select(AnalysisRow).where(
            col(AnalysisRow.organisation_id) == organisation_id,
            col(AnalysisRow.feedstock_id) == feedstock_id,
            col(AnalysisRow.id) == analysis_id,
        )
    ).one_or_none()


def withdrawn_among(
    session: Session, organisation_id: int, analysis_ids: Sequence[UUID]
) -> dict[UUID, AnalysisRow]:
    """Return the entry that withdraws it, by analysis, for those of ``analysis_ids`` that were withdrawn."""
    rows = session.exec(
        select(AnalysisRow).where(
            col(AnalysisRow.organisation_id) == organisation_id, col(AnalysisRow.withdraws).in_(analysis_ids)
        )
    ).all()
    return {row.withdraws: row for row in rows if row.withdraws is not None}


def valid_analyses(
    session: Session,
    organisation_id: int,
    feedstock_ids: Sequence[UUID],
    *,
    site_id: UUID | None,
    on: date | None,
) -> dict[UUID, list[AnalysisRow]]:
    """Return the analyses that may be in force on a day, the one that wins last; today when no day is named.

    Of those that measured the same figures at the same place only the newest is read: it hides the older ones whole,
    so a material dried every week for years costs no more than one dried once.
    """
    rows = session.exec(
        select(AnalysisRow)
        .where(
            col(AnalysisRow.organisation_id) == organisation_id,
            col(AnalysisRow.feedstock_id).in_(feedstock_ids),
            col(AnalysisRow.kind) != "withdraw",
            true() if on is None else col(AnalysisRow.sampled_on) <= on,
            or_(
                col(AnalysisRow.valid_until).is_(None),
                col(AnalysisRow.valid_until) >= (func.current_date() if on is None else on),
            ),
            or_(col(AnalysisRow.site_id).is_(None), col(AnalysisRow.site_id) == site_id),
            ~select(_WITHDRAWAL)
            .where(
                col(_WITHDRAWAL.organisation_id) == organisation_id,
                col(_WITHDRAWAL.feedstock_id) == col(AnalysisRow.feedstock_id),
                col(_WITHDRAWAL.withdraws) == col(AnalysisRow.id),
            )
            .exists(),
        )
        .ext(distinct_on(*_SAME_FIGURES))
        .order_by(*_SAME_FIGURES, *_NEWEST_FIRST)
    ).all()
    found: dict[UUID, list[AnalysisRow]] = {}
    for row in sorted(rows, key=lambda one: (one.site_id is not None, one.sampled_on, one.id)):
        found.setdefault(row.feedstock_id, []).append(row)
    return found
