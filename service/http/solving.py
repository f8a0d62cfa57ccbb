"""Solving for a mix; touches no record."""

from typing import Literal

from fastapi import APIRouter
from pydantic import Field

from service.domain.recipes import Amount, Available, Range, Solution, Targets, solve
from service.http.authority import CanRead
from service.http.mixes import EvaluationOut, MaterialIn, ingredient_of
from service.http.values import Amount as NotNegative
from service.http.values import Flag, In, Name, Number, Out, shown_as

router = APIRouter(tags=["recipes"])


class RangeIn(In):
    """From min to max; either may be left open."""

    min: Number | None = None
    max: Number | None = None


class TargetsIn(In):
    """What the mix must be."""

    carbon_nitrogen_ratio: RangeIn | None = None
    moisture_pct: RangeIn | None = None
    free_air_space_pct: RangeIn | None = None
    bulk_density_kg_m3: RangeIn | None = None


class AmountIn(In):
    """How much to make: a loose volume, a mass, or the mass of one of the ingredients."""

    volume_m3: NotNegative | None = None
    mass_kg: NotNegative | None = None
    of: Name | None = None


class AvailableIn(MaterialIn):
    """A material at hand."""

    min_kg: NotNegative | None = None
    max_kg: NotNegative | None = None
    cost_per_kg: Number | None = None


class SolveIn(In):
    """Materials at hand, targets and an amount."""

    model_config = shown_as(
        {
            "ingredients": [
                {"feedstock": "horse-manure"},
                {"feedstock": "leaves-compacted-moist", "max_kg": 400},
            ],
            "targets": {
                "carbon_nitrogen_ratio": {"min": 30, "max": 40},
                "moisture_pct": {"min": 50, "max": 65},
            },
            "amount": {"volume_m3": 1.5},
            "allow_water": True,
        }
    )

    ingredients: list[AvailableIn] = Field(min_length=1, max_length=100)
    targets: TargetsIn
    amount: AmountIn
    allow_water: Flag = False


class ConflictOut(Out):
    """A target or stock limit that takes part in the contradiction."""

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
    reached: float | None
    needed: float | None


class NearestMixOut(Out):
    """The mix of least relative violation."""

    recipe: EvaluationOut
    water_l: float
    violations: list[ViolationOut]


class SolutionOut(Out):
    """The mix that meets the targets; or why none does, and the nearest."""

    state: Literal["solved", "infeasible"]
    recipe: EvaluationOut | None
    water_l: float | None
    cost: float | None
    objective: str
    conflicts: list[ConflictOut]
    nearest: NearestMixOut | None


@router.post("/recipes/solve", response_model=SolutionOut)
def solve_recipe(body: SolveIn, caller: CanRead) -> Solution:  # noqa: ARG001 - the key is what is checked
    """Find amounts that meet targets, or say why there are none."""
    available = [
        Available(
            ingredient_of(one, f"/ingredients/{place}"),
            min_kg=one.min_kg,
            max_kg=one.max_kg,
            cost_per_kg=one.cost_per_kg,
        )
        for place, one in enumerate(body.ingredients)
    ]
    targets = Targets(
        **{
            name: None if asked is None else Range(asked.min, asked.max)
            for name in TargetsIn.model_fields
            for asked in [getattr(body.targets, name)]
        }
    )
    amount = Amount(volume_m3=body.amount.volume_m3, mass_kg=body.amount.mass_kg, of=body.amount.of)
    return solve(available, targets, amount, allow_water=body.allow_water)
