"""Profiles: how one kind of file or uplink is read, kept only with a sample that is read without fault."""

from datetime import UTC, datetime
from typing import Annotated, Any
from uuid import UUID

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse
from pydantic import Field, StringConstraints

from service.domain.errors import StaleVersion
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, IfMatch, Limit, PageOut, answer, etag
from service.http.profile_samples import ProfileKind, SampleOut, accepted, tried
from service.http.values import In, Instant, Name, Out, omitted, shown_as
from service.operations import profiles
from service.storage import profiles as stored
from service.storage import records
from service.storage.tables import ReadingProfileRow

router = APIRouter(tags=["readings"])

Definition = Annotated[
    dict[str, Any],
    Field(
        description="For a table: probe, quantity, unit, value (or values), observed_at, time_format, time_zone,"
        " fold_column, delimiter, decimal_comma, header, skip_lines, missing. For an uplink, JMESPath expressions:"
        " device, counter, received_at, records, probe, quantity, value, unit, observed_at."
    ),
]
Sample = Annotated[
    str,
    StringConstraints(min_length=1, max_length=100_000, pattern=r"^[^\x00]*$"),
    Field(description="A few lines of a real file, or one real uplink, as it comes."),
]
_EXAMPLE = {
    "name": "yard logger",
    "kind": "table",
    "definition": {
        "delimiter": ";",
        "decimal_comma": True,
        "observed_at": {"columns": ["Date", "Time"]},
        "time_format": "%d.%m.%Y %H:%M",
        "time_zone": "Europe/Lisbon",
        "probe": {"constant": "PR-0042"},
        "quantity": {"constant": "temperature"},
        "unit": {"constant": "Cel"},
        "value": {"column": "Core"},
    },
    "sample": "Date;Time;Core\n04.05.2026;09:00;57,2\n04.05.2026;10:00;57,9\n",
}


class ProfileTryIn(In):
    """A profile to try on a sample; nothing is kept."""

    model_config = shown_as(_EXAMPLE)

    name: Name | None = None
    kind: ProfileKind
    definition: Definition
    sample: Sample


class ProfileIn(In):
    """A profile to keep."""

    model_config = shown_as(_EXAMPLE)

    name: Name = Field(description="What ?profile= of POST /v1/readings names it by.")
    kind: ProfileKind
    definition: Definition
    sample: Sample


class ProfileChange(In):
    """What may be changed of a profile; fields left out stay as they are."""

    name: Name = omitted()
    definition: Definition = omitted()
    sample: Sample = omitted()


class ProfileOut(Out):
    """A profile as it is on record."""

    id: UUID
    name: str
    kind: ProfileKind
    definition: dict[str, Any]
    sample: str
    created_at: Instant


class ProfileAccepted(ProfileOut):
    """A profile just accepted, with what it made of its sample."""

    sample_gave: SampleOut


def _accepted_out(row: ReadingProfileRow, gave: SampleOut) -> ProfileAccepted:
    return ProfileAccepted(**ProfileOut.model_validate(row).model_dump(), sample_gave=gave)


@router.post("/profiles/try", response_model=SampleOut)
def try_profile(body: ProfileTryIn, caller: CanRead) -> object:  # noqa: ARG001 - the key is what is checked
    """Say what a profile makes of a sample, refusals and all; nothing is kept."""
    return SampleOut.of(tried(body.kind, body.definition, body.sample, now=datetime.now(UTC)))


@router.post("/profiles", status_code=201, response_model=ProfileAccepted)
def create_profile(body: ProfileIn, caller: CanWrite, database: Database, once: CreateOnce) -> JSONResponse:
    """Keep a profile, if its sample holds usable readings and no others."""
    caller.must_be_organisation_wide("reading profiles")
    gave = SampleOut.of(accepted(body.kind, body.definition, body.sample, now=datetime.now(UTC)))

    def make() -> tuple[ProfileAccepted, dict[str, str]]:
        row = profiles.create_profile(session, caller, body.model_dump())
        headers = {"ETag": etag(row.version), "Location": f"/v1/profiles/{row.id}"}
        return _accepted_out(row, gave), headers

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/profiles", response_model=PageOut[ProfileOut])
def list_profiles(caller: CanRead, database: Database, limit: Limit = 100, after: After = None) -> object:
    """List the organisation's profiles, oldest first."""
    with database.begin(caller.organisation_id) as session:
        return stored.profiles_page(session, caller.organisation_id, limit=limit, after=after)


@router.get("/profiles/{profile_id:uuid}", response_model=ProfileOut)
def get_profile(profile_id: UUID, caller: CanRead, database: Database, response: Response) -> object:
    """Return one profile."""
    with database.begin(caller.organisation_id) as session:
        row = records.find(session, ReadingProfileRow, caller.organisation_id, profile_id)
    return answer(ProfileOut.model_validate(row), response, row.version)


@router.patch("/profiles/{profile_id:uuid}", response_model=ProfileAccepted)
def change_profile(
    profile_id: UUID,
    body: ProfileChange,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Change a profile, if it then still reads its sample; what is sent along later is read by the new one."""
    changes = body.given()
    with database.begin(caller.organisation_id) as session:
        before = profiles.profile_to_change(session, caller, profile_id)
    if before.version != version:
        raise StaleVersion(f"If-Match names version {version} and the record is at version {before.version}")
    wanted = before.model_dump() | changes
    gave = SampleOut.of(
        accepted(wanted["kind"], wanted["definition"], wanted["sample"], now=datetime.now(UTC))
    )
    # The version is compared once more under lock, so what was read above is what is changed here.
    with database.begin(caller.organisation_id) as session:
        row = profiles.change_profile(session, caller, profile_id, version, changes)
    return answer(_accepted_out(row, gave), response, row.version)
