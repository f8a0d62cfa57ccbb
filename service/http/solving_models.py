"""What the solver answers, on the wire."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from service.http.mixes import EvaluationOut
from service.http.values import Out


class ConflictOut(Out):
    """A target, share, stock limit or whole measure that takes part in the contradiction."""

    target: str
    limit: Literal["min", "max", "exactly"]
    ingredient: str | None
    pointer: str = Field(description="Where the demand stands in the request.")
    reached: float | None
    needed: float | None
    because: str


class ViolationOut(Out):
    """A limit the nearest mix misses, and by how much."""

    target: str
    limit: Literal["min", "max", "exactly"]
    ingredient: str | None
    reached: float | None
    needed: float | None


class LoadOut(Out):
    """One ingredient in the crew's own measure."""

    ingredient: str
    measure: str
    count: float
    is_whole: bool = Field(description="Only full measures were asked for, so the count is a whole number.")
    measure_kg: float
    measure_l: float | None


class NearestMixOut(Out):
    """The mix of least relative violation."""

    recipe: EvaluationOut
    water_l: float
    violations: list[ViolationOut]
    loads: list[LoadOut]


class AlternativeOut(Out):
    """Another mix that meets the request, about as good as the first."""

    recipe: EvaluationOut
    water_l: float
    cost: float | None
    differs: str = Field(description="From the recipe offered first.")
    moved_kg: float = Field(
        description="What would be exchanged: half the sum of the differences of the masses."
    )
    loads: list[LoadOut]


class RoundingOut(Out):
    """What whole measures cost beside parts of them."""

    unrounded: EvaluationOut = Field(description="The mix chosen in the same way if parts could go in.")
    cost_more: float | None
    words: str


class CureOut(Out):
    """One change that makes the request solvable; it was solved again before it was told."""

    kind: Literal["relax", "raise_stock", "lower_minimum", "change_amount", "buy", "part_measures"]
    what: str = Field(description="The target, the ingredient, or what to buy.")
    limit: Literal["min", "max"] | None = Field(description="Which end of a target or share is relaxed.")
    feedstock: str | None = Field(description="Code of what to buy, when it is of the shipped library.")
    pointer: str | None = Field(description="What to change in the request; null for something to buy.")
    to: float | None = Field(description="The new value there; the mass in kg of what to buy.")
    change_pct: float = Field(description="Of the value asked, or of the mass of the mix.")
    cost: float | None = Field(description="Of the cheapest mix after it; null where a price is not known.")
    words: str


class BayFilledOut(Out):
    """The bay that is to be filled, and how its volume was taken."""

    id: UUID
    label: str
    volume_m3: float = Field(description="When filled to the mark, as on record.")
    basis: Literal["loose", "settled"]
    words: str


class SolutionOut(Out):
    """The mix that meets the targets; or why none does, the nearest, and what would cure it."""

    state: Literal["solved", "infeasible"]
    recipe: EvaluationOut | None
    water_l: float | None
    cost: float | None
    objective: str = Field(description="By what this mix was chosen among those that meet the request.")
    loads: list[LoadOut] = Field(description="The recipe in measures, for ingredients that have one.")
    rounding: RoundingOut | None
    alternatives: list[AlternativeOut]
    alternatives_note: str
    conflicts: list[ConflictOut]
    nearest: NearestMixOut | None
    cures: list[CureOut] = Field(
        description="When infeasible: with prices the cheapest mix first, else the smallest change."
    )
    bay: BayFilledOut | None = None
