"""Turning patterns an organisation or one of its sites wrote itself."""

from collections.abc import Sequence
from uuid import UUID

from sqlmodel import Session, col, or_, select

from service.domain.authority import Caller
from service.storage.tables import OwnPatternRow


def own_patterns(session: Session, caller: Caller, site_id: UUID | None = None) -> Sequence[OwnPatternRow]:
    """Return the own patterns a key may see, by code; of one site those that are for it or for every site."""
    statement = select(OwnPatternRow).where(col(OwnPatternRow.organisation_id) == caller.organisation_id)
    for wanted in (caller.site_id, site_id):
        if wanted is not None:
            at = col(OwnPatternRow.site_id)
            statement = statement.where(or_(at.is_(None), at == wanted))
    return session.exec(statement.order_by(col(OwnPatternRow.code))).all()


def own_pattern(session: Session, organisation_id: int, code: str) -> OwnPatternRow | None:
    """Return an organisation's own pattern by its code."""
    statement = select(OwnPatternRow).where(
        col(OwnPatternRow.organisation_id) == organisation_id, col(OwnPatternRow.code) == code
    )
    return session.exec(statement).one_or_none()
