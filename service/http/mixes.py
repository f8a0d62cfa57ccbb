"""Evaluating and solving a mix; touches no record."""

from dataclasses import replace
from typing import Literal

from fastapi import APIRouter
from pydantic import Field

from service.domain.errors import Invalid
from service.domain.recipes import (
    Amount,
    Available,
    Evaluation,
    Ingredient,
    Range,
    Solution,
    Targets,
    evaluate,
    find,
    overlay,
    solve,
)
from service.http.authority import CanRead
from service.http.feedstocks import FiguresIn
from service.http.values import Amount as NotNegative
from service.http.values import FeedstockCode, Flag, In, Name, Number, Out, shown_as

router = APIRouter(tags=["recipes"])


class MaterialIn(FiguresIn):
    """A material, by figures of its own or by a feedstock's code; figures given win over the feedstock's."""

    name: Name | None = None
    feedstock: FeedstockCode | None = Field(default=None, description="A code of the shipped library.")


class IngredientIn(MaterialIn):
    """A material and how much of it: a mass, or a loose volume with its bulk density."""

    mass_kg: NotNegative | None = None
    volume_m3: NotNegative | None = None


class EvaluateIn(In):
    """A mix."""

    model_config = shown_as(
        {
            "ingredients": [
                {
                    "name": "grass clippings",
                    "mass_kg": 10,
                    "moisture_pct": 77,
                    "nitrogen_pct": 2.4,
                    "carbon_pct": 45,
                    "bulk_density_kg_m3": 240,
                },
                {"feedstock": "leaves", "mass_kg": 6.8},
            ]
        }
    )

    ingredients: list[IngredientIn] = Field(min_length=1, max_length=100)


class PortionOut(Out):
    """One ingredient as it went into the mix, with the figures used."""

    name: str
    mass_kg: float
    volume_m3: float | None
    share_of_mass_pct: float
    moisture_pct: float | None
    nitrogen_pct: float | None
    carbon_pct: float | None
    carbon_nitrogen_ratio: float | None
    bulk_density_kg_m3: float | None
    category: str | None


class MissingOut(Out):
    """A figure that an ingredient lacks, and what stays unknown for want of it."""

    ingredient: str
    figure: str
    needed_for: list[str]


class AdviceOut(Out):
    """One thing to know or to do, with the range and its source."""

    about: str
    is_fine: bool
    text: str


class EvaluationOut(Out):
    """What is known of a mix; null is unknown, never 0."""

    mass_kg: float
    dry_mass_kg: float | None
    moisture_pct: float | None
    nitrogen_kg: float | None
    carbon_kg: float | None
    nitrogen_pct: float | None
    carbon_nitrogen_ratio: float | None
    volume_m3: float | None
    bulk_density_kg_m3: float | None
    free_air_space_pct: float | None
    ingredients: list[PortionOut]
    missing: list[MissingOut]
    advice: list[AdviceOut]


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


@router.post("/recipes/evaluate", response_model=EvaluationOut)
def evaluate_recipe(body: EvaluateIn, caller: CanRead) -> Evaluation:  # noqa: ARG001 - the key is what is checked
    """Evaluate a mix."""
    return evaluate(
        [
            _ingredient(one, f"/ingredients/{place}", mass_kg=one.mass_kg, volume_m3=one.volume_m3)
            for place, one in enumerate(body.ingredients)
        ]
    )


@router.post("/recipes/solve", response_model=SolutionOut)
def solve_recipe(body: SolveIn, caller: CanRead) -> Solution:  # noqa: ARG001 - the key is what is checked
    """Find amounts that meet targets, or say why there are none."""
    available = [
        Available(
            _ingredient(one, f"/ingredients/{place}"),
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


def _ingredient(
    one: MaterialIn, pointer: str, *, mass_kg: float | None = None, volume_m3: float | None = None
) -> Ingredient:
    """Return a material with the library's figures under its own."""
    given = {name: getattr(one, name) for name in FiguresIn.model_fields}
    if one.feedstock is not None:
        shipped = find(one.feedstock, f"{pointer}/feedstock").ingredient(mass_kg=mass_kg, volume_m3=volume_m3)
        return replace(overlay(shipped, **given), name=one.name or shipped.name)
    if one.name is None:
        raise Invalid.field(f"{pointer}/name", "an ingredient needs a name, or a feedstock code")
    return Ingredient(name=one.name, mass_kg=mass_kg, volume_m3=volume_m3, **given)
