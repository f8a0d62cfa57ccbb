"""What puts a pile right, on the wire."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from service.http.mixes import EvaluationOut
from service.http.outlooks import EstimateOut, UnknownOut
from service.http.values import Instant, Out

SymptomCode = Literal["too_wet", "too_dry", "cold", "ammonia", "sour", "too_hot"]


class AssumptionOut(Out):
    """Something taken for granted, with its source and how it came to us."""

    about: str
    text: str
    source: str


class PresentStateOut(Out):
    """The pile as it is taken to be now; every figure with the range over what is assumed."""

    mass_kg: EstimateOut
    dry_mass_kg: EstimateOut
    moisture_pct: EstimateOut
    moisture_from: Literal["sample", "squeeze", "estimate", "given", "symptom"]
    carbon_pct: EstimateOut | None
    nitrogen_pct: EstimateOut | None
    carbon_nitrogen_ratio: EstimateOut | None
    volume_m3: EstimateOut | None
    bulk_density_kg_m3: float | None
    gone_share: EstimateOut | None = Field(description="Of the biodegradable solids, what has gone.")
    dry_matter_lost_pct: EstimateOut | None
    structure: Literal["fine", "mixed", "straw", "wood"] = Field(description="What holds it open.")
    assumptions: list[AssumptionOut]
    unknown: list[UnknownOut]


class CauseOut(Out):
    """A likely cause, as the record bears it out."""

    code: str
    text: str
    standing: Literal["likely", "possible", "unlikely"]
    because: str
    check: str = Field(description="How to find out.")


class MeasuredOut(Out):
    """An amount in the crew's own measure."""

    measure: str
    count: float
    mass_kg: float
    volume_l: float | None
    words: str


class WateringOut(Out):
    """Water: how much in all, and how much of it at the next turn."""

    goal_pct: float
    needed_l: EstimateOut
    now_l: float = Field(
        description="Never more than soaks in, nor than the pile holds if it is as wet as may be."
    )
    later_l: float
    turns: int
    passes: int
    holds_l: float = Field(description="What it takes before water runs off, if it is as wet as may be.")
    soaks_in_l: float = Field(description="What soaks in at one turn.")
    limit_pct: float
    limit_source: str
    words: str
    in_measures: MeasuredOut | None = Field(description="Of the water at the next turn, rounded down.")


class AdditionOut(Out):
    """A material to mix in."""

    name: str
    mass_kg: float
    volume_l: float | None
    in_measures: MeasuredOut | None


class OptionOut(Out):
    """One way to do it; any one that reaches the aim will do."""

    reaches: bool
    additions: list[AdditionOut]
    water_l: float
    after: EvaluationOut = Field(
        description="The mixed pile at the best estimates; the pile is an ingredient."
    )


class PurchaseOut(Out):
    """The least to get of one material of the shipped library."""

    feedstock: str
    name: str
    mass_kg: float
    volume_l: float | None
    words: str


class LeftOutMaterialOut(Out):
    """A material in stock that is of no use here."""

    name: str
    because: str


class AdditionsOut(Out):
    """What can be mixed in."""

    options: list[OptionOut] = Field(description="The least work first.")
    purchase: PurchaseOut | None = Field(description="Where nothing in stock does.")
    left_out: list[LeftOutMaterialOut]
    words: str


class ExpectationOut(Out):
    """When to expect a change, and how to see whether it worked."""

    from_days: float | None
    to_days: float | None
    words: str
    worked: str


class RemedyOut(Out):
    """What to do at the next turn, and what else is to be known of it."""

    symptom: SymptomCode
    title: str
    doing: Literal["water", "add", "turn", "wait", "leave_shut"]
    because: str
    is_within_range: bool = Field(
        description="The figure it is about is where it should be; nothing is added."
    )
    state: PresentStateOut
    causes: list[CauseOut] = Field(description="The likeliest first.")
    check_first: list[str]
    steps: list[str]
    watering: WateringOut | None
    additions: AdditionsOut | None
    adds_material: bool
    restarts: str = Field(description="What it means for a rule's count of heat.")
    wrong: list[str] = Field(description="What would be wrong to do.")
    cautions: list[str]
    expect: ExpectationOut
    source: str


class CountOut(Out):
    """What fresh material now would cost a rule's count, judged as if it had come on now."""

    rule: str
    state: str
    held_days: float | None
    required_days: float | None
    state_after: str
    held_days_after: float | None
    words: str


class PileRemedyOut(RemedyOut):
    """A remedy from the record of a pile."""

    pile_id: UUID
    label: str
    now: Instant
    stage: Literal["planned", "filling", "hot", "curing", "ready", "closed"]
    basis: list[str] = Field(description="What the present state is reckoned from.")
    counts: list[CountOut] = Field(description="Of the pile's rules; empty where nothing is mixed in.")
