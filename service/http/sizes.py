"""Full size, every time: a site's piles as built against their design."""

from datetime import UTC, datetime
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Query
from pydantic import Field

from service.domain.sizes import Built, Signal
from service.http.authority import CanRead, Database
from service.http.values import Instant, Name, Out
from service.operations import sizes
from service.operations.sites import site_of
from service.storage import sizes as stored

router = APIRouter(tags=["piles"])


class BuiltOut(Out):
    """A pile's size as built."""

    pile_id: UUID
    label: str
    built_at: Instant
    built_m3: float
    design_m3: float
    ratio: float
    basis: Literal["measured", "height", "loads"] = Field(
        description="Told by the crew; from the height built and the height designed; the sum of the loads."
    )
    crews: list[str]


class SignalOut(Out):
    """A test of the chart that some piles fail."""

    test: Literal["beyond_limit", "two_of_three", "four_of_five", "eight_in_a_row", "range_beyond_limit"]
    side: Literal["low", "high"]
    first: str = Field(description="Label of the first pile of the pattern.")
    last: str


class ChartOut(Out):
    """Individuals and moving ranges of built over design, with their limits (ISO 7870-2)."""

    ratios: list[float]
    moving_ranges: list[float]
    centre: float
    lower: float
    upper: float
    mean_range: float
    range_upper: float
    sigma: float
    is_provisional: bool
    signals: list[SignalOut]


class DriftOut(Out):
    """Whether piles get smaller, and since when."""

    state: Literal["too_few", "steady", "one_off", "smaller"]
    text: str
    since: Instant | None = Field(description="Build of the first of the smaller piles.")
    since_label: str | None
    before: float | None = Field(description="Mean built over design until then.")
    after: float | None
    trend_probability: float | None = Field(
        description="How likely so falling a series is by chance alone (Mann-Kendall, one-sided)."
    )


class CrewOut(Out):
    """A crew's finding in short; ask with ``crew`` for its chart."""

    crew: str
    state: Literal["too_few", "steady", "one_off", "smaller"]
    text: str


class LeftOutOut(Out):
    """A pile that is not in the chart, and why."""

    pile_id: UUID
    label: str
    reason: str


class BandOut(Out):
    """The middle, and what lies a tenth from either end."""

    low: float
    likely: float
    high: float


class HeatCostOut(Out):
    """What a pile loses in heat by being built smaller; negative is a gain."""

    surface_per_volume: tuple[float, float] = Field(description="As built and as designed [1/m].")
    peak_loss_c: BandOut
    hot_hours_loss: BandOut = Field(description="Hours at 55 Cel or more in the first 28 days [h].")
    hot_hours_designed: BandOut
    text: str
    source: str


class NewestOut(Out):
    """The newest pile of the chart, and what its size costs."""

    pile: BuiltOut
    ambient_c: float | None
    ambient_from: str | None
    cost: HeatCostOut | None
    because: str | None = Field(description="Why there is no cost.")


class SizesOut(Out):
    """Whether a site's piles, or a crew's, are built to their full size."""

    site_id: UUID
    crew: str | None
    now: Instant
    drift: DriftOut
    chart: ChartOut | None = Field(description="Null with too few piles.")
    piles: list[BuiltOut] = Field(description="Those charted, oldest first.")
    newest: NewestOut | None
    crews: list[CrewOut]
    left_out: list[LeftOutOut]
    cautions: list[str]


@router.get("/sites/{site_id}/sizes", response_model=SizesOut)
def get_sizes(
    site_id: UUID,
    caller: CanRead,
    database: Database,
    crew: Annotated[Name | None, Query(description="Only piles this crew loaded.")] = None,
    ambient_c: Annotated[
        float | None,
        Query(
            ge=-60,
            le=60,
            allow_inf_nan=False,
            description="Mean air [Cel]; as measured at the site when left out.",
        ),
    ] = None,
) -> object:
    """Return the control chart of piles as built against their design, and whether they get smaller."""
    now = datetime.now(UTC)
    with database.begin(caller.organisation_id) as session:
        site_of(session, caller, site_id)
        piles, others = sizes.sizes_of(stored.built_piles(session, caller.organisation_id, site_id, now=now))
        found = sizes.judge(piles, others, crew=crew)
        newest = found.piles[-1] if found.piles else None
        air = (
            None
            if newest is None or ambient_c is not None
            else stored.air_after(session, caller.organisation_id, site_id, newest.built_at, now=now)
        )
    told = None if newest is None else sizes.newest_of(newest, air, ambient_c)
    return {
        "site_id": site_id,
        "crew": crew,
        "now": now,
        "drift": _drift(found),
        "chart": _chart(found),
        "piles": [_built(one) for one in found.piles],
        "newest": None if told is None else vars(told) | {"pile": _built(told.pile)},
        "crews": [
            {"crew": name, "state": one.state, "text": one.text}
            for name, one in sizes.crews_of(piles).items()
        ],
        "left_out": found.left_out,
        "cautions": found.cautions,
    }


def _built(one: Built) -> dict[str, object]:
    return vars(one) | {"ratio": one.ratio, "crews": sorted(one.crews)}


def _drift(found: sizes.Sizes) -> dict[str, object]:
    first = None if found.drift.since is None else found.piles[found.drift.since]
    return vars(found.drift) | {
        "since": None if first is None else first.built_at,
        "since_label": None if first is None else first.label,
    }


def _chart(found: sizes.Sizes) -> dict[str, object] | None:
    if found.chart is None:
        return None

    def shown(one: Signal) -> dict[str, object]:
        return vars(one) | {"first": found.piles[one.first].label, "last": found.piles[one.last].label}

    return vars(found.chart) | {"signals": [shown(one) for one in found.chart.signals]}
