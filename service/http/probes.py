"""Probes and placements."""

from typing import Annotated, Self
from uuid import UUID

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse
from pydantic import Field, StringConstraints

from service.domain.readings.calibrations import CalibrationMethod, offset_c
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, IfMatch, Limit, PageOut, answer, etag
from service.http.values import In, Instant, Name, Note, Number, Out, omitted, shown_as
from service.operations import probes
from service.storage import probes as stored
from service.storage.calibrations import newest_of
from service.storage.tables import CalibrationRow, ProbeRow

router = APIRouter(tags=["probes"])

Serial = Annotated[
    str, StringConstraints(strip_whitespace=True, min_length=1, max_length=100, pattern=r"^[\x21-\x7e]+$")
]
Depth = Annotated[Number, Field(ge=0, le=1000)]
Accuracy = Annotated[Number, Field(gt=0, le=20)]


class ProbeIn(In):
    """An instrument; its serial is the name gateways use."""

    model_config = shown_as({"serial": "PR-0042", "accuracy_c": 0.5})

    serial: Serial
    site_id: UUID | None = None
    accuracy_c: Accuracy | None = Field(default=None, description="Maker's accuracy, plus or minus [Cel].")
    note: Note | None = None


class ProbeChange(In):
    """What may be changed of a probe; fields left out stay as they are."""

    site_id: UUID | None = omitted()
    accuracy_c: Accuracy | None = omitted()
    note: Note | None = omitted()


class LatestCalibration(Out):
    """The latest time a probe was held against something known."""

    calibrated_at: Instant
    method: CalibrationMethod
    offset_c: float = Field(description="Reference less shown [Cel]; no reading is altered by it.")
    accuracy_c: float | None


class ProbeOut(Out):
    """A probe as it is on record."""

    id: UUID
    serial: str
    site_id: UUID | None
    accuracy_c: float | None
    note: str | None
    calibration: LatestCalibration | None = None
    created_at: Instant

    @classmethod
    def of(cls, row: ProbeRow, latest: CalibrationRow | None) -> Self:
        """Return a probe as it is shown."""
        if latest is None:
            return cls.model_validate(row)
        derived = {"offset_c": offset_c(latest.reference_c, latest.shown_c)}
        calibration = LatestCalibration.model_validate(latest.model_dump() | derived)
        return cls.model_validate(row).model_copy(update={"calibration": calibration})


class ProbeCreated(ProbeOut):
    """A probe just registered, and what became of the readings that waited for it."""

    adopted_readings: int = Field(description="Held readings that are now this probe's.")
    disputed_readings: int = Field(description="Held readings that contradicted an earlier one.")


class PlacementIn(In):
    """Which pile the probe sits in, where, how deep, from when until when."""

    pile_id: UUID
    position: Name = Field(examples=["core-1"])
    depth_cm: Depth | None = None
    since: Instant = Field(alias="from")
    until: Instant | None = Field(default=None, alias="to", description="Null while it still sits there.")


class PlacementChange(In):
    """What may be changed of a placement; fields left out stay as they are."""

    position: Name = omitted()
    depth_cm: Depth | None = omitted()
    until: Instant | None = Field(default_factory=lambda: None, alias="to")


class PlacementOut(Out):
    """A placement as it is on record."""

    id: UUID
    probe_id: UUID
    pile_id: UUID
    position: str
    depth_cm: float | None
    since: Instant = Field(serialization_alias="from")
    until: Instant | None = Field(serialization_alias="to")
    created_at: Instant


@router.post("/probes", status_code=201, response_model=ProbeCreated)
def create_probe(body: ProbeIn, caller: CanWrite, database: Database, once: CreateOnce) -> JSONResponse:
    """Register a probe; readings that were held for its serial become its own."""

    def make() -> tuple[ProbeCreated, dict[str, str]]:
        row, adopted = probes.register_probe(session, caller, body.model_dump())
        shown = ProbeOut.model_validate(row).model_dump()
        created = ProbeCreated(**shown, adopted_readings=adopted.stored, disputed_readings=adopted.disputed)
        return created, {"ETag": etag(row.version), "Location": f"/v1/probes/{row.id}"}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/probes", response_model=PageOut[ProbeOut])
def list_probes(caller: CanRead, database: Database, limit: Limit = 100, after: After = None) -> object:
    """List the probes this key may see, oldest first."""
    with database.begin(caller.organisation_id) as session:
        found = stored.probes_page(session, caller, limit=limit, after=after)
        latest = newest_of(session, caller.organisation_id, [row.id for row in found.items])
    return {"items": [ProbeOut.of(row, latest.get(row.id)) for row in found.items], "next": found.next}


@router.get("/probes/{probe_id}", response_model=ProbeOut)
def get_probe(probe_id: UUID, caller: CanRead, database: Database, response: Response) -> object:
    """Return one probe."""
    with database.begin(caller.organisation_id) as session:
        row = probes.probe_of(session, caller, probe_id)
        latest = newest_of(session, caller.organisation_id, [row.id])
    return answer(ProbeOut.of(row, latest.get(row.id)), response, row.version)


@router.patch("/probes/{probe_id}", response_model=ProbeOut)
def change_probe(
    probe_id: UUID,
    body: ProbeChange,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Change a probe."""
    with database.begin(caller.organisation_id) as session:
        row = probes.change_probe(session, caller, probe_id, version, body.given())
        latest = newest_of(session, caller.organisation_id, [row.id])
    return answer(ProbeOut.of(row, latest.get(row.id)), response, row.version)


@router.post("/probes/{probe_id}/placements", status_code=201, response_model=PlacementOut)
def create_placement(
    probe_id: UUID, body: PlacementIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Record where a probe sits; readings of that time are the pile's, also those that came before this."""

    def make() -> tuple[PlacementOut, dict[str, str]]:
        row = probes.place(session, caller, probe_id, body.model_dump())
        return PlacementOut.model_validate(row), {
            "ETag": etag(row.version),
            "Location": f"/v1/probes/{probe_id}/placements/{row.id}",
        }

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/probes/{probe_id}/placements", response_model=PageOut[PlacementOut])
def list_placements(
    probe_id: UUID, caller: CanRead, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List where a probe has been, in the order it was recorded."""
    with database.begin(caller.organisation_id) as session:
        probes.probe_of(session, caller, probe_id)
        return stored.placements_page(session, caller.organisation_id, probe_id, limit=limit, after=after)


@router.get("/probes/{probe_id}/placements/{placement_id}", response_model=PlacementOut)
def get_placement(
    probe_id: UUID, placement_id: UUID, caller: CanRead, database: Database, response: Response
) -> object:
    """Return one placement."""
    with database.begin(caller.organisation_id) as session:
        row = probes.placement_of(session, caller, probe_id, placement_id)
    return answer(PlacementOut.model_validate(row), response, row.version)


@router.patch("/probes/{probe_id}/placements/{placement_id}", response_model=PlacementOut)
def change_placement(
    probe_id: UUID,
    placement_id: UUID,
    body: PlacementChange,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Change a placement, for instance end it when the probe is moved."""
    with database.begin(caller.organisation_id) as session:
        row = probes.change_placement(session, caller, probe_id, placement_id, version, body.given())
    return answer(PlacementOut.model_validate(row), response, row.version)
