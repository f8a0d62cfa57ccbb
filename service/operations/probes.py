"""What a caller can change of probes and placements."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Invalid, NotFound
from service.operations import sites
from service.operations.packs import Adopted
from service.operations.readings import adopt_held
from service.operations.reopening import reopen
from service.storage import records
from service.storage.tables import PileRow, PlacementRow, ProbeRow


def register_probe(session: Session, caller: Caller, values: Mapping[str, Any]) -> tuple[ProbeRow, Adopted]:
    """Register a probe and adopt the readings that were held for its serial.

    No verdict is reopened: they belong to no pile before the probe is placed, and placing it asks for that.
    """
    sites.must_be_own_site(session, caller, values.get("site_id"))
    row = records.add(session, ProbeRow(organisation_id=caller.organisation_id, **values))
    return row, adopt_held(session, caller.organisation_id, row)


def probe_of(session: Session, caller: Caller, probe_id: UUID, *, lock: bool = False) -> ProbeRow:
    """Return a probe this caller may touch."""
    row = records.find(session, ProbeRow, caller.organisation_id, probe_id, lock=lock)
    caller.must_reach_site(row.site_id, "probe")
    return row


def change_probe(
    session: Session, caller: Caller, probe_id: UUID, version: int, changes: Mapping[str, Any]
) -> ProbeRow:
    """Change a probe under its version."""
    row = probe_of(session, caller, probe_id, lock=True)
    if "site_id" in changes:
        sites.must_be_own_site(session, caller, changes["site_id"])
    return records.change(session, row, version, changes)


def place(session: Session, caller: Caller, probe_id: UUID, values: Mapping[str, Any]) -> PlacementRow:
    """Record a probe's stay in a pile; the record refuses two places at once.

    Raises
    ------
    Invalid
        The pile is not one of the caller's, or the stay ends before it starts.
    """
    probe = probe_of(session, caller, probe_id, lock=True)
    try:
        pile = records.find(session, PileRow, caller.organisation_id, values["pile_id"])
        caller.must_reach_site(pile.site_id, "pile")
    except NotFound as error:
        raise Invalid.field("/pile_id", f"no pile with id {values['pile_id']}; register it first") from error
    _must_end_after_start(values["since"], values.get("until"))
    row = records.add(
        session, PlacementRow(organisation_id=caller.organisation_id, probe_id=probe.id, **values)
    )
    reopen(session, caller.organisation_id, row.since)
    return row


def placement_of(
    session: Session, caller: Caller, probe_id: UUID, placement_id: UUID, *, lock: bool = False
) -> PlacementRow:
    """Return a placement of a probe this caller may touch."""
    probe_of(session, caller, probe_id)
    row = records.find(session, PlacementRow, caller.organisation_id, placement_id, lock=lock)
    if row.probe_id != probe_id:
        raise NotFound("no placement with this id of this probe")
    return row


def change_placement(
    session: Session,
    caller: Caller,
    probe_id: UUID,
    placement_id: UUID,
    version: int,
    changes: Mapping[str, Any],
) -> PlacementRow:
    """Change a placement under its version."""
    row = placement_of(session, caller, probe_id, placement_id, lock=True)
    _must_end_after_start(row.since, changes.get("until"))
    since_was = row.since
    changed = records.change(session, row, version, changes)
    reopen(session, caller.organisation_id, min(since_was, changed.since))
    return changed


def _must_end_after_start(since: Any, until: Any) -> None:  # noqa: ANN401 - instants out of a mapping
    if until is not None and until <= since:
        raise Invalid.field("/to", "must be later than 'from'; leave it out while the probe still sits there")
