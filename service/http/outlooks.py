"""What a mix will do, as it is answered beside its balances."""

from typing import Literal

from pydantic import Field

from service.http.values import Out


class EstimateOut(Out):
    """A number and from where to where it may lie."""

    value: float
    low: float
    high: float


class UnknownOut(Out):
    """A figure that is null, and why."""

    figure: str
    because: str


class SettlingOut(Out):
    """The volume once fines have settled into the voids of the coarse, and the shrink that rests on."""

    volume_m3: EstimateOut
    bulk_density_kg_m3: float
    shrink_pct: EstimateOut = Field(description="Of the loose volumes of the solid materials.")
    basis: Literal["given", "assumed", "none"]
    water_soaked_in_m3: float
    source: str


class AirSpaceOut(Out):
    """Free air space in both forms, loose and settled [% of volume]."""

    used: Literal["empirical"] = Field(description="Which form free_air_space_pct is.")
    empirical_pct: float
    component_pct: float | None
    settled_empirical_pct: float
    settled_component_pct: float | None
    why_they_differ: str


class EnergyOut(Out):
    """Energy against water (Haug 1993)."""

    water_to_solids_ratio: EstimateOut = Field(
        description="g of water per g of biodegradable volatile solids."
    )
    energy_cal_per_g_water: float | None = Field(description="5550 over the ratio; null without water.")
    state: Literal["enough", "marginal", "short"]
    is_certain: bool = Field(description="The whole range lies in one band.")
    is_assumed: bool = Field(description="The biodegradable share of some material is the usual one.")
    sources: list[str]


class OxygenOut(Out):
    """Oxygen the first week takes, and the air that holds as much."""

    oxygen_kg: EstimateOut
    air_m3: EstimateOut
    decay: Literal["slow", "medium", "fast"]
    decayed_share: EstimateOut
    oxygen_per_kg: EstimateOut
    is_assumed: bool
    sources: list[str]


class NitrogenLossOut(Out):
    """Whether nitrogen will leave as ammonia, and why."""

    risk: Literal["low", "raised", "high"]
    because: list[str]
    ammonia_share_pct: float | None


class ShrinkOut(Out):
    """What the pile is expected to come to."""

    volume_after_active_m3: EstimateOut | None
    volume_after_curing_m3: EstimateOut | None
    mass_after_kg: EstimateOut
    sources: list[str]


class PileSizeOut(Out):
    """Whether the pile is large enough to stay hot."""

    state: Literal["adequate", "marginal", "small"]
    basis: Literal["heat_balance", "handbook"]
    volume_m3: float
    needed_m3: float | None
    handbook_m3: float
    ambient_c: float | None
    heat_w_m3: float | None
    sources: list[str]
