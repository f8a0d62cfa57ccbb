"""The log of what was taken in: appended after the commit, proved to whoever asks."""

import base64
from typing import Any, Final

from sqlmodel import Session

from service.domain.errors import Invalid, NotFound
from service.domain.log import merkle
from service.domain.log.checkpoint import Checkpoint
from service.domain.log.seals import read_seal
from service.operations.log_entries import leaf_of
from service.operations.signing import Signer
from service.storage import log as stored
from service.storage.log_evidence import (
    serials_of,
)

MOST_AT_ONCE: Final = 1000
"""Leaves appended in one transaction."""
Document = dict[str, Any]


def append_due(
    session: Session, organisation_id: int, *, everything: bool = False, most: int = MOST_AT_ONCE
) -> int:
    """Append a leaf for each row on record that has none, earliest first, at most so many; return how many.

    Safe to run twice and beside itself: who comes second waits, and finds nothing left. What commits while it runs is
    found by the next run.

    Parameters
    ----------
    everything
        Look at all there is on record rather than at what is recent.
    """
    stored.lock(session, organisation_id)
    rows = stored.due(session, organisation_id, everything=everything, most=most)
    if not rows:
        return 0
    seals = [read_seal(bytes(one.row["seal"])) for one in rows if one.kind in {"batch", "adoption"}]
    serials = serials_of(session, organisation_id, [s.probe for seal in seals for s in seal.series])
    size = stored.size_of(session, organisation_id)
    stored.append(session, organisation_id, size, [leaf_of(one, serials) for one in rows])
    return len(rows)


def checkpoint(
    session: Session, organisation_id: int, signer: Signer | None, *, size: int | None = None
) -> str:
    """Return the log's checkpoint at its present size, or at one it had; unsigned where there is no key."""
    if size is None:
        size = stored.size_of(session, organisation_id)
    head = stored.root_of(session, organisation_id, size)
    if signer is None:
        return Checkpoint(f"unsigned/{organisation_id}", size, head).text()
    return signer.sign(organisation_id, size, head)


def inclusion(session: Session, organisation_id: int, leaf: int, size: int | None) -> Document:
    """Return a leaf with the path that proves it to be in the log at some size, by default the present.

    Raises
    ------
    NotFound
        The log has no such leaf.
    Invalid
        The log was never of that size, or the leaf is not yet in it then.
    """
    now = stored.size_of(session, organisation_id)
    size = now if size is None else size
    found = stored.leaf_at(session, organisation_id, leaf)
    if found is None:
        raise NotFound(f"no leaf {leaf} in a log of {now}; the first is 0")
    if not leaf < size <= now:
        raise Invalid.field("/size", f"must lie above the leaf, {leaf}, and not above the log's size, {now}")
    path = stored.range_hashes(session, organisation_id, merkle.inclusion_ranges(leaf, size))
    entry_hash = merkle.leaf_hash(found.entry.encode())
    return {
        "leaf": leaf,
        "size": size,
        "entry": found.entry,
        "hash": in_base64(entry_hash),
        "path": [in_base64(one) for one in path],
    }


def consistency(session: Session, organisation_id: int, old: int, size: int | None) -> Document:
    """Return the path that proves a log to have grown from one size to another, and to hold what it held.

    Raises
    ------
    Invalid
        The log was never of those sizes, or the first is not the smaller.
    """
    now = stored.size_of(session, organisation_id)
    size = now if size is None else size
    if not 0 < old <= now:
        raise Invalid.field("/from", f"must lie from 1 to the log's size, {now}, and is {old}")
    if not old <= size <= now:
        raise Invalid.field("/to", f"must lie from 'from', {old}, to the log's size, {now}, and is {size}")
    path = stored.range_hashes(session, organisation_id, merkle.consistency_ranges(old, size))
    return {"from": old, "to": size, "path": [in_base64(one) for one in path]}


def in_base64(raw: bytes) -> str:
    """Return bytes as the documents of the log write them."""
    return base64.b64encode(raw).decode()
