"""What a verdict says, and the evidence it rests on."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from service.domain.compliance.findings import (
    AtRisk,
    Caution,
    CorrectionHeld,
    Difference,
    Excluded,
    Lost,
    SuspectedTurn,
    TurnNotCounted,
    Window,
)
from service.domain.compliance.rule import Interpretation, TextStatus

State = Literal["met", "under_way", "not_met", "cannot_judge"]
CriterionKind = Literal["process", "duty"]
ORDER: Final[tuple[State, ...]] = ("not_met", "under_way", "cannot_judge", "met")
"""Of parts that are all asked the first that occurs decides."""
BEST: Final[Mapping[State, int]] = {"met": 0, "cannot_judge": 1, "under_way": 2, "not_met": 3}
"""Of alternatives the best one decides."""


def worst(states: Iterable[State]) -> State:
    """Return the state of parts that are all asked; met if there are none."""
    found = set(states)
    return next((state for state in ORDER if state in found), "met")


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
class Criterion:
    """One thing the rule asks and whether it is shown.

    Attributes
    ----------
    name, kind, state, detail
        What is asked, whether it decides the state of the rule, and what was seen.
    needed
        What would meet it; empty if it is met.
    progress
        Share of the heat or the turnings shown, at most 1; None where there is no share.
    windows, lost
        Of a hold other than the one the verdict shows as its own.
    """

    name: str
    kind: CriterionKind
    state: State
    detail: str
    needed: str = ""
    progress: float | None = None
    windows: tuple[Window, ...] = ()
    lost: tuple[Lost, ...] = ()


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
        All hot hours of the whole pile at that temperature, counted or not [h]; None, like the four before it, if the
        rule asks for no heat.
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
        Which readings were seen, and how many a flag or a test kept out of the evidence.
    excluded, corrections
        Which readings are no evidence and why, and the entries of persons under which others were looked at.
    suspected_turns
        Turnings that the curves look like and nobody recorded.
    follows
        Of a merged pile, the part whose history is the least advanced and governs; None if there is only one.
    """

    rule: RuleReference
    interpretation: Interpretation
    judged_at: datetime
    state: State
    note: str | None
    met_at: datetime | None
    held_h: float | None
    held_days: float | None
    required_h: float | None
    required_days: float | None
    hot_h: float | None
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
    excluded: tuple[Excluded, ...]
    corrections: tuple[CorrectionHeld, ...]
    suspected_turns: tuple[SuspectedTurn, ...] = ()
    follows: str | None = None
