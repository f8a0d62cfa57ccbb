"""What filling a record with the demo came to."""

from collections.abc import Mapping
from dataclasses import dataclass
from uuid import UUID

from service.demo.sending import Sent
from service.domain.authority import Scope


@dataclass(frozen=True)
class Counts:
    """How much was written."""

    sites: int
    piles: int
    probes: int
    events: int
    readings: Sent


@dataclass(frozen=True)
class Filled:
    """What is in the record, and a key to look at it.

    Attributes
    ----------
    organisation, organisation_id
        The demo's organisation.
    key, scopes
        A new key, shown this once.
    is_new
        False if the demo was there already and nothing was written but the key.
    sites, piles
        Ids, by the scenario's short names.
    sheets
        Paths of build sheets to print, by the label of the pile each is for.
    counts
        None unless ``is_new``.
    seconds
        How long it took [s].
    """

    organisation: str
    organisation_id: int
    key: str
    scopes: frozenset[Scope]
    is_new: bool
    sites: Mapping[str, UUID]
    piles: Mapping[str, UUID]
    sheets: Mapping[str, str]
    counts: Counts | None
    seconds: float
