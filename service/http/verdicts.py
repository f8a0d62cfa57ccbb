"""Verdicts on the wire."""

from typing import Any, Literal
from uuid import UUID

from pydantic import AliasChoices, Field

from service.http.values import Instant, Out

State = Literal["met", "under_way", "not_met", "cannot_judge"]
Interpretation = Literal["inspector", "literal", "cumulative"]


class RuleReferenceOut(Out):
    """Which text was applied."""

    id: str
    title: str
    citation: str
    text_as_of: str
    text_status: Literal["read", "second-hand", "unverified"]
    version: str


class WindowOut(Out):
    """A stretch in which heat counted."""

    from_: Instant = Field(validation_alias=AliasChoices("from_", "from"), serialization_alias="from")
    to: Instant


class LostOut(WindowOut):
    """A stretch that did not count, and why."""

    cause: str
    position: str | None
    detail: str


class TurnNotCountedOut(Out):
    """A recorded turn that did not count, and why."""

    at: Instant
    reason: str


class DifferenceOut(Out):
    """A silence of the text on which two interpretations part."""

    amb: str
    question: str
    answers: dict[str, str]


class AtRiskOut(Out):
    """Something that will be lost at a known instant unless it is done before."""

    what: str
    at: Instant
    position: str | None
    detail: str


class CautionOut(Out):
    """Dangerous heat."""

    level: Literal["amber", "red", "black"]
    position: str
    observed_at: Instant
    temperature_c: float
    detail: str


class ExcludedOut(Out):
    """Readings that were looked at and are no evidence; each stands under the first cause that holds."""

    position: str
    cause: str = Field(description="missing, fail, the name of a test, or correction.")
    count: int
    first: Instant
    last: Instant
    correction: UUID | None = Field(description="The entry that excluded them, where a person did.")


class CorrectionHeldOut(Out):
    """A person's entry under which readings were looked at otherwise than recorded."""

    position: str
    correction: UUID
    kind: Literal["accept", "shift", "unit"]
    count: int
    first: Instant
    last: Instant


class CriterionOut(Out):
    """One thing the rule asks; a duty is outside the verdict's state and listed beside it."""

    name: str
    kind: Literal["process", "duty"]
    state: State
    detail: str
    needed: str = Field(default="", description="What would meet it; empty if it is met.")
    progress: float | None = Field(
        default=None, description="Share shown, at most 1; null where there is none."
    )
    windows: list[WindowOut] = Field(
        default_factory=list, description="Of a hold beside the one the verdict shows."
    )
    lost: list[LostOut] = Field(
        default_factory=list, description="Of a hold beside the one the verdict shows."
    )


class SuspectedTurnOut(Out):
    """A turn the curves look like and nobody recorded; it counts for nothing until somebody records it."""

    at: Instant
    positions: list[str]
    fall_c: float
    detail: str


class VerdictOut(Out):
    """Evidence against the text of one rule, never a permit; local rules and licensed practice come first."""

    rule: RuleReferenceOut
    interpretation: Interpretation
    judged_at: Instant
    state: State
    note: str | None
    met_at: Instant | None
    held_h: float | None = Field(
        description="Null, like the other figures of heat, if the rule asks for none."
    )
    held_days: float | None
    required_h: float | None
    required_days: float | None
    hot_h: float | None
    turns_counted: int
    turns_required: int
    turns_not_counted: list[TurnNotCountedOut]
    windows: list[WindowOut]
    lost: list[LostOut]
    criteria: list[CriterionOut]
    duties_open: list[str]
    next: str
    earliest_possible: Instant | None
    at_risk: list[AtRiskOut]
    cautions: list[CautionOut]
    readings_of_the_text: dict[str, State]
    differences: list[DifferenceOut]
    readings_digest: str
    excluded_by_flag: dict[str, int]
    excluded: list[ExcludedOut] | None = Field(
        default=None, description="Null on a verdict issued before these were listed."
    )
    corrections: list[CorrectionHeldOut] | None = Field(
        default=None, description="Null on a verdict issued before these were listed."
    )
    suspected_turns: list[SuspectedTurnOut] = Field(default_factory=list)
    follows: str | None = Field(
        default=None,
        description="Of a merged pile, the part whose history is the least advanced and governs; null where there is"
        " only one.",
    )


class IssuedVerdictOut(Out):
    """A verdict as it was issued; it stays on file beside its successors."""

    id: UUID
    pile_id: UUID
    issued_at: Instant
    engine_version: str
    supersedes: UUID | None = Field(
        description="The verdict this one was issued after, on the record as it had become."
    )
    because: str | None = Field(
        description="Why: for instance that readings came in late; null on a verdict asked for."
    )
    verdict: VerdictOut = Field(validation_alias=AliasChoices("verdict", "body"))


class ReproducedDifferenceOut(Out):
    """A place in a verdict where the record now says otherwise."""

    pointer: str = Field(description="RFC 6901, into the verdict.")
    on_file: Any = Field(description="Null where it is absent.")
    now: Any = Field(description="Null where it is absent.")


class ReproductionOut(Out):
    """A verdict on file, judged again on what was on record when it was issued."""

    verdict_id: UUID
    reproduced: bool = Field(description="Whether both are the same to the byte, as canonical JSON.")
    judged_at: Instant
    issued_at: Instant
    rule_version: str
    rule_version_now: str | None = Field(
        description="Null where the version it was issued under is not held any more; then nothing was judged."
    )
    interpretation: Interpretation
    engine_version: str
    engine_version_now: str
    readings_digest: str
    readings_digest_now: str | None
    body_digest: str = Field(
        description="SHA-256 over the verdict as canonical JSON: sorted names, no blanks."
    )
    body_digest_now: str | None
    differences: list[ReproducedDifferenceOut] = Field(description="The first 100.")
    because: list[str] = Field(description="What may have made them differ; empty where they do not.")
