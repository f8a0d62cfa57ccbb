"""What people say about readings already taken: entries beside them, in the order of record."""

from collections.abc import Container
from datetime import UTC, datetime
from typing import Self
from uuid import UUID

from fastapi import APIRouter
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.quantities import UCUM, Quantity, Unit
from service.domain.readings.corrections import CorrectionKind, in_force
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, Limit, PageOut
from service.http.values import In, Instant, Note, Number, Out, QuantityLabel, UnitCode
from service.operations import corrections, probes
from service.storage import corrections as stored
from service.storage.tables import ReadingCorrectionRow

router = APIRouter(tags=["probes"])


class ReadingCorrectionIn(In):
    """What a person says about the readings a probe recorded over some time."""

    kind: CorrectionKind = Field(
        description="accept: they count although a check doubts them; exclude: they do not count; shift: the clock was"
        " wrong; unit: the numbers were told in another unit; withdraw: an earlier entry no longer holds."
    )
    quantity: QuantityLabel | None = Field(
        default=None, description="Whose readings; null for all of the probe."
    )
    since: Instant | None = Field(
        default=None, alias="from", description="Recorded time; may be left out of a withdrawal only."
    )
    until: Instant | None = Field(default=None, alias="to", description="Not part of the span itself.")
    by_s: Number | None = Field(
        default=None, description="shift: what is added to the recorded time, below 0 for a fast clock [s]."
    )
    unit: UnitCode | None = Field(default=None, description="unit: what the numbers were really told in.")
    withdraws: UUID | None = Field(default=None, description="withdraw: the entry that no longer holds.")
    reason: Note = Field(description="Why, in a few words.")


class ReadingCorrectionOut(Out):
    """What was said, as it is on record."""

    id: UUID
    probe_id: UUID
    kind: CorrectionKind
    quantity: QuantityLabel | None
    since: Instant = Field(serialization_alias="from")
    until: Instant = Field(serialization_alias="to")
    by_s: float | None
    unit: UnitCode | None
    withdraws: UUID | None
    reason: str
    is_in_force: bool = Field(
        description="Whether it holds; a withdrawal changes no reading itself and never does."
    )
    recorded_at: Instant
    recorded_by: UUID | None = Field(description="The key it was recorded with.")

    @classmethod
    def of(cls, row: ReadingCorrectionRow, holding: Container[UUID]) -> Self:
        """Return an entry as it is shown."""
        told = {
            "quantity": None if row.quantity is None else Quantity(row.quantity).label,
            "unit": None if row.unit is None else UCUM[Unit(row.unit)],
            "is_in_force": row.id in holding,
        }
        return cls.model_validate(row.model_dump() | told)


@router.post("/probes/{probe_id}/corrections", status_code=201, response_model=ReadingCorrectionOut)
def create_correction(
    probe_id: UUID, body: ReadingCorrectionIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Say something about readings; they stay as recorded, and verdicts they touch are looked at again."""

    def make() -> tuple[ReadingCorrectionOut, dict[str, str]]:
        now = datetime.now(UTC)
        row = corrections.record_correction(session, caller, probe_id, body.model_dump(), now=now)
        return ReadingCorrectionOut.of(row, () if row.kind == "withdraw" else (row.id,)), {}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/probes/{probe_id}/corrections", response_model=PageOut[ReadingCorrectionOut])
def list_corrections(
    probe_id: UUID, caller: CanRead, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List what was said about a probe's readings, in the order of record."""
    with database.begin(caller.organisation_id) as session:
        probes.probe_of(session, caller, probe_id)
        found = stored.corrections_page(session, caller.organisation_id, probe_id, limit=limit, after=after)
        known = stored.corrections_of(session, caller.organisation_id, probe_id)
    holding = {entry.id for entry in in_force(known)}
    return {"items": [ReadingCorrectionOut.of(row, holding) for row in found.items], "next": found.next}
