"""What a verdict points at: stretches and instants of a record, and readings looked at otherwise than recorded."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from service.domain.compliance.rule import Interpretation

LostCause = Literal[
    "below_threshold", "above_limit", "gap", "flagged", "turn_transient", "restarted_by_addition"
]
CORRECTION: Final = "correction"
"""Cause of an exclusion that a person recorded."""


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch in which heat counted, in UTC."""

    from_: datetime
    to: datetime


@dataclass(frozen=True, slots=True)
class Lost:
    """A stretch that did not count.

    Attributes
    ----------
    from_, to
        In UTC; ``to`` is the last evidence where the stretch is still open.
    cause
        Why.
    position
        Where; None if it concerns the whole pile.
    detail
        In words, with the figure seen.
    """

    from_: datetime
    to: datetime
    cause: LostCause
    position: str | None
    detail: str


@dataclass(frozen=True, slots=True)
class TurnNotCounted:
    """A recorded turning that did not count, in UTC, and why."""

    at: datetime
    reason: str


@dataclass(frozen=True, slots=True)
class SuspectedTurn:
    """A turning the curves look like and nobody recorded; it counts for nothing.

    Attributes
    ----------
    at
        Last reading before the fall, in UTC.
    positions
        Where it was seen.
    fall_c
        The least of the falls seen [Cel].
    detail
        In words, with what to do.
    """

    at: datetime
    positions: tuple[str, ...]
    fall_c: float
    detail: str


@dataclass(frozen=True, slots=True)
class Difference:
    """A silence of the text on which two interpretations part.

    Attributes
    ----------
    amb, question
        The ambiguity.
    answers
        How each interpretation answers it.
    """

    amb: str
    question: str
    answers: Mapping[Interpretation, str]


@dataclass(frozen=True, slots=True)
class AtRisk:
    """Something that will be lost at a known instant unless it is done before.

    Attributes
    ----------
    what
        ``gap``, ``regain``, ``recovery`` or ``turn_window``.
    at
        When, in UTC.
    position
        Where; None if it concerns the whole pile.
    detail
        In words.
    """

    what: Literal["gap", "regain", "recovery", "turn_window"]
    at: datetime
    position: str | None
    detail: str


@dataclass(frozen=True, slots=True)
class Caution:
    """Dangerous heat.

    Attributes
    ----------
    level
        ``amber``, ``red`` or ``black``.
    position, observed_at, temperature_c
        The hottest reading of that position [Cel].
    detail
        What to do; local fire rules come first.
    """

    level: Literal["amber", "red", "black"]
    position: str
    observed_at: datetime
    temperature_c: float
    detail: str


@dataclass(frozen=True, slots=True)
class Excluded:
    """Readings that were looked at and are no evidence.

    Attributes
    ----------
    position
        Where.
    cause
        ``missing``, ``fail``, the name of a test, or ``correction``; the first that holds, so each reading stands
        in one place.
    count, first, last
        How many, and the instants of the first and the last, in UTC.
    correction
        The entry that excluded them, where the cause is one.
    """

    position: str
    cause: str
    count: int
    first: datetime
    last: datetime
    correction: str | None = None


@dataclass(frozen=True, slots=True)
class CorrectionHeld:
    """A person's entry under which readings were looked at otherwise than recorded; what excludes is excluded.

    Attributes
    ----------
    position, correction
        Where, and the entry.
    kind
        ``accept``, ``shift`` or ``unit``.
    count, first, last
        How many readings, and the instants of the first and the last as corrected, in UTC.
    """

    position: str
    correction: str
    kind: str
    count: int
    first: datetime
    last: datetime
