"""Keys and organisations, looked up."""

from datetime import datetime

from sqlalchemy import func, or_, update
from sqlmodel import Session, col, select
from sqlmodel.sql.expression import SelectOfScalar

from service.domain.authority import Caller
from service.storage.records import Page, page
from service.storage.tables import ApiKeyRow, GatewayRow, OrganisationRow


def by_prefix(session: Session, organisation_id: int, prefix: str) -> ApiKeyRow | None:
    """Return the key with this prefix, live or not."""
    return session.exec(
        select(ApiKeyRow).where(
            col(ApiKeyRow.organisation_id) == organisation_id, col(ApiKeyRow.prefix) == prefix
        )
    ).one_or_none()


def gateway_of_key(session: Session, key: ApiKeyRow) -> GatewayRow | None:
    """Return the gateway a key belongs to, if it belongs to one."""
    if key.gateway_id is None:
        return None
    return session.get_one(GatewayRow, (key.organisation_id, key.gateway_id))


def live_keys_of(session: Session, gateway: GatewayRow, *, now: datetime) -> list[ApiKeyRow]:
    """Return a gateway's keys that are neither revoked nor expired, oldest first."""
    expires_at = col(ApiKeyRow.expires_at)
    statement = (
        _keys_of(gateway)
        .where(col(ApiKeyRow.revoked_at).is_(None), or_(expires_at.is_(None), expires_at > now))
        .order_by(col(ApiKeyRow.created_at), col(ApiKeyRow.id))
    )
    return list(session.exec(statement).all())


def gateway_keys_page(
    session: Session, gateway: GatewayRow, *, limit: int, after: str | None
) -> Page[ApiKeyRow]:
    """Return a gateway's keys, live or not, oldest first."""
    return page(session, _keys_of(gateway), [col(ApiKeyRow.id)], limit=limit, after=after)


def keep_site(session: Session, gateway: GatewayRow) -> None:
    """Let a gateway's keys be of its site, so that the same administrators see and revoke them."""
    session.execute(
        update(ApiKeyRow)
        .where(
            col(ApiKeyRow.organisation_id) == gateway.organisation_id,
            col(ApiKeyRow.gateway_id) == gateway.id,
        )
        .values(site_id=gateway.site_id)
    )


def _keys_of(gateway: GatewayRow) -> SelectOfScalar[ApiKeyRow]:
    return select(ApiKeyRow).where(
        col(ApiKeyRow.organisation_id) == gateway.organisation_id, col(ApiKeyRow.gateway_id) == gateway.id
    )


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
