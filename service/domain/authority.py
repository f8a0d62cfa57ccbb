"""Who asks, and what they may touch."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from uuid import UUID

from service.domain.errors import NotAllowed, NotFound


class Scope(StrEnum):
    """What a key may do."""

    READ = "read"
    WRITE = "write"
    INGEST = "ingest"
    ADMIN = "admin"


@dataclass(frozen=True)
class Speaker:
    """The gateway a key belongs to.

    Attributes
    ----------
    serials
        The probes it may speak for; empty means any that its site allows.
    aliases
        Names its packs use, each with the ``probe/quantity`` it stands for.
    """

    id: UUID
    name: str
    serials: frozenset[str] = frozenset()
    aliases: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Caller:
    """The bearer of a key: one organisation, optionally one site, optionally one gateway.

    ``credential_id`` is the key's, or the gateway's own where a broker has vouched for it.
    """

    organisation_id: int
    credential_id: UUID
    scopes: frozenset[Scope]
    site_id: UUID | None = None
    gateway: Speaker | None = None

    def must_reach_site(self, site_id: UUID | None, thing: str) -> None:
        """Refuse a site this key is not for, in the same words as a thing that is absent.

        Raises
        ------
        NotFound
            The key is limited to another site.
        """
        if self.site_id is not None and site_id != self.site_id:
            raise NotFound(f"no {thing} with this id")

    def must_be_organisation_wide(self, thing: str) -> None:
        """Refuse a site-limited key where the whole organisation is concerned.

        Raises
        ------
        NotAllowed
            The key is limited to one site.
        """
        if self.site_id is not None:
            raise NotAllowed(
                f"{thing} belong to the whole organisation; use a key that is not limited to one site"
            )
