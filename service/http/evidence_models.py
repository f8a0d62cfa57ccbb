"""The evidence pack on the wire."""

from typing import Any, Literal
from uuid import UUID

from pydantic import Field

from service.http.status import VolumeOut
from service.http.values import Instant, Out, QuantityLabel, UnitCode
from service.http.verdicts import State, VerdictOut

LocalTime = str
"""An instant on the site's clock with its offset, for reading; the field beside it is in UTC."""


class NamedOut(Out):
    """An organisation by its name."""

    name: str


class SiteOfPackOut(Out):
    """Where the pile stands."""

    id: UUID
    name: str
    time_zone: str
    climate: str | None


class PileOfPackOut(Out):
    """The pile: bay, build and volume."""

    id: UUID
    label: str
    bay: str | None = Field(description="Where it was built.")
    bay_kind: str | None
    bay_volume_m3: float | None
    bay_now: str | None
    built_at: Instant | None
    built_local: LocalTime | None
    design_volume_m3: float | None
    built_volume: VolumeOut | None
    stage: str
    curing_since: Instant | None
    water_added_l: float


class IngredientOfPackOut(Out):
    """An ingredient of the recipe with its figures and where each came from."""

    name: str
    feedstock: str | None
    mass_kg: float | None
    volume_m3: float | None
    moisture_pct: float | None
    nitrogen_pct: float | None
    carbon_pct: float | None
    carbon_nitrogen_ratio: float | None
    bulk_density_kg_m3: float | None
    sources: dict[str, str]


class RecipeOfPackOut(Out):
    """The recipe a pile was built to, and what it comes to."""

    id: UUID
    name: str
    ingredients: list[IngredientOfPackOut]
    moisture_pct: float | None
    carbon_nitrogen_ratio: float | None
    bulk_density_kg_m3: float | None
    free_air_space_pct: float | None


class EntryOut(Out):
    """What every entry of the log tells; a crew is named only if the site lists it as one."""

    event_id: UUID
    kind: str
    at: Instant
    local: LocalTime
    recorded_at: Instant
    crew: str | None
    corrected_by: UUID | None


class LoadOfPackOut(EntryOut):
    """Material that came onto the pile."""

    feedstock: str | None
    name: str | None
    mass_kg: float | None
    volume_m3: float | None
    source: str | None = Field(description="Where the feedstock's figures come from.")
    after_build: bool


class TurnOfPackOut(EntryOut):
    """A turn, numbered as on the curve."""

    number: int
    method: str | None
    height_m: float | None


class HappeningOut(EntryOut):
    """Anything else that happened."""

    details: dict[str, Any]


class EventCorrectionOut(Out):
    """A correction of an entry: what was recorded when, what holds instead, and why."""

    event_id: UUID
    corrects: UUID | None
    recorded_at: Instant
    reason: str | None
    was_kind: str | None
    was_at: Instant | None
    was_recorded_at: Instant | None
    is_kind: str | None
    is_at: Instant | None
    withdraws: bool
    in_force: bool


class SpanOfCorrectionOut(Out):
    """What a person said of readings of a probe; ``from`` and ``to`` are recorded time."""

    id: UUID
    serial: str
    kind: str
    quantity: QuantityLabel | None
    from_: Instant | None = Field(validation_alias="from", serialization_alias="from")
    to: Instant | None
    by_s: float | None
    unit: UnitCode | None
    withdraws: UUID | None
    reason: str
    recorded_at: Instant
    in_force: bool


class CalibrationOfPackOut(Out):
    """When a probe was last held against something known."""

    id: UUID
    calibrated_at: Instant
    method: str
    reference_c: float
    shown_c: float
    offset_c: float = Field(description="Reference less shown [Cel]; no reading is altered by it.")
    accuracy_c: float | None
    recorded_at: Instant


class PositionOut(Out):
    """A probe's stay at a position, and what it said there."""

    position: str
    serial: str
    probe_id: UUID
    depth_cm: float | None
    from_: Instant = Field(validation_alias="from", serialization_alias="from")
    to: Instant | None
    accuracy_c: float | None
    readings: int
    readings_counted: int
    not_counted: dict[str, int] = Field(description="By the test, or correction, that keeps them out.")
    first: Instant | None
    last: Instant | None
    lowest_c: float | None = Field(description="Of the readings that count [Cel].")
    highest_c: float | None = Field(description="Of the readings that count [Cel].")
    calibration: CalibrationOfPackOut | None


class SampleOfPackOut(EntryOut):
    """A sample; what was not measured is null."""

    laboratory: str | None
    carbon_nitrogen_ratio: float | None
    moisture_pct: float | None
    nitrogen_pct: float | None
    ph: float | None
    fecal_coliform_mpn_g: float | None
    salmonella_mpn_4g: float | None
    duties: list[str] | None


class FiledVerdictOut(Out):
    """A verdict on file, in short; /verdicts has each whole."""

    id: UUID
    rule: str
    rule_version: str
    interpretation: str
    state: State
    judged_at: Instant
    issued_at: Instant
    readings_digest: str
    engine_version: str
    supersedes: UUID | None
    because: str | None


class RuleOfPackOut(Out):
    """The text applied: its words, where they stand, and how well they were checked."""

    id: str
    title: str
    jurisdiction: str
    phrase: str
    citation: str
    text_source: str
    text_as_of: str
    text_status: Literal["read", "second-hand", "unverified"]
    text_status_words: str
    version: str
    asks: list[str]


class AmbiguityOut(Out):
    """A silence of the text and how each reading of it fills it."""

    amb: str
    question: str
    answers: dict[str, str]
    parts_the_readings: bool = Field(description="Whether it makes the states differ on this record.")


class UnderOut(Out):
    """The verdict in short under one reading of the text."""

    state: State
    met_at: Instant | None
    held_h: float | None
    hot_h: float | None
    turns_counted: int


class RuleCaseOut(Out):
    """A rule, what its text leaves open, and the verdict."""

    rule: RuleOfPackOut
    ambiguities: list[AmbiguityOut]
    verdict: VerdictOut
    under: dict[str, UnderOut] = Field(description="By reading of the text: inspector, literal, cumulative.")


class EvidenceOut(Out):
    """All that bears on a pile's verdicts. Evidence against a rule's text, never a permit."""

    generated_at: Instant
    engine_version: str
    statement: str
    evidence_digest: str = Field(
        description="Over everything but itself and the instants of asking: same digest, same evidence."
    )
    organisation: NamedOut
    site: SiteOfPackOut
    pile: PileOfPackOut
    recipe: RecipeOfPackOut | None
    loads: list[LoadOfPackOut]
    rules: list[RuleCaseOut]
    positions: list[PositionOut]
    turns: list[TurnOfPackOut]
    happenings: list[HappeningOut]
    event_corrections: list[EventCorrectionOut]
    reading_corrections: list[SpanOfCorrectionOut]
    samples: list[SampleOfPackOut]
    issued_verdicts: list[FiledVerdictOut]
    cautions: list[str]
    log: dict[str, Any] | None = Field(
        description="Proofs from the organisation's log; null where none is kept."
    )
