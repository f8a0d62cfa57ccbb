"""Analyses of a feedstock over time, and the figures that are in force."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Annotated, Any, Literal, Self
from uuid import UUID

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.recipes.in_force import figures_of
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, Limit, PageOut
from service.http.feedstocks import FiguresIn, FiguresOut, LigninMethod
from service.http.mixes import SourceOut
from service.http.values import Amount, Day, In, Instant, Name, Note, Out, Percent, Positive
from service.operations import feedstocks
from service.storage import feedstocks as stored
from service.storage import records
from service.storage.tables import AnalysisRow, FeedstockRow

router = APIRouter(tags=["feedstocks"])

Kind = Literal["laboratory", "oven_drying", "bucket", "squeeze", "withdraw"]


class OvenIn(In):
    """A sample weighed before and after drying at 105 Cel, each time with its container."""

    wet_kg: Positive
    dry_kg: Positive
    container_kg: Amount = 0


class BucketIn(In):
    """A bucket weighed empty and full, in litres and kilograms or in US gallons and pounds."""

    bucket_l: Positive | None = None
    empty_kg: Amount | None = None
    full_kg: Positive | None = None
    bucket_gal: Positive | None = None
    empty_lb: Amount | None = None
    full_lb: Positive | None = None
    drops: Annotated[int, Field(strict=True, ge=0, le=1000)] | None = Field(
        default=None, description="How often it was dropped: ten times from 15 cm after each third is usual."
    )


class SqueezeIn(In):
    """A handful squeezed: what it felt like, or the moisture it was taken for."""

    feel: Literal["dry", "right", "wet"] | None = Field(
        default=None, description="Crumbles; a wrung-out sponge with a few drops; streams."
    )
    moisture_pct: Percent | None = None


class PlusMinusIn(In):
    """The accuracy of each figure, in the figure's own unit."""

    moisture_pct: Amount | None = None
    nitrogen_pct: Amount | None = None
    carbon_pct: Amount | None = None
    carbon_nitrogen_ratio: Amount | None = None
    volatile_solids_pct: Amount | None = None
    bulk_density_kg_m3: Amount | None = None
    lignin_pct: Amount | None = None
    phosphorus_pct: Amount | None = None
    potassium_pct: Amount | None = None


class AnalysisIn(FiguresIn):
    """A measurement of a feedstock: the newest valid one of each figure wins; or the withdrawal of one."""

    kind: Kind = Field(
        default="laboratory",
        description="laboratory: the figures as printed; oven_drying, bucket, squeeze: what was weighed or felt, from"
        " which the figure is worked out; withdraw: an earlier analysis no longer holds.",
    )
    sampled_on: Day | None = Field(default=None, description="May be left out of a withdrawal only.")
    method: Name | None = Field(default=None, examples=["laboratory", "oven at 105 °C", "bucket weighed"])
    basis: Literal["dry", "as_is"] = Field(
        default="dry",
        description="as_is: a laboratory printed its figures in % of the material as it lies; they are turned into % of"
        " dry matter with the moisture of the same sample.",
    )
    oven: OvenIn | None = Field(
        default=None, examples=[{"wet_kg": 0.412, "dry_kg": 0.171, "container_kg": 0.052}]
    )
    bucket: BucketIn | None = Field(
        default=None, examples=[{"bucket_l": 20, "empty_kg": 1, "full_kg": 10, "drops": 30}]
    )
    squeeze: SqueezeIn | None = Field(default=None, examples=[{"feel": "right"}])
    plus_minus: PlusMinusIn | None = Field(
        default=None, description="A squeeze test is taken as 10 points of moisture."
    )
    valid_until: Day | None = Field(
        default=None, description="The last day it counts; null is until a newer one."
    )
    site_id: UUID | None = Field(default=None, description="The site it counts at alone; null is everywhere.")
    withdraws: UUID | None = Field(default=None, description="withdraw: the analysis that no longer holds.")
    note: Note | None = Field(default=None, description="Of a withdrawal: the reason.")


class AnalysisOut(FiguresOut):
    """An analysis as it is on record, its figures worked out from what was measured."""

    id: UUID
    feedstock_id: UUID
    kind: Kind
    sampled_on: Day
    valid_until: Day | None
    site_id: UUID | None
    method: str
    plus_minus: dict[str, float] = Field(description="Accuracy by figure; a figure left out has none told.")
    raw: dict[str, Any] | None = Field(
        description="What was weighed, felt or printed before it became figures."
    )
    withdraws: UUID | None
    withdrawn_by: UUID | None = Field(description="The entry that takes it out of force.")
    note: str | None
    recorded_at: Instant

    @classmethod
    def of(cls, row: AnalysisRow, withdrawn: Mapping[UUID, AnalysisRow]) -> Self:
        """Return an analysis as it is shown."""
        entry = withdrawn.get(row.id)
        told = {"plus_minus": row.plus_minus or {}, "withdrawn_by": None if entry is None else entry.id}
        return cls.model_validate(row.model_dump() | told)


class FigureInForceOut(SourceOut):
    """A figure that is in force, and where it came from."""

    value: float


class FiguresInForceOut(Out):
    """What is known of a feedstock at a site on a day; a figure that nobody told is absent."""

    feedstock_id: UUID
    code: str
    name: str
    on: Day | None = Field(description="The day asked for; null is today.")
    site_id: UUID | None
    lignin_method: LigninMethod | None
    figures: dict[str, FigureInForceOut]


@router.post("/feedstocks/{feedstock_id:uuid}/analyses", status_code=201, response_model=AnalysisOut)
def create_analysis(
    feedstock_id: UUID, body: AnalysisIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Add a measurement of a feedstock, or withdraw one; nothing on record is changed."""

    def make() -> tuple[AnalysisOut, dict[str, str]]:
        row = feedstocks.add_analysis(session, caller, feedstock_id, body.model_dump())
        return AnalysisOut.of(row, {}), {}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/feedstocks/{feedstock_id:uuid}/analyses", response_model=PageOut[AnalysisOut])
def list_analyses(
    feedstock_id: UUID, caller: CanRead, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List the measurements of a feedstock in the order they were recorded."""
    with database.begin(caller.organisation_id) as session:
        records.find(session, FeedstockRow, caller.organisation_id, feedstock_id)
        found = stored.analyses_page(session, caller.organisation_id, feedstock_id, limit=limit, after=after)
        withdrawn = stored.withdrawn_among(session, caller.organisation_id, [row.id for row in found.items])
    return {"items": [AnalysisOut.of(row, withdrawn) for row in found.items], "next": found.next}


@router.get("/feedstocks/{feedstock_id:uuid}/figures", response_model=FiguresInForceOut)
def get_figures(
    feedstock_id: UUID,
    caller: CanRead,
    database: Database,
    on: Annotated[Day | None, Query(description="The day they are to hold; today when left out.")] = None,
    site_id: Annotated[
        UUID | None, Query(description="Whose analyses win; the key's own site when it is limited to one.")
    ] = None,
) -> object:
    """Return the figures in force: newest valid analysis, else the feedstock's own, else the library's."""
    at = site_id or caller.site_id
    with database.begin(caller.organisation_id) as session:
        row, known = feedstocks.feedstock_in_force(session, caller, feedstock_id, site_id=at, on=on)
    figures = {
        name: asdict(known.origins[name]) | {"value": value} for name, value in figures_of(known).items()
    }
    return {
        "feedstock_id": row.id,
        "code": row.code,
        "name": row.name,
        "on": on,
        "site_id": at,
        "lignin_method": known.lignin_method,
        "figures": figures,
    }
