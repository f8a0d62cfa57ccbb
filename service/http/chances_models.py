"""Mixes in doubt as they are sent and answered: figures with their spread, chances, what to measure."""

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from service.domain.recipes.chances import DEFAULT_DRAWS, LEAST_DRAWS, MOST_DRAWS
from service.http.mixes import EvaluationOut
from service.http.solving import MeasureIn
from service.http.values import Amount, FeedstockCode, Flag, In, Name, Number, Out, Percent, Whole


class StatedIn(In):
    """A figure in doubt: {value, plus_minus} is normal, {low, high} uniform, {low, value, high} triangular."""

    value: Number | None = Field(
        default=None, description="Alone it is exact; with low and high it is the peak."
    )
    plus_minus: Number | None = Field(
        default=None, description="Half the width that holds 95 of 100 cases, in the figure's own unit."
    )
    low: Number | None = None
    high: Number | None = None
    method: Literal["squeeze", "oven_drying", "bucket", "laboratory", "scale", "level_fill"] | None = Field(
        default=None, description="How value was measured; it brings its own plus_minus."
    )


def _bare_number(value: Any) -> Any:  # noqa: ANN401 - anything may come in
    return {"value": value} if isinstance(value, int | float) and not isinstance(value, bool) else value


FigureIn = Annotated[StatedIn, BeforeValidator(_bare_number, json_schema_input_type=Number | StatedIn)]
"""A figure in doubt, or a bare number, which is exact."""


class DoubtfulIn(In):
    """A material by a feedstock's code, by figures of its own, or both; figures given win over the feedstock's."""

    name: Name | None = None
    feedstock: FeedstockCode | None = Field(
        default=None, description="A code of the organisation's own feedstocks, else of the shipped library."
    )
    moisture_pct: FigureIn | None = None
    nitrogen_pct: FigureIn | None = None
    carbon_pct: FigureIn | None = None
    carbon_nitrogen_ratio: FigureIn | None = None
    volatile_solids_pct: FigureIn | None = None
    bulk_density_kg_m3: FigureIn | None = None


class LoadedIn(DoubtfulIn):
    """A material in doubt and how much of it went in, which may be in doubt too."""

    mass_kg: FigureIn | None = None
    volume_m3: FigureIn | None = None


class AtHandIn(DoubtfulIn):
    """A material in doubt that may go in, with what bounds it."""

    min_kg: Amount | None = None
    max_kg: Amount | None = None
    min_share_of_mass_pct: Percent | None = None
    max_share_of_mass_pct: Percent | None = None
    min_share_of_volume_pct: Percent | None = None
    max_share_of_volume_pct: Percent | None = None
    measure: MeasureIn | None = None
    whole: Flag = Field(default=False, description="Only full measures go in.")


class DrawsIn(In):
    """How the chances are drawn."""

    seed: Whole = Field(default=0, ge=0, le=2**53 - 1, description="The same seed gives the same answer.")
    draws: Whole = Field(
        default=DEFAULT_DRAWS,
        ge=LEAST_DRAWS,
        le=MOST_DRAWS,
        description="A power of two.",
        examples=[DEFAULT_DRAWS],
    )


class ProbabilityOut(Out):
    """A part of all cases, 0 to 1, and half its 95 % interval: the error of the drawing alone."""

    probability: float
    plus_minus: float


class TargetChanceOut(Out):
    """How likely one target is met, and on which side it is missed."""

    target: str
    min: float | None
    max: float | None
    met: ProbabilityOut
    too_low: float
    too_high: float


class QuantilesOut(Out):
    """What 5, 50 and 95 of 100 cases lie below; null where the figure has no value there."""

    q05: float | None
    q50: float | None
    q95: float | None


class MeasurementOut(Out):
    """One thing to measure, and how much of the doubt (the variance) it is expected to take away."""

    ingredient: str
    method: str
    figures: list[str]
    narrows_verdict_pct: float | None = Field(
        description="Of the doubt whether all targets are met; null when that is certain already."
    )
    narrows_pct: dict[str, float] = Field(description="Of the doubt about each figure that has a target.")
    text: str


class InputOut(Out):
    """A figure as it was drawn; of a normal one, low and high hold 95 of 100 cases."""

    ingredient: str
    figure: str
    shape: Literal["exact", "normal", "uniform", "triangular"]
    value: float
    low: float
    high: float
    origin: str


class ChancesOut(Out):
    """How likely a mix meets its targets."""

    all_met: ProbabilityOut
    targets: list[TargetChanceOut]
    figures: dict[str, QuantilesOut]
    measurements: list[MeasurementOut] = Field(description="What to measure next, the most telling first.")
    measuring: str = Field(description="How the worth of a measurement is reckoned.")
    inputs: list[InputOut]
    derived: dict[str, str] = Field(
        description="By material: which of carbon, nitrogen and C:N follows from the two that are drawn."
    )
    cut_back_pct: float = Field(
        description="Draws in which a carbon was cut back to what the dry matter holds beside the nitrogen."
    )
    seed: int
    draws: int
    scramblings: int
    method: str


class JudgedMixOut(ChancesOut):
    """The chances, and the mix with every figure at its value."""

    recipe: EvaluationOut


class NominalOut(Out):
    """The mix that solving finds with every figure at its value; the nearest one when it finds none."""

    state: Literal["solved", "infeasible"]
    recipe: EvaluationOut
    water_l: float
    all_met: ProbabilityOut


class ScenariosOut(Out):
    """The mixed-integer programme's account, on scenarios of its own."""

    count: int
    met: int = Field(description="By the mix that the search offers.")
    best_met: int = Field(description="By the best mix for just these scenarios that was found.")
    most: int = Field(description="What no mix is proven to exceed.")
    gap_pct: float
    limit_s: float
