"""Verdicts on file judged again, for whoever doubts one."""

from uuid import UUID

from fastapi import APIRouter

from service.http.authority import CanRead, Database
from service.http.verdicts import ReproductionOut
from service.operations import reproductions

router = APIRouter(tags=["compliance"])


@router.get("/verdicts/{verdict_id}/reproduction", response_model=ReproductionOut)
def reproduce_verdict(verdict_id: UUID, caller: CanRead, database: Database) -> reproductions.Reproduction:
    """Judge a verdict on file again on what was on record when it was issued, and compare both to the byte."""
    with database.begin(caller.organisation_id) as session:
        record = reproductions.read(session, caller, verdict_id)
    return reproductions.reproduce(record)
