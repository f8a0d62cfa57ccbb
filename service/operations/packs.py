"""What the write path of readings takes, and what it says became of it."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final

from numpy.typing import NDArray

from service.domain.authority import Caller
from service.domain.readings import Refusal

MOST_LISTED: Final = 100
Column = list[int] | list[float] | NDArray[Any]


@dataclass(frozen=True)
class Pack:
    """The usable readings of one request, and what was refused of it.

    Attributes
    ----------
    serials
        Probe serials, one for each reading.
    quantity, observed_s, value, unit
        Columns of the same length: codes, seconds since 1970, values as recorded. Lists in a small pack (many of
        them become one array together), arrays in a large one.
    places
        Where each reading stood in the request.
    refused
        Place and reason of each reading that is not among the columns.
    lines
        Of a body made of lines: where each reading began.
    received
        How many readings the request held.
    """

    caller: Caller
    serials: Sequence[str]
    quantity: Column
    observed_s: Column
    value: Column
    unit: Column
    places: Sequence[int]
    received: int
    received_at: datetime
    sent_at: datetime | None = None
    gateway: str | None = None
    promised_silence_s: float | None = None
    refused: Sequence[tuple[int, Refusal]] = ()
    lines: Sequence[int] = ()

    def line_of(self, place: int) -> int | None:
        """Return on which line a usable reading began, in a body made of lines."""
        return self.lines[list(self.places).index(place)] if self.lines else None


@dataclass(frozen=True)
class Dispute:
    """A reading that contradicts the one in force."""

    place: int
    value_in_force: float
    unit_in_force: int


@dataclass
class Receipt:
    """What became of a request, reading by reading."""

    received: int
    stored: int = 0
    duplicate: int = 0
    held: int = 0
    disputes: list[Dispute] = field(default_factory=list)
    refused: list[tuple[int, Refusal]] = field(default_factory=list)
    disputed: int = 0
    refused_count: int = 0

    def add(self, more: "Receipt") -> None:
        """Add what became of a later part of the same body; lists stay as long as an answer shows."""
        for name in ("received", "stored", "duplicate", "held", "disputed", "refused_count"):
            setattr(self, name, getattr(self, name) + getattr(more, name))
        self.disputes += more.disputes[: max(0, MOST_LISTED - len(self.disputes))]
        self.refused += more.refused[: max(0, MOST_LISTED - len(self.refused))]


@dataclass(frozen=True)
class Adopted:
    """What became of readings that were held for a probe."""

    stored: int
    disputed: int
