"""What a caller can change of turning patterns, and which one a code names."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller
from service.domain.errors import Conflict, Invalid
from service.domain.schedules import Pattern, kept_pattern, read_pattern, shipped_patterns
from service.operations.sites import must_be_own_site
from service.storage import patterns as stored
from service.storage import records
from service.storage.tables import OwnPatternRow

OWN: Final = "own"
"""The status of a pattern a site wrote itself."""


@dataclass(frozen=True)
class Named:
    """A pattern with its name and where it comes from."""

    code: str
    title: str
    source: str
    status: str
    pattern: Pattern


def create_pattern(session: Session, caller: Caller, values: Mapping[str, Any]) -> OwnPatternRow:
    """Write a pattern of the organisation's own, or of one of its sites.

    Raises
    ------
    Invalid
        The pattern cannot be turned by, or the site is not one of the caller's.
    Conflict
        The code is that of a pattern there is.
    """
    if values["code"] in shipped_patterns():
        raise Conflict(f"{values['code']} is a pattern this service ships; choose another code")
    _must_fit(values)
    must_be_own_site(session, caller, values["site_id"])
    return records.add(session, OwnPatternRow(organisation_id=caller.organisation_id, **values))


def pattern_of(session: Session, caller: Caller, pattern_id: UUID, *, lock: bool = False) -> OwnPatternRow:
    """Return an own pattern this caller may see.

    Raises
    ------
    NotFound
        Absent, another organisation's, or another site's than the key is for.
    """
    row = records.find(session, OwnPatternRow, caller.organisation_id, pattern_id, lock=lock)
    if row.site_id is not None:
        caller.must_reach_site(row.site_id, "pattern")
    return row


def change_pattern(
    session: Session, caller: Caller, pattern_id: UUID, version: int, changes: Mapping[str, Any]
) -> OwnPatternRow:
    """Change an own pattern under its version; piles that took it keep it as it was.

    Raises
    ------
    Invalid
        The pattern cannot be turned by.
    NotAllowed
        It is for every site and the key for one.
    """
    row = pattern_of(session, caller, pattern_id, lock=True)
    if row.site_id is None:
        caller.must_be_organisation_wide("patterns for every site")
    _must_fit(changes)
    return records.change(session, row, version, changes)


def pattern_named(session: Session, caller: Caller, code: str, site_id: UUID | None = None) -> Named:
    """Return the pattern a code names: one that is shipped, or the caller's own.

    Parameters
    ----------
    site_id
        The site it is to be used at; another site's pattern is refused.

    Raises
    ------
    Invalid
        There is no such pattern for this caller and site.
    """
    shipped = shipped_patterns().get(code)
    if shipped is not None:
        return Named(code, shipped.title, shipped.source, shipped.status, shipped.pattern)
    row = stored.own_pattern(session, caller.organisation_id, code)
    wanted = site_id or caller.site_id
    if row is None or (wanted is not None and row.site_id not in {None, wanted}):
        detail = f"'{code}' is no pattern for this site; GET /v1/schedules/patterns lists those there are"
        raise Invalid.field("/pattern_code", detail)
    return Named(row.code, row.title, row.source or OWN, OWN, read_pattern(row.pattern))


def with_pattern(
    session: Session, caller: Caller, values: Mapping[str, Any], site_id: UUID
) -> dict[str, Any]:
    """Return a pile's values with the pattern that their ``pattern_code`` names in its place, as it now is.

    Raises
    ------
    Invalid
        There is no such pattern, a pattern stands beside the code, or a pattern cannot be turned by.
    """
    found = dict(values)
    code = found.pop("pattern_code", None)
    if code is not None:
        if found.get("pattern") is not None:
            raise Invalid.field("/pattern_code", f"'{code}' stands beside a pattern; leave one of them out")
        found["pattern"] = kept_pattern(pattern_named(session, caller, code, site_id).pattern)
    elif found.get("pattern") is not None:
        _must_fit(found)
    return found


def _must_fit(values: Mapping[str, Any]) -> None:
    if "pattern" in values:
        errors = read_pattern(values["pattern"]).errors("/pattern")
        if errors:
            raise Invalid(*errors)
