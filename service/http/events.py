"""What happens to a pile, as it is sent: one model for each kind of event."""

from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import Field

from service.http.values import (
    Amount,
    Code,
    FeedstockCode,
    Flag,
    In,
    Instant,
    Name,
    Note,
    Number,
    Out,
    Percent,
    Positive,
)

Height = Annotated[Number, Field(gt=0, le=20)]
Ratio = Annotated[Number, Field(gt=0, le=2000)]
HandTemperature = Annotated[Number, Field(ge=-40, le=400)]


Duties = Annotated[
    list[Code] | None,
    Field(
        min_length=1,
        max_length=20,
        description="Rule duties this entry is the record of, named as in a verdict's duties_open.",
    ),
]


class EventIn(In):
    """What every event tells."""

    at: Instant = Field(description="When it happened, at most ten minutes ahead.")
    crew: Name | None = None
    note: Note | None = None


class LoadIn(EventIn):
    """Material was put on the pile; after the build this starts every time-temperature count again."""

    kind: Literal["load"]
    feedstock: FeedstockCode | None = None
    material: Name | None = None
    mass_kg: Positive | None = None
    volume_m3: Positive | None = None


class WaterIn(EventIn):
    """Water was given."""

    kind: Literal["water"]
    volume_l: Positive | None = None


class CoverIn(EventIn):
    """The pile was covered or uncovered."""

    kind: Literal["cover"]
    covered: Flag = True
    material: Name | None = None
    thickness_cm: Amount | None = None


class TurnIn(EventIn):
    """The whole pile was turned: outside in, inside out."""

    kind: Literal["turn"]
    method: Literal["fork", "loader", "turner", "other"] | None = None
    height_m: Height | None = Field(default=None, description="How high the pile stands after the turn [m].")
    volume_m3: Positive | None = None


class MoveIn(EventIn):
    """The pile was moved to another bay, or set aside to cure."""

    kind: Literal["move"]
    bay_id: UUID | None = None
    purpose: Literal["turning", "curing", "storage"] | None = None


class MergeIn(EventIn):
    """The pile was put onto another (into_pile_id), or another onto it (with_pile_id)."""

    kind: Literal["merge"]
    with_pile_id: UUID | None = None
    into_pile_id: UUID | None = None


class SplitIn(EventIn):
    """Part of the pile became another pile."""

    kind: Literal["split"]
    into_pile_ids: list[UUID] = Field(default_factory=list, max_length=20)


class ObserveIn(EventIn):
    """What the crew saw."""

    kind: Literal["observe"]
    height_m: Height | None = None
    volume_m3: Positive | None = None
    moisture_feel: Literal["dry", "right", "wet"] | None = Field(
        default=None, description="A handful squeezed: crumbles, like a wrung-out sponge, or drips."
    )
    smell: Literal["none", "earthy", "ammonia", "sour"] | None = None
    temperature_c: HandTemperature | None = Field(
        default=None,
        description="Read by hand [Cel]. Kept as said; rules count readings of placed probes only.",
    )
    position: Name | None = Field(default=None, description="Where in the pile it was read.")
    duties: Duties = None


class SampleIn(EventIn):
    """A sample was measured."""

    kind: Literal["sample"]
    laboratory: Name | None = None
    carbon_nitrogen_ratio: Ratio | None = None
    moisture_pct: Percent | None = None
    nitrogen_pct: Percent | None = None
    phosphorus_pct: Percent | None = Field(default=None, description="The element P, % of dry matter.")
    potassium_pct: Percent | None = Field(default=None, description="The element K, % of dry matter.")
    ash_pct: Percent | None = Field(default=None, description="What is left on burning, % of dry matter.")
    bulk_density_kg_m3: Annotated[Number, Field(ge=10, le=5000)] | None = None
    ph: Annotated[Number, Field(ge=0, le=14)] | None = None
    fecal_coliform_mpn_g: Amount | None = None
    salmonella_mpn_4g: Amount | None = None
    oxygen_uptake_mmol_kg_h: Amount | None = Field(
        default=None, description="Oxygen uptake rate, per kg organic matter [mmol/(kg.h)]."
    )
    rottegrad: Annotated[Number, Field(ge=1, le=5)] | None = Field(
        default=None, description="Degree of rotting by self-heating, I to V as 1 to 5."
    )
    duties: Duties = None


class ScreenIn(EventIn):
    """The pile was screened."""

    kind: Literal["screen"]
    mesh_mm: Positive | None = None
    fines_m3: Amount | None = None
    overs_m3: Amount | None = None


class ReleaseIn(EventIn):
    """The compost was given free for use."""

    kind: Literal["release"]
    use: Note | None = None
    grade: Name | None = None


class CloseIn(EventIn):
    """The pile is used up or given up."""

    kind: Literal["close"]
    reason: Note | None = None


Happening = Annotated[
    LoadIn
    | WaterIn
    | CoverIn
    | TurnIn
    | MoveIn
    | MergeIn
    | SplitIn
    | ObserveIn
    | SampleIn
    | ScreenIn
    | ReleaseIn
    | CloseIn,
    Field(discriminator="kind"),
]


class CorrectIn(EventIn):
    """An earlier entry was wrong; it stays on record and this one says what holds instead."""

    kind: Literal["correct"]
    corrects: UUID
    reason: Note = Field(min_length=1)
    replacement: Happening | None = Field(default=None, description="What really happened; null withdraws.")


AnyEventIn = Annotated[Happening | CorrectIn, Field(discriminator="kind")]

COMMON: frozenset[str] = frozenset({"kind", "at", "crew", "note", "corrects"})


class EventOut(Out):
    """An event as it is on record."""

    id: UUID
    pile_id: UUID
    kind: str
    at: Instant
    crew: str | None
    note: str | None
    details: dict[str, Any]
    corrects: UUID | None
    recorded_at: Instant


def details_of(body: EventIn) -> dict[str, Any]:
    """Return what is particular to the kind, in JSON values, without what was left out."""
    shown = body.model_dump(mode="json", exclude_none=True)
    return {name: value for name, value in shown.items() if name not in COMMON}
