"""What a verdict says, and the evidence it rests on."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from service.domain.compliance.rule import Interpretation, TextStatus

State = Literal["met", "under_way", "not_met", "cannot_judge"]
CriterionKind = Literal["process", "duty"]
LostCause = Literal[
    "below_threshold", "above_limit", "gap", "flagged", "turn_transient", "restarted_by_addition"
]
CAUTION_LEVELS: Final = ("amber", "red", "black")


@dataclass(frozen=True, slots=True)
class RuleReference:
    """Which text was applied: enough to look it up and to reproduce the verdict."""

    id: str
    title: str
    citation: str
    text_as_of: str
    text_status: TextStatus
    version: str


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
class Criterion:
    """One thing the rule asks and whether it is shown."""

    name: str
    kind: CriterionKind
    state: State
    detail: str


@dataclass(frozen=True, slots=True)
class TurnNotCounted:
    """A recorded turning that did not count, in UTC, and why."""

    at: datetime
    reason: str


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
        ``gap``, ``regain`` or ``turn_window``.
    at
        When, in UTC.
    position
        Where; None if it concerns the whole pile.
    detail
        In words.
    """

    what: Literal["gap", "regain", "turn_window"]
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
class Verdict:
    """Evidence against the text of one rule; never a permit.

    Attributes
    ----------
    rule, interpretation, judged_at
        What was applied, how its silences were filled, and up to when readings were looked at.
    state
        Over time, temperature, turning, initial mix and curing; the rule's other duties stand in ``criteria``.
    note
        What an inspector would still ask although the rule is met; None if nothing.
    met_at
        The first instant at which every process criterion held.
    held_h, held_days
        Heat counted in the period shown [h], [d]; days are calendar days where the rule counted them.
    required_h, required_days
        Heat asked for [h], [d].
    hot_h
        All hot hours of the whole pile at that temperature, counted or not [h].
    turns_counted, turns_required, turns_not_counted
        Turnings.
    windows
        The stretches that add up to ``held_h``.
    lost
        The stretches that did not count, by position.
    criteria, duties_open
        Each thing the rule asks; the names of duties not shown.
    next
        What to do, in words.
    earliest_possible
        The earliest instant at which the rule can be met if nothing more is lost and the turnings still missing
        are made at the rule's spacing; None if it is met, cannot be met, or only a record is missing.
    at_risk, cautions
        What will be lost, and dangerous heat.
    readings_of_the_text, differences
        The state under every interpretation, and the silences that part them.
    readings_digest, excluded_by_flag
        Which readings were seen, and how many were no evidence.
    """

    rule: RuleReference
    interpretation: Interpretation
    judged_at: datetime
    state: State
    note: str | None
    met_at: datetime | None
    held_h: float
    held_days: float
    required_h: float
    required_days: float
    hot_h: float
    turns_counted: int
    turns_required: int
    turns_not_counted: tuple[TurnNotCounted, ...]
    windows: tuple[Window, ...]
    lost: tuple[Lost, ...]
    criteria: tuple[Criterion, ...]
    duties_open: tuple[str, ...]
    next: str
    earliest_possible: datetime | None
    at_risk: tuple[AtRisk, ...]
    cautions: tuple[Caution, ...]
    readings_of_the_text: Mapping[Interpretation, State]
    differences: tuple[Difference, ...]
    readings_digest: str
    excluded_by_flag: Mapping[str, int]
