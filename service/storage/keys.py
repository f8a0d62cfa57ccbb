"""Keys and organisations, looked up."""

from sqlalchemy import func
from sqlmodel import Session, col, select

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
