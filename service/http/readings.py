"""Readings read back: of a pile, of a probe, the newest of each probe."""

from typing import Annotated, Any, Final, Literal
from uuid import UUID

from fastapi import APIRouter, HTTPException, Query, Request, Response
from fastapi.responses import JSONResponse
from pydantic import BaseModel, Field

from service.domain.errors import Invalid
from service.domain.quantities import QUANTITY_OF_LABEL, UCUM, Quantity, Unit
from service.domain.readings.quality import primary, tests_of
from service.http.accepting import CSV, JSON, PARQUET, accepted
from service.http.authority import CanRead, Database
from service.http.exchange import After, Limit, PageOut
from service.http.exports import DESCRIBED, export, parquet_library
from service.http.series_pages import buckets_page, corrected_out, readings_page
from service.http.values import EARLIEST, LATEST, Instant, Name, Out, QuantityLabel, UnitCode
from service.operations import piles, probes
from service.storage import latest
from service.storage.frames import frame_of_pile, frame_of_probe
from service.storage.sites import zone_of

router = APIRouter(tags=["readings"])

PrimaryFlag = Literal[1, 2, 3, 4, 9]


class CorrectedOut(Out):
    """What people said of a reading; null members are as recorded. Its number is always the one recorded."""

    by: list[UUID] = Field(description="The entries that hold for it; /v1/probes/{id}/corrections has them.")
    recorded_at: Instant | None = Field(description="The recorded instant, where it was another.")
    recorded_unit: UnitCode | None = Field(description="The recorded unit, where it was another.")


class ReadingOut(Out):
    """A reading as it counts; its flag is a QARTOD primary flag."""

    probe: str
    position: str | None
    depth_cm: float | None
    observed_at: Instant
    quantity: QuantityLabel
    value: float
    unit: UnitCode
    flag: PrimaryFlag
    tests: list[str] = Field(description="The names of the tests that object.")
    counts: bool = Field(description="Whether it is evidence; a person's correction decides before any test.")
    corrected: CorrectedOut | None


class PileReadingOut(ReadingOut):
    """A reading of a pile."""

    position: str


class ProbeReadingOut(ReadingOut):
    """A reading of a probe, with where it sat then; null when in no pile."""

    pile_id: UUID | None


class BucketOut(Out):
    """An hour or a day of the site in which there is a reading that counts; where there is none there is no item."""

    position: str | None
    from_: Instant = Field(serialization_alias="from")
    to: Instant
    count: int
    minimum: float
    mean: float = Field(description="Of the readings, each with one voice.")
    maximum: float
    unit: UnitCode = Field(description="Cel for every temperature.")
    first_at: Instant
    last_at: Instant


class PileBucketOut(BucketOut):
    """An hour or a day at one position."""

    position: str


class ProbeBucketOut(BucketOut):
    """An hour or a day of a probe at one place; null when in no pile."""

    pile_id: UUID | None


Resolution = Literal["raw", "hour", "day"]
Since = Annotated[Instant | None, Query(alias="from", description="From this instant on.")]
Until = Annotated[Instant | None, Query(alias="to", description="Up to but not including it.")]
ResolutionQuery = Annotated[
    Resolution,
    Query(description="raw: the readings; hour, day: what counts of them, by the clock of the site."),
]
_MEDIA_TYPES: Final = (JSON, CSV, PARQUET)
_FILES: Final[dict[int | str, dict[str, Any]]] = {
    200: {"description": "One page as JSON, or the whole range as a file.", "content": DESCRIBED}
}


@router.get(
    "/piles/{pile_id}/readings",
    response_model=PageOut[PileReadingOut] | PageOut[PileBucketOut],
    responses=_FILES,
)
def list_readings(
    pile_id: UUID,
    caller: CanRead,
    database: Database,
    request: Request,
    quantity: QuantityLabel = "temperature",
    position: Annotated[Name | None, Query()] = None,
    since: Since = None,
    until: Until = None,
    resolution: ResolutionQuery = "raw",
    limit: Limit = 100,
    after: After = None,
) -> Response:
    """List readings taken while their probe sat in the pile, in order of time, or hours or days of them."""
    media_type = _media_type(request, after)
    with database.begin(caller.organisation_id) as session:
        pile = piles.pile_of(session, caller, pile_id)
        zone = zone_of(session, caller.organisation_id, pile.site_id)
        frame = frame_of_pile(
            session,
            pile,
            QUANTITY_OF_LABEL[quantity],
            position=position,
            since=since or EARLIEST,
            until=until or LATEST,
        )
    if media_type != JSON:
        return export(database, frame, None if resolution == "raw" else resolution, zone, media_type)
    if resolution == "raw":
        return _shown(PageOut[PileReadingOut], *readings_page(database, frame, limit, after))
    return _shown(PageOut[PileBucketOut], *buckets_page(database, frame, resolution, zone, limit, after))


