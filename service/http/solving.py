"""Solving for a mix; changes no record, and reads one only for the organisation's own feedstocks and bays."""

from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter
from pydantic import Field

from service.domain.authority import Caller
from service.domain.errors import Invalid, NotFound
from service.domain.recipes import Amount, Available, Choice, Measure, Range, Targets, solve
from service.http.authority import CanRead, Database
from service.http.mixes import MaterialIn, SiteOfMix, ingredient_of, own_materials
from service.http.solving_models import BayFilledOut, ConflictOut, SolutionOut
from service.http.solving_stock import within_stock
from service.http.values import Amount as NotNegative
from service.http.values import Day, Flag, In, Name, Number, Percent, Positive, Whole, shown_as
from service.operations.recipes import OwnMaterials
from service.storage import records
from service.storage.tables import BayRow

__all__ = ["AmountIn", "AvailableIn", "ConflictOut", "RangeIn", "SolveIn", "TargetsIn", "router"]

router = APIRouter(tags=["recipes"])


class RangeIn(In):
    """From min to max; either may be left open."""

    min: Number | None = None
    max: Number | None = None


class TargetsIn(In):
    """What the mix must be; percentages of dry matter, moisture of wet mass, air of volume."""

    carbon_nitrogen_ratio: RangeIn | None = None
    moisture_pct: RangeIn | None = None
    free_air_space_pct: RangeIn | None = None
    bulk_density_kg_m3: RangeIn | None = None
    volatile_solids_pct: RangeIn | None = None
    nitrogen_pct: RangeIn | None = None
    biodegradable_carbon_nitrogen_ratio: RangeIn | None = Field(
        default=None, description="Needs the Van Soest lignin of every ingredient that holds carbon."
    )
    energy_cal_per_g_water: RangeIn | None = Field(
        default=None,
        description="Above 700 a mix heats and dries, below 600 it is short (from memory of Haug).",
    )


class AmountIn(In):
    """How much to make: a volume, a mass, or the mass of one of the ingredients."""

    volume_m3: NotNegative | None = None
    mass_kg: NotNegative | None = None
    of: Name | None = None


class HowMuchIn(AmountIn):
    """How much to make: a volume, a mass, the mass of one of the ingredients, or a bay full to its mark."""

    measures: NotNegative | None = Field(
        default=None, description="With of: how many of that ingredient's own measure, instead of mass_kg."
    )
    bay_id: UUID | None = Field(default=None, description="Instead of all these: a bay on record.")
    surplus_pct: NotNegative | None = Field(
        default=None,
        description="How much more may be made; never less. Null: 0, or 5 when something goes in whole.",
    )


class MeasureIn(In):
    """What an ingredient is measured with; exactly one of volume_l and mass_kg."""

    name: Name
    volume_l: Positive | None = None
    mass_kg: Positive | None = None


class ToBuyIn(MaterialIn):
    """A material that could be bought; max_kg is how much of it is to be had."""

    max_kg: NotNegative | None = None
    cost_per_kg: Number | None = None


class AvailableIn(ToBuyIn):
    """A material at hand."""

    min_kg: NotNegative | None = None
    min_share_of_mass_pct: Percent | None = Field(
        default=None, description="Of the mix, added water included."
    )
    max_share_of_mass_pct: Percent | None = None
    min_share_of_volume_pct: Percent | None = Field(default=None, description="Of the summed loose volumes.")
    max_share_of_volume_pct: Percent | None = None
    measure: MeasureIn | None = None
    whole: Flag = Field(default=False, description="Only full measures go in.")
    spoils_in_days: NotNegative | None = Field(default=None, description="Past use by then; 0 is today.")
    spoils_on: Day | None = Field(default=None, description="The same as a date, counted from today in UTC.")


class SolveIn(In):
    """Materials at hand, targets and an amount."""

    model_config = shown_as(
        {
            "ingredients": [
                {"feedstock": "horse-manure", "spoils_in_days": 5},
                {
                    "feedstock": "leaves-compacted-moist",
                    "max_kg": 400,
                    "measure": {"name": "barrow", "volume_l": 80},
                    "whole": True,
                },
            ],
            "targets": {
                "carbon_nitrogen_ratio": {"min": 30, "max": 40},
                "moisture_pct": {"min": 50, "max": 65},
            },
            "amount": {"volume_m3": 1.5},
            "allow_water": True,
            "prefer": "middle",
        }
    )

    ingredients: list[AvailableIn] = Field(min_length=1, max_length=100)
    targets: TargetsIn
    amount: HowMuchIn
    allow_water: Flag = False
    site_id: SiteOfMix = None
    stock: Flag = Field(
        default=False,
        description="No more of a feedstock than lies at the site of site_id, and first what spoils first there; one"
        " the site keeps no stock of is not limited.",
    )
    prefer: Literal["cost", "spoilage", "middle"] | None = Field(
        default=None,
        description="What comes first. Null: cost where there are prices, else what spoils first where that is said,"
        " else the middles of the two-sided ranges.",
    )
    alternatives: Annotated[Whole, Field(ge=0, le=5)] = Field(
        default=0, description="How many other mixes to tell that are about as good."
    )
    within_pct: Annotated[Number, Field(ge=0, le=100)] = Field(
        default=5,
        description="How much worse those may be by what comes first: of the cost, of the mass that spoils, or of the"
        " half-width of a range.",
    )
    mixing_shrink_pct: Annotated[Number, Field(ge=0, le=60)] | None = Field(
        default=None,
        description="Volume lost on mixing, % of the summed loose volumes, as measured: volume, bulk density and free"
        " air space are then of the settled mix. Null: of the loose volumes.",
    )
    may_buy: list[ToBuyIn] | None = Field(
        default=None,
        max_length=30,
        description="What could be bought when no mix exists. Null: what is commonly to be had, of the shipped"
        " library.",
    )


