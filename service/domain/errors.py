"""Every refusal the trade knows; ``http/problems.py`` alone maps them to statuses."""

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True)
class FieldError:
    """One thing wrong with one value.

    Attributes
    ----------
    pointer
        RFC 6901 pointer into the request body, for example ``/ingredients/0/moisture_pct``.
    detail
        What is wrong, naming the value and the remedy.
    """

    pointer: str
    detail: str


class DomainError(Exception):
    """A refusal; ``str(error)`` is the detail shown to the caller."""

    code: ClassVar[str] = "error"
    title: ClassVar[str] = "Refused"


class NotFound(DomainError):
    """Absent, or another organisation's."""

    code, title = "not-found", "Not found"


class Gone(DomainError):
    """It was there and will not come back: revoked, or past its time."""

    code, title = "gone", "Gone for good"


class Conflict(DomainError):
    """The state of the record forbids it."""

    code, title = "conflict", "Conflict with the present state"


class StaleVersion(DomainError):
    """``If-Match`` names a version that is no longer the present one."""

    code, title = "stale-version", "The record was changed by someone else"


class VersionRequired(DomainError):
    """A change came without ``If-Match``."""

    code, title = "version-required", "If-Match is required"


class NotAllowed(DomainError):
    """The key is good but may not do this."""

    code, title = "not-allowed", "This key may not do that"


class NotAuthenticated(DomainError):
    """No key, or one that is unknown, expired or revoked."""

    code, title = "not-authenticated", "A valid key is needed"


class Unavailable(DomainError):
    """The record cannot be reached now; nothing was written and a retry is safe."""

    code, title = "unavailable", "The record cannot be reached just now"


class NotConfigured(DomainError):
    """Not set up in this deployment; its operator can mend that."""

    code, title = "not-configured", "This deployment is not set up for that"


class StorageFull(DomainError):
    """The disk is full; nothing was written, and a retry is safe once somebody has made room."""

    code, title = "storage-full", "There is no room on the disk"


class TooLarge(DomainError):
    """More than one request may hold; halved, both halves will do."""

    code, title = "too-large", "The body is too large"


class Invalid(DomainError):
    """Values that do not fit; carries one :class:`FieldError` per value.

    Parameters
    ----------
    *errors
        What is wrong, field by field; at least one.
    """

    code, title = "invalid", "Some values do not fit"

    def __init__(self, *errors: FieldError) -> None:
        self.errors = errors
        super().__init__("; ".join(f"{e.pointer or '/'}: {e.detail}" for e in errors))

    @classmethod
    def field(cls, pointer: str, detail: str) -> "Invalid":
        """Refuse a single value."""
        return cls(FieldError(pointer, detail))
