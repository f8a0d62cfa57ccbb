"""What a caller can change of profiles; whether one reads its sample was found out before, outside a transaction."""

from collections.abc import Mapping
from typing import Any
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.storage import records
from service.storage.tables import ReadingProfileRow

_THING = "reading profiles"


def create_profile(session: Session, caller: Caller, values: Mapping[str, Any]) -> ReadingProfileRow:
    """Keep a profile that was found to read its sample."""
    caller.must_be_organisation_wide(_THING)
    return records.add(session, ReadingProfileRow(organisation_id=caller.organisation_id, **values))


def profile_to_change(session: Session, caller: Caller, profile_id: UUID) -> ReadingProfileRow:
    """Return a profile this caller may change."""
    caller.must_be_organisation_wide(_THING)
    return records.find(session, ReadingProfileRow, caller.organisation_id, profile_id)


def change_profile(
    session: Session, caller: Caller, profile_id: UUID, version: int, changes: Mapping[str, Any]
) -> ReadingProfileRow:
    """Change a profile under the version with which its sample was read."""
    caller.must_be_organisation_wide(_THING)
    row = records.find(session, ReadingProfileRow, caller.organisation_id, profile_id, lock=True)
    return records.change(session, row, version, changes)
