"""What puts a pile right: from figures as they are sent, and from the record of a pile."""

from datetime import UTC, datetime
from typing import Annotated, Any, Final, Literal
from uuid import UUID

from fastapi import APIRouter, Query
from pydantic import Field

from service.domain.build_sheets import PRACTICE, Measure
from service.domain.pile_remedies import may_burn
from service.domain.recipes import Available
from service.domain.remedies import SYMPTOMS, Asked, Evidence, Given, Remedy, as_given, remedy
from service.http.authority import CanRead, Database
from service.http.build_measures import SheetMeasureIn
from service.http.mixes import MaterialIn, SiteOfMix, ingredient_of, own_materials
from service.http.remedies_models import PileRemedyOut, RemedyOut, SymptomCode
from service.http.values import Amount as NotNegative
from service.http.values import Flag, In, Number, Percent, shown_as
from service.operations import remedies

router = APIRouter(tags=["recipes"])

_LIMIT_KG: Final = PRACTICE["lifting_limit_kg"].value


class PileNowIn(In):
    """A pile as it is now; percentages of dry matter, moisture of wet mass."""

    mass_kg: NotNegative | None = None
    volume_m3: NotNegative | None = Field(default=None, description="As it stands.")
    bulk_density_kg_m3: NotNegative | None = Field(
        default=None, description="With one of mass_kg and volume_m3; null: a usual one, with its range."
    )
    moisture_pct: Percent | None = None
    moisture_plus_minus: NotNegative | None = Field(
        default=None, description="How far off it may be, points."
    )
    moisture_feel: Literal["dry", "right", "wet"] | None = Field(
        default=None,
        description="A handful squeezed, instead of moisture_pct; taken as ten points. Null for too_dry and too_wet:"
        " what the symptom says.",
    )
    nitrogen_pct: Percent | None = None
    carbon_pct: Percent | None = None
    carbon_nitrogen_ratio: NotNegative | None = None
    volatile_solids_pct: Percent | None = None
    structure: Literal["fine", "mixed", "straw", "wood"] | None = Field(
        default=None, description="What holds it open and so how wet it may be; null: fine, the most careful."
    )


class SeenIn(In):
    """What else is known of the pile; it ranks the causes."""

    age_days: NotNegative | None = None
    hottest_c: Annotated[Number, Field(ge=-60, le=1000)] | None = None
    peak_c: Annotated[Number, Field(ge=-60, le=1000)] | None = None
    air_c: Annotated[Number, Field(ge=-60, le=60)] | None = None
    since_turn_days: NotNegative | None = None
    was_turned: Flag | None = None
    since_water_days: NotNegative | None = None
    watered_l: NotNegative | None = None
    is_covered: Flag | None = None
    smell: Literal["none", "earthy", "ammonia", "sour"] | None = None
    built_moisture_pct: Percent | None = None
    built_carbon_nitrogen_ratio: NotNegative | None = None
    is_caustic: Flag | None = Field(default=None, description="Ash or lime went in.")
    smokes: Flag = Field(default=False, description="Smoke, glow or a burnt smell: it stays shut.")


class InStockIn(MaterialIn):
    """A material that is there; max_kg is how much of it, null: enough."""

    max_kg: NotNegative | None = None


class RemedyIn(In):
    """A symptom, the pile now, and what there is to put it right with."""

    model_config = shown_as(
        {
            "symptom": "too_wet",
            "pile": {
                "volume_m3": 1.2,
                "bulk_density_kg_m3": 700,
                "moisture_pct": 72,
                "moisture_plus_minus": 5,
            },
            "seen": {"age_days": 9, "hottest_c": 41, "is_covered": False},
            "stock": [{"feedstock": "straw", "max_kg": 200}, {"feedstock": "leaves-loose-dry", "max_kg": 80}],
            "measures": [
                {"name": "barrow", "kind": "barrow", "volume_l": 80},
                {"name": "can", "kind": "can", "volume_l": 9},
            ],
            "bay_volume_m3": 3,
        }
    )

    symptom: SymptomCode
    pile: PileNowIn
    seen: SeenIn = Field(default_factory=SeenIn)
    stock: list[InStockIn] = Field(
        max_length=100, description="What there is; an empty list: nothing, and what to get is told."
    )
    measures: list[SheetMeasureIn] = Field(default_factory=list, max_length=20)
    lifting_limit_kg: NotNegative = _LIMIT_KG
    bay_volume_m3: NotNegative | None = Field(
        default=None, description="What the bay holds; no more is mixed in than fits."
    )
    moisture_goal_pct: Percent | None = Field(
        default=None, description="Moisture to be reached; null: 55 for water, at most 60 when it is too wet."
    )
    site_id: SiteOfMix = None


@router.post("/recipes/remedy")
def remedy_pile(body: RemedyIn, caller: CanRead, database: Database) -> RemedyOut:
    """Say what puts a pile right, from its figures; touches no record but the organisation's own feedstocks."""
    own = own_materials(database, caller, body.stock, body.site_id)
    seen = body.seen.model_dump(exclude={"smokes", "built_carbon_nitrogen_ratio"})
    asked = Asked(
        symptom=body.symptom,
        state=as_given(Given(**body.pile.model_dump()), SYMPTOMS[body.symptom].felt or None),
        evidence=Evidence(**seen, built_ratio=body.seen.built_carbon_nitrogen_ratio),
        stock=tuple(
            Available(ingredient_of(one, f"/stock/{place}", own), max_kg=one.max_kg)
            for place, one in enumerate(body.stock)
        ),
        measures=tuple(Measure(**one.model_dump()) for one in body.measures),
        lifting_limit_kg=body.lifting_limit_kg,
        bay_m3=body.bay_volume_m3,
        moisture_goal_pct=body.moisture_goal_pct,
        keep_shut=may_burn(body.seen.hottest_c, smokes=body.seen.smokes),
    )
    return RemedyOut.model_validate(_shown(remedy(asked)))


@router.get("/piles/{pile_id}/remedy", response_model=PileRemedyOut)
def get_remedy(
    pile_id: UUID,
    symptom: Annotated[SymptomCode, Query(description="As a warning names it in remedy_symptom.")],
    caller: CanRead,
    database: Database,
) -> object:
    """Say what puts a recorded pile right, from its loads, readings, observations, and the stock of its site."""
    now = datetime.now(UTC)
    with database.begin(caller.organisation_id) as session:
        kept = remedies.read(session, caller, pile_id, now=now)
    found = remedies.of_pile(kept, symptom, now=now)
    return _shown(found.remedy) | {
        "pile_id": kept.loaded.pile.id,
        "label": kept.loaded.pile.label,
        "now": now,
        "stage": found.standing.status.stage,
        "basis": found.found.basis,
        "counts": found.counts,
    }


def _shown(found: Remedy) -> dict[str, Any]:
    """Return a remedy as it is shown: the water's measures stand beside it."""
    plain = {name: getattr(found, name) for name in RemedyOut.model_fields if name != "watering"}
    water = found.watering
    told = None
    if water is not None:
        told = {name: getattr(water, name) for name in type(water).__slots__}
        told["in_measures"] = found.water_in_measures
    return plain | {"watering": told}
