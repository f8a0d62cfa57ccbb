"""The caller's own organisation, and how long it keeps readings."""

from typing import Annotated

from fastapi import APIRouter
from pydantic import Field

from service.http.authority import CanAdmin, CanRead, Database
from service.http.values import In, Instant, Out, Whole, omitted, shown_as
from service.operations import organisations

router = APIRouter(tags=["organisation"])

KeepMonths = Annotated[Whole, Field(ge=12, le=1200)]


class OrganisationChange(In):
    """What may be changed of an organisation; fields left out stay as they are."""

    model_config = shown_as({"keep_readings_months": 36})

    keep_readings_months: KeepMonths | None = omitted()


class OrganisationOut(Out):
    """An organisation as it is on record."""

    organisation_id: int
    name: str
    created_at: Instant
    keep_readings_months: int | None = Field(
        description="Readings older than this, counted in whole months, are deleted for good; null keeps them for"
        " ever. What a verdict on file rests on is never deleted: readings taken in a pile on which one was issued."
    )


@router.get("/organisation", response_model=OrganisationOut)
def get_organisation(caller: CanRead, database: Database) -> object:
    """Return the organisation this key belongs to."""
    with database.begin(caller.organisation_id) as session:
        return organisations.own(session, caller)


@router.patch("/organisation", response_model=OrganisationOut)
def change_organisation(body: OrganisationChange, caller: CanAdmin, database: Database) -> object:
    """Change how long readings are kept; needs a key for the whole organisation."""
    with database.begin(caller.organisation_id) as session:
        return organisations.change(session, caller, body.given())
