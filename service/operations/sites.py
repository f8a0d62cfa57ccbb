"""What a caller can change of sites and bays."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.build_sheets import Measure, refuse_bad_measures
from service.domain.errors import Conflict, Invalid, NotFound
from service.operations.calendar_starts import calendars_follow
from service.storage import records
from service.storage.site_calendars import calendar_row
from service.storage.tables import BayRow, SiteRow


def create_site(session: Session, caller: Caller, values: Mapping[str, Any]) -> SiteRow:
    """Register a site of the caller's organisation.

    Raises
    ------
    Invalid
        A measure that cannot be used.
    """
    _check_measures(values)
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
    session: Session,
    caller: Caller,
    site_id: UUID,
    version: int,
    changes: Mapping[str, Any],
    *,
    now: datetime,
) -> SiteRow:
    """Change a site under its version; calendars learn of tasks that its name, zone or days show otherwise.

    Raises
    ------
    Conflict
        Its work days or closures are those of a recorded calendar.
    """
    _check_measures(changes)
    site = site_of(session, caller, site_id, lock=True)
    _must_stay_in_step(session, site, changes)
    with calendars_follow(session, site, now=now):
        return records.change(session, site, version, changes)


def _must_stay_in_step(session: Session, site: SiteRow, changes: Mapping[str, Any]) -> None:
    changed = [
        name
        for name, present in (("work_days", site.work_days), ("closures", site.closures))
        if name in changes and sorted(changes[name] or ()) != sorted(present)
    ]
    if changed and calendar_row(session, site.organisation_id, site.id) is not None:
        raise Conflict(
            f"{' and '.join(changed)} of this site follow from its work calendar; change that with PUT"
            f" /v1/sites/{site.id}/calendar"
        )


def _check_measures(values: Mapping[str, Any]) -> None:
    refuse_bad_measures(measures_of(values.get("measures", ())))


def measures_of(kept: Sequence[Mapping[str, Any]]) -> tuple[Measure, ...]:
    """Return measures as they are kept as the domain's."""
    return tuple(Measure(**one) for one in kept)


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