@router.post("/recipes/solve")
def solve_recipe(body: SolveIn, caller: CanRead, database: Database) -> SolutionOut:
    """Find amounts that meet targets, or say why there are none; feedstock codes as for evaluating."""
    own = own_materials(database, caller, [*body.ingredients, *(body.may_buy or ())], body.site_id)
    bay = _bay(body, caller, database)
    today = datetime.now(UTC).date()
    listed = (
        within_stock(body.ingredients, caller, database, body.site_id) if body.stock else body.ingredients
    )
    solution = solve(
        [_available(one, f"/ingredients/{place}", own, today) for place, one in enumerate(listed)],
        Targets(
            **{
                name: None if asked is None else Range(asked.min, asked.max)
                for name in TargetsIn.model_fields
                for asked in [getattr(body.targets, name)]
            }
        ),
        _amount(body.amount, bay),
        allow_water=body.allow_water,
        choice=Choice(
            prefer=body.prefer,
            alternatives=body.alternatives,
            within_pct=body.within_pct,
            mixing_shrink_pct=body.mixing_shrink_pct,
            may_buy=None if body.may_buy is None else _to_buy(body.may_buy, own),
        ),
    )
    answer = SolutionOut.model_validate(solution)
    answer.bay = None if bay is None else _filled(bay, body.mixing_shrink_pct)
    return answer


def _bay(body: SolveIn, caller: Caller, database: Database) -> BayRow | None:
    """Read the bay that is to be filled, and leave the record before anything is solved."""
    asked = body.amount
    if asked.bay_id is None:
        return None
    if any(value is not None for value in (asked.volume_m3, asked.mass_kg, asked.of, asked.measures)):
        detail = "a bay's volume is the amount; leave out volume_m3, mass_kg, of and measures"
        raise Invalid.field("/amount/bay_id", detail)
    try:
        with database.begin(caller.organisation_id) as session:
            bay = records.find(session, BayRow, caller.organisation_id, asked.bay_id)
            caller.must_reach_site(bay.site_id, "bay")
    except NotFound as error:
        detail = f"no bay with id {asked.bay_id}; take one from /v1/sites/{{site_id}}/bays, or give volume_m3"
        raise Invalid.field("/amount/bay_id", detail) from error
    return bay


def _amount(asked: HowMuchIn, bay: BayRow | None) -> Amount:
    if bay is not None:
        return Amount(volume_m3=bay.volume_m3, surplus_pct=asked.surplus_pct)
    return Amount(asked.volume_m3, asked.mass_kg, asked.of, asked.measures, asked.surplus_pct)


def _filled(bay: BayRow, mixing_shrink_pct: float | None) -> BayFilledOut:
    is_settled = bool(mixing_shrink_pct)
    words = (
        f"Filled to the mark once mixed: the loose volumes are to lose {mixing_shrink_pct:g} % on mixing."
        if is_settled
        else "Filled to the mark by the loose volumes, side by side; mixed, the pile may stand lower. Give"
        " mixing_shrink_pct as measured to fill it all the same."
    )
    return BayFilledOut(
        id=bay.id,
        label=bay.label,
        volume_m3=bay.volume_m3,
        basis="settled" if is_settled else "loose",
        words=words,
    )


def _available(one: AvailableIn, pointer: str, own: OwnMaterials, today: date) -> Available:
    if one.spoils_on is not None and one.spoils_in_days is not None:
        detail = "spoils_in_days is given too; give one of the two"
        raise Invalid.field(f"{pointer}/spoils_on", detail)
    days = one.spoils_in_days if one.spoils_on is None else max(0, (one.spoils_on - today).days)
    measure = one.measure
    return Available(
        ingredient_of(one, pointer, own),
        min_kg=one.min_kg,
        max_kg=one.max_kg,
        cost_per_kg=one.cost_per_kg,
        min_share_of_mass_pct=one.min_share_of_mass_pct,
        max_share_of_mass_pct=one.max_share_of_mass_pct,
        min_share_of_volume_pct=one.min_share_of_volume_pct,
        max_share_of_volume_pct=one.max_share_of_volume_pct,
        measure=None if measure is None else Measure(measure.name, measure.volume_l, measure.mass_kg),
        whole=one.whole,
        spoils_in_days=days,
    )


def _to_buy(listed: Sequence[ToBuyIn], own: OwnMaterials) -> tuple[Available, ...]:
    return tuple(
        Available(
            ingredient_of(one, f"/may_buy/{place}", own), max_kg=one.max_kg, cost_per_kg=one.cost_per_kg
        )
        for place, one in enumerate(listed)
    )
