"""Finished compost as it is sent and answered: analysis, nutrients, beds, emissions, cautions."""

from typing import Annotated, Literal

from pydantic import Field

from service.http.feedstocks import Density, Ratio
from service.http.outlooks import EstimateOut, UnknownOut
from service.http.values import In, Instant, Number, Out, Percent, Positive, shown_as

Basis = Literal["wet", "dry"]


class BedIn(In):
    """A bed and how much it is to get: give exactly one of the last three."""

    area_m2: Annotated[Number, Field(ge=0.01, le=1e7)]
    depth_cm: Annotated[Number, Field(ge=0.01, le=200)] | None = Field(
        default=None, description="How deep the compost is to lie."
    )
    total_nitrogen_g_m2: Annotated[Number, Field(ge=0.001, le=1000)] | None = None
    available_nitrogen_g_m2: Annotated[Number, Field(ge=0.001, le=1000)] | None = Field(
        default=None, description="Nitrogen of the first season that the compost is to bring."
    )


class CompostIn(In):
    """A lot of finished compost with its analysis; moisture of wet mass, the others of dry matter."""

    model_config = shown_as(
        {
            "volume_m3": 0.7,
            "bulk_density_kg_m3": 600,
            "moisture_pct": 45,
            "nitrogen_pct": 1.6,
            "phosphorus_pct": 0.4,
            "potassium_pct": 1.1,
            "carbon_nitrogen_ratio": 14,
            "application": {"area_m2": 20, "depth_cm": 2},
            "treated_kg": 980,
        }
    )

    mass_kg: Positive | None = None
    volume_m3: Positive | None = None
    bulk_density_kg_m3: Density | None = None
    moisture_pct: Percent | None = None
    nitrogen_pct: Percent | None = None
    phosphorus_pct: Percent | None = Field(default=None, description="The element P, not P2O5.")
    potassium_pct: Percent | None = Field(default=None, description="The element K, not K2O.")
    carbon_pct: Percent | None = None
    carbon_nitrogen_ratio: Ratio | None = None
    ash_pct: Percent | None = None
    start_ash_pct: Percent | None = Field(default=None, description="Ash of the fresh mix; gives the losses.")
    treated_kg: Positive | None = Field(
        default=None, description="Mass that was composted for this lot, without water added later."
    )
    treated_basis: Basis = "wet"
    application: BedIn | None = None


class CompostLotOut(Out):
    """The lot with mass, volume and bulk density worked out from any two."""

    mass_kg: float | None
    volume_m3: float | None
    bulk_density_kg_m3: float | None
    moisture_pct: float | None
    nitrogen_pct: float | None
    phosphorus_pct: float | None
    potassium_pct: float | None
    carbon_pct: float | None
    carbon_nitrogen_ratio: float | None
    ash_pct: float | None


class NutrientOut(Out):
    """One nutrient, in a wet tonne, a cubic metre and the lot."""

    kg_per_t: float
    kg_per_m3: float | None
    kg: float | None


class NutrientsOut(Out):
    """What the lot holds, as elements and as fertiliser is labelled."""

    nitrogen: NutrientOut | None
    phosphorus: NutrientOut | None
    potassium: NutrientOut | None
    phosphate: NutrientOut | None = Field(description="Phosphorus as P2O5.")
    potash: NutrientOut | None = Field(description="Potassium as K2O.")


class AvailableNitrogenOut(Out):
    """Nitrogen plants get, by the published bands of C:N."""

    carbon_nitrogen_ratio: float
    first_season_pct: EstimateOut | None = Field(description="Of the total nitrogen; null above C:N 25.")
    first_season_kg: EstimateOut | None
    first_season_kg_per_t: EstimateOut | None
    ties_up_nitrogen: bool
    second_season_pct: EstimateOut
    later_years_pct: EstimateOut = Field(description="Of what is left, each year.")
    taken_up_in_field_pct: EstimateOut
    sources: list[str]


class SpreadOut(Out):
    """Compost for a bed and what it brings."""

    area_m2: float
    depth_cm: float | None
    volume_l: float | None
    mass_kg: float | None
    mass_least_kg: float | None = Field(
        description="For a wanted available nitrogen: by the top of its band."
    )
    mass_most_kg: float | None = Field(
        description="By the bottom of the band; null where that is nothing, so that no amount is sure."
    )
    share_of_lot_pct: float | None
    nitrogen_g_m2: float | None
    phosphorus_g_m2: float | None
    potassium_g_m2: float | None
    available_nitrogen_g_m2: EstimateOut | None
    reasons: list[UnknownOut]
    cautions: list[str]


class EmissionsOut(Out):
    """Methane and nitrous oxide by default factors (IPCC 2006, volume 5, chapter 4, table 4.1)."""

    treated_kg: float
    basis: Basis
    methane_kg: EstimateOut
    nitrous_oxide_kg: EstimateOut
    warming_kg_co2e: EstimateOut = Field(
        description="Over 100 years; biogenic carbon dioxide is not counted."
    )
    sources: list[str]
    note: str


class MassLossOut(Out):
    """What was lost on composting, by ash balance."""

    dry_matter_lost_pct: float
    volatile_solids_lost_pct: float
    source: str


class AfterCautionOut(Out):
    """One thing to mind when compost is spread."""

    about: Literal["raw_manure", "herbicides", "breathing", "lifting"]
    title: str
    text: list[str]
    source: str
    status: str


class BioassayOut(Out):
    """How to test compost for herbicides that outlast composting."""

    title: str
    why: str
    sensitive: list[str]
    steps: list[str]
    limits: list[str]
    record: list[str]
    source: str
    status: str


class AfterOut(Out):
    """What a lot holds, gives to plants, cost the air, and asks; null is unknown, never 0."""

    lot: CompostLotOut
    nutrients: NutrientsOut
    available_nitrogen: AvailableNitrogenOut | None
    application: SpreadOut | None
    emissions: EmissionsOut | None
    mass_loss: MassLossOut | None
    cautions: list[AfterCautionOut]
    bioassay: BioassayOut
    reasons: list[UnknownOut]


class MeasuredFigureOut(Out):
    """A figure of the compost and when its sample was taken."""

    figure: str
    value: float
    at: Instant
