"""Calibrations of probes: what each showed against something known, added to and never changed."""

from datetime import UTC, datetime
from typing import Annotated, Self
from uuid import UUID

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.readings.calibrations import CalibrationMethod, cautions_of, offset_c
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, Limit, PageOut
from service.http.values import In, Instant, Note, Number, Out
from service.operations import calibrations, probes
from service.storage import calibrations as stored
from service.storage.tables import CalibrationRow

router = APIRouter(tags=["probes"])

Shown = Annotated[Number, Field(ge=-100, le=300)]


class CalibrationIn(In):
    """What the probe showed when it was held against something known."""

    calibrated_at: Instant = Field(description="When it was done, at most ten minutes ahead.")
    method: CalibrationMethod = Field(
        description="Boiling water and steam scald: use tongs, keep face and hands out of the steam."
    )
    reference_c: Shown = Field(description="What it really was [Cel]: 0 in stirred crushed ice and water.")
    shown_c: Shown = Field(description="What the probe showed [Cel].")
    accuracy_c: Annotated[Number, Field(gt=0, le=20)] | None = Field(
        default=None, description="How well the reference is known, plus or minus [Cel]."
    )
    note: Note | None = None


class CalibrationOut(Out):
    """A calibration as it is on record."""

    id: UUID
    probe_id: UUID
    calibrated_at: Instant
    method: CalibrationMethod
    reference_c: float
    shown_c: float
    offset_c: float = Field(description="Reference less shown [Cel]; no reading is altered by it.")
    accuracy_c: float | None
    note: str | None
    cautions: list[str] = Field(description="What to mind with this method.")
    recorded_at: Instant

    @classmethod
    def of(cls, row: CalibrationRow) -> Self:
        """Return a calibration as it is shown."""
        derived = {
            "offset_c": offset_c(row.reference_c, row.shown_c),
            "cautions": cautions_of(row.method),
        }
        return cls.model_validate(row.model_dump() | derived)


@router.post("/probes/{probe_id}/calibrations", status_code=201, response_model=CalibrationOut)
def create_calibration(
    probe_id: UUID, body: CalibrationIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Add a calibration of a probe; nothing on record is changed, and no reading is altered."""

    def make() -> tuple[CalibrationOut, dict[str, str]]:
        now = datetime.now(UTC)
        row = calibrations.record_calibration(session, caller, probe_id, body.model_dump(), now=now)
        return CalibrationOut.of(row), {}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/probes/{probe_id}/calibrations", response_model=PageOut[CalibrationOut])
def list_calibrations(
    probe_id: UUID, caller: CanRead, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List a probe's calibrations in the order they were recorded."""
    with database.begin(caller.organisation_id) as session:
        probes.probe_of(session, caller, probe_id)
        found = stored.calibrations_page(session, caller.organisation_id, probe_id, limit=limit, after=after)
    return {"items": [CalibrationOut.of(row) for row in found.items], "next": found.next}
