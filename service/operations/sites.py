"""What a caller can change of sites and bays."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Invalid, NotFound
from service.storage import records
from service.storage.tables import BayRow, SiteRow


def create_site(session: Session, caller: Caller, values: Mapping[str, Any]) -> SiteRow:
    """Register a site of the caller's organisation."""
    caller.must_be_organisation_wide("new sites")
    return records.add(session, SiteRow(organisation_id=caller.organisation_id, **values))


def site_of(session: Session, caller: Caller, site_id: UUID, *, lock: bool = False) -> SiteRow:
    """Return a site this caller may touch.

    Raises
    ------
    NotFound
        Absent, another organisation's, or not the one site the key is for.
    """
    caller.must_reach_site(site_id, "site")
    return records.find(session, SiteRow, caller.organisation_id, site_id, lock=lock)


def change_site(
    session: Session, caller: Caller, site_id: UUID, version: int, changes: Mapping[str, Any]
) -> SiteRow:
    """Change a site under its version."""
    return records.change(session, site_of(session, caller, site_id, lock=True), version, changes)


def create_bay(session: Session, caller: Caller, site_id: UUID, values: Mapping[str, Any]) -> BayRow:
    """Register a bay of a site."""
    site = site_of(session, caller, site_id)
    return records.add(session, BayRow(organisation_id=caller.organisation_id, site_id=site.id, **values))


def bay_of(session: Session, caller: Caller, site_id: UUID, bay_id: UUID, *, lock: bool = False) -> BayRow:
    """Return a bay of a site this caller may touch.

    Raises
    ------
    NotFound
        No such bay at that site.
    """
    caller.must_reach_site(site_id, "site")
    bay = records.find(session, BayRow, caller.organisation_id, bay_id, lock=lock)
    if bay.site_id != site_id:
        raise NotFound("no bay with this id at this site")
    return bay


def change_bay(
    session: Session, caller: Caller, site_id: UUID, bay_id: UUID, version: int, changes: Mapping[str, Any]
) -> BayRow:
    """Change a bay under its version."""
    return records.change(session, bay_of(session, caller, site_id, bay_id, lock=True), version, changes)


def must_be_own_site(session: Session, caller: Caller, site_id: UUID | None) -> None:
    """Refuse a body that names a site the caller has not got.

    Raises
    ------
    Invalid
        No such site, or the key is limited to a site and the body names another or none.
    """
    if site_id is None:
        if caller.site_id is not None:
            raise Invalid.field("/site_id", "this key is for one site; name that site")
        return
    try:
        site_of(session, caller, site_id)
    except NotFound as error:
        raise Invalid.field("/site_id", f"no site with id {site_id}; register it first") from error
