"""Organisations: made with their keys from the command line, as the steward; changed by their own keys."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID

from sqlmodel import Session

from service.domain.authority import Caller, Scope
from service.domain.errors import NotFound
from service.operations import keys
from service.operations.keys import NewKey
from service.storage import keys as stored
from service.storage.database import Database
from service.storage.tables import ApiKeyRow, OrganisationRow

NOBODY = 0
"""No organisation has this number: a transaction inside it sees the steward's table only."""


def id_of(steward: Database, name: str) -> int:
    """Return an organisation's number.

    Raises
    ------
    NotFound
        There is none of this name.
    """
    with steward.begin(NOBODY) as session:
        row = stored.organisation_named(session, name)
        if row is None or row.organisation_id is None:
            raise NotFound(f"no organisation is called {name!r}; 'heapledger key create' makes one")
        return row.organisation_id


def ensure(steward: Database, name: str) -> int:
    """Return an organisation's number, making the organisation if it is new."""
    with steward.begin(NOBODY) as session:
        row = stored.organisation_named(session, name)
        if row is None:
            row = OrganisationRow(name=name)
            session.add(row)
            session.flush()
        assert row.organisation_id is not None
        return row.organisation_id


def create_key(
    steward: Database, organisation: str, *, name: str, scopes: frozenset[Scope], site_id: UUID | None = None
) -> NewKey:
    """Make a key of an organisation, and the organisation if it is new."""
    organisation_id = ensure(steward, organisation)
    with steward.begin(organisation_id) as session:
        return keys.create_key(session, organisation_id, name=name, scopes=scopes, site_id=site_id)


def list_keys(steward: Database, organisation: str) -> list[ApiKeyRow]:
    """Return every key of an organisation, oldest first."""
    organisation_id = id_of(steward, organisation)
    with steward.begin(organisation_id) as session:
        return stored.keys_of(session, organisation_id)


def revoke_key(steward: Database, organisation: str, prefix: str, *, now: datetime) -> None:
    """Revoke a key by its prefix.

    Raises
    ------
    NotFound
        The organisation has no such key.
    """
    organisation_id = id_of(steward, organisation)
    with steward.begin(organisation_id) as session:
        row = stored.by_prefix(session, organisation_id, prefix)
        if row is None:
            raise NotFound(
                f"{organisation} has no key with prefix {prefix!r}; 'heapledger key list' shows them"
            )
        row.revoked_at = row.revoked_at or now


def own(session: Session, caller: Caller) -> OrganisationRow:
    """Return the caller's own organisation."""
    return session.get_one(OrganisationRow, caller.organisation_id)


def change(session: Session, caller: Caller, changes: Mapping[str, Any]) -> OrganisationRow:
    """Change the caller's own organisation.

    Raises
    ------
    NotAllowed
        The key is for one site: what it would change holds for all of them.
    """
    caller.must_be_organisation_wide("settings of the organisation")
    row = own(session, caller)
    for name, value in changes.items():
        setattr(row, name, value)
    session.flush()
    return row
