"""Keys and organisations, looked up."""

from sqlalchemy import func
from sqlmodel import Session, col, select

from service.domain.authority import Caller
from service.storage.records import Page, page
from service.storage.tables import ApiKeyRow, OrganisationRow


def by_prefix(session: Session, organisation_id: int, prefix: str) -> ApiKeyRow | None:
    """Return the key with this prefix, live or not."""
    return session.exec(
        select(ApiKeyRow).where(
            col(ApiKeyRow.organisation_id) == organisation_id, col(ApiKeyRow.prefix) == prefix
        )
    ).one_or_none()


def organisation_named(session: Session, name: str) -> OrganisationRow | None:
    """Return the organisation with this name; only the steward role sees more than its own."""
    return session.exec(
        select(OrganisationRow).where(func.lower(OrganisationRow.name) == name.lower())
    ).first()


def keys_page(session: Session, caller: Caller, *, limit: int, after: str | None) -> Page[ApiKeyRow]:
    """Return the keys a key may see."""
    statement = select(ApiKeyRow).where(col(ApiKeyRow.organisation_id) == caller.organisation_id)
    if caller.site_id is not None:
        statement = statement.where(col(ApiKeyRow.site_id) == caller.site_id)
    return page(session, statement, [col(ApiKeyRow.id)], limit=limit, after=after)


def keys_of(session: Session, organisation_id: int) -> list[ApiKeyRow]:
    """Return every key of an organisation, oldest first."""
    return list(
        session.exec(
            select(ApiKeyRow)
            .where(col(ApiKeyRow.organisation_id) == organisation_id)
            .order_by(col(ApiKeyRow.id))
        ).all()
    )