@router.get(
    "/probes/{probe_id}/readings",
    response_model=PageOut[ProbeReadingOut] | PageOut[ProbeBucketOut],
    responses=_FILES,
)
def list_probe_readings(
    probe_id: UUID,
    caller: CanRead,
    database: Database,
    request: Request,
    quantity: QuantityLabel = "temperature",
    since: Since = None,
    until: Until = None,
    resolution: ResolutionQuery = "raw",
    limit: Limit = 100,
    after: After = None,
) -> Response:
    """List the readings of a probe wherever it sat; hours and days are those of its own site, UTC without one."""
    media_type = _media_type(request, after)
    with database.begin(caller.organisation_id) as session:
        probe = probes.probe_of(session, caller, probe_id)
        zone = zone_of(session, caller.organisation_id, probe.site_id)
        frame = frame_of_probe(
            session, probe, QUANTITY_OF_LABEL[quantity], since=since or EARLIEST, until=until or LATEST
        )
    if media_type != JSON:
        return export(database, frame, None if resolution == "raw" else resolution, zone, media_type)
    if resolution == "raw":
        return _shown(PageOut[ProbeReadingOut], *readings_page(database, frame, limit, after))
    return _shown(PageOut[ProbeBucketOut], *buckets_page(database, frame, resolution, zone, limit, after))


class LatestReadingOut(ProbeReadingOut):
    """A probe's newest reading; only tests that need no other reading have looked at it."""

    probe_id: UUID
    site_id: UUID | None = Field(description="The site the probe belongs to.")


@router.get("/readings/latest", response_model=PageOut[LatestReadingOut])
def list_latest_readings(
    caller: CanRead,
    database: Database,
    quantity: QuantityLabel = "temperature",
    site_id: Annotated[UUID | None, Query(description="Only probes of this site.")] = None,
    limit: Limit = 100,
    after: After = None,
) -> object:
    """List the newest reading of each probe, with where the probe sat then; probes without one are left out."""
    kind = QUANTITY_OF_LABEL[quantity]
    with database.begin(caller.organisation_id) as session:
        found, cursor = latest.newest_page(session, caller, kind, site_id=site_id, limit=limit, after=after)
    return {"items": [_latest_out(one, kind) for one in found], "next": cursor}


def _latest_out(one: latest.Newest, quantity: Quantity) -> dict[str, object]:
    readings, recorded = one.counted.readings, one.recorded
    return {
        "probe_id": one.probe_id,
        "probe": one.serial,
        "site_id": one.site_id,
        "pile_id": one.pile_id,
        "position": one.position,
        "depth_cm": one.depth_cm,
        "observed_at": one.observed_at,
        "quantity": quantity.label,
        "value": float(readings.columns.value[0]),
        "unit": UCUM[Unit(int(readings.columns.unit[0]))],
        "flag": int(primary(one.counted.flag)[0]),
        "tests": tests_of(int(one.counted.flag[0])),
        "counts": bool(one.counted.counts[0]),
        "corrected": corrected_out(
            readings.touching(0),
            (int(recorded.observed_us[0]), int(readings.columns.observed_us[0])),
            (int(recorded.unit[0]), int(readings.columns.unit[0])),
        ),
    }


def _media_type(request: Request, after: str | None) -> str:
    """Return what to answer in; refuse what cannot be."""
    media_type = accepted(request, _MEDIA_TYPES)
    if media_type == PARQUET and parquet_library() is None:
        raise HTTPException(
            406,
            f"{PARQUET} needs the extra 'parquet', which this service was installed without; install"
            f" heapledger[parquet], or ask for {JSON} or {CSV}",
            {"Vary": "Accept"},
        )
    if media_type != JSON and after is not None:
        raise Invalid.field("/after", f"{media_type} holds the whole range in one answer; leave 'after' out")
    return media_type


def _shown(model: type[BaseModel], items: list[dict[str, object]], cursor: str | None) -> JSONResponse:
    page = model.model_validate({"items": items, "next": cursor})
    return JSONResponse(page.model_dump(mode="json", by_alias=True), headers={"Vary": "Accept"})
