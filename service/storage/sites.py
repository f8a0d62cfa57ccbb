"""Sites and bays, listed."""

from uuid import UUID
from zoneinfo import ZoneInfo

from sqlmodel import Session, col, select

from service.domain.authority import Caller
from service.storage.records import Page, page
from service.storage.tables import BayRow, SiteRow


def sites_page(session: Session, caller: Caller, *, limit: int, after: str | None) -> Page[SiteRow]:
    """Return the sites a key may see."""
    statement = select(SiteRow).where(col(SiteRow.organisation_id) == caller.organisation_id)
    if caller.site_id is not None:
        statement = statement.where(col(SiteRow.id) == caller.site_id)
    return page(session, statement, [col(SiteRow.id)], limit=limit, after=after)


def bays_page(
    session: Session, organisation_id: int, site_id: UUID, *, limit: int, after: str | None
) -> Page[BayRow]:
    """Return the bays of a site."""
    statement = select(BayRow).where(
        col(BayRow.organisation_id) == organisation_id, col(BayRow.site_id) == site_id
    )
    return page(session, statement, [col(BayRow.id)], limit=limit, after=after)


def zone_of(session: Session, organisation_id: int, site_id: UUID | None) -> ZoneInfo:
    """Return the time zone of a site, UTC without one."""
    if site_id is None:
        return ZoneInfo("UTC")
    return ZoneInfo(session.get_one(SiteRow, (organisation_id, site_id)).time_zone)


def lock_site(session: Session, organisation_id: int, site_id: UUID) -> SiteRow:
    """Return a site as it is now, locked: what concerns its whole line is done one after the other."""
    statement = select(SiteRow).where(
        col(SiteRow.organisation_id) == organisation_id, col(SiteRow.id) == site_id
    )
    locked = statement.with_for_update().execution_options(populate_existing=True)
    return session.exec(locked).one()
