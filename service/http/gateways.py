"""Gateways: the record of each, and how it stands."""

from datetime import UTC, datetime
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Response
from fastapi.responses import JSONResponse
from pydantic import AfterValidator, Field

from service.domain.authority import Caller
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, IfMatch, Limit, PageOut, answer, etag
from service.http.probes import Serial
from service.http.values import In, Instant, Name, Out, omitted, shown_as
from service.operations import gateways
from service.operations.gateways import Standing
from service.storage.database import Session
from service.storage.tables import GatewayRow

router = APIRouter(tags=["gateways"])

_MOST_SERIALS = 1000


def _each_once(serials: list[str]) -> list[str]:
    return list(dict.fromkeys(serials))


def _each_whole(aliases: dict[str, str]) -> dict[str, str]:
    for text in (*aliases, *aliases.values()):
        try:
            text.encode()
        except UnicodeEncodeError:
            raise ValueError("a text holds half a character; write it in full") from None
    return aliases


Serials = Annotated[
    list[Serial],
    Field(
        max_length=_MOST_SERIALS,
        description="The probes it may speak for with a key of its own; empty means any that its site allows.",
    ),
    AfterValidator(_each_once),
]
Aliases = Annotated[
    dict[str, str],
    Field(
        max_length=200,
        description="Names its packs use, each with the probe and quantity it stands for.",
        examples=[{"ch1": "PR-0042/temperature"}],
    ),
    AfterValidator(_each_whole),
]


class GatewayIn(In):
    """A device that posts the readings of probes."""

    model_config = shown_as(
        {"name": "orchard-north", "serials": ["PR-0042"], "aliases": {"ch1": "PR-0042/temperature"}}
    )

    name: Name
    site_id: UUID | None = None
    serials: Serials = Field(default_factory=list)
    aliases: Aliases = Field(default_factory=dict)


class GatewayChange(In):
    """What may be changed of a gateway; fields left out stay as they are."""

    name: Name = omitted()
    site_id: UUID | None = omitted()
    serials: Serials = omitted()
    aliases: Aliases = omitted()


class ClockOut(Out):
    """How a gateway's clock stands to the service's, from packs that say when they were sent."""

    state: Literal["unknown", "good", "suspect"] = Field(
        description="suspect: it is ahead, or behind by the same amount in pack after pack."
    )
    offset_s: float | None = Field(description="How far it is behind, delay on the way included [s].")
    spread_s: float | None = Field(description="How far packs stray from that [s].")
    packs: int = Field(description="How many packs this rests on.")


class SilenceOut(Out):
    """Whether a gateway is silent, and what that is held against."""

    state: Literal["heard", "silent", "never_heard", "offline"]
    since: Instant | None = Field(description="When it was last heard.")
    overdue_s: float = Field(description="How long its next word is overdue [s].")
    expected_within_s: float | None = Field(
        description="From its last word on, what is still no silence [s]; null while nothing is known."
    )
    expected_from: Literal["promise", "cadence", "unknown"] = Field(
        description="promise: it named its longest silence; cadence: learned from when it was heard."
    )


class StateToldOut(Out):
    """What a gateway, or its last will, told over the broker."""

    is_online: bool
    since: Instant | None
    buffered: int | None = Field(description="Readings it still has to send.")
    told_at: Instant


class GatewayOut(Out):
    """A gateway as it is on record, and how it stands."""

    id: UUID
    name: str
    site_id: UUID | None
    serials: list[str]
    aliases: dict[str, str]
    last_heard_at: Instant | None = Field(description="When the last pack under its present name arrived.")
    clock: ClockOut
    silence: SilenceOut
    state_told: StateToldOut | None = Field(description="Null if it never told its state.")
    created_at: Instant


def _gateway_out(standing: Standing) -> GatewayOut:
    row, silence, expectation = standing.gateway, standing.silence, standing.expectation
    return GatewayOut(
        id=row.id,
        name=row.name,
        site_id=row.site_id,
        serials=row.serials,
        aliases=row.aliases,
        last_heard_at=standing.last_heard_at,
        clock=ClockOut.model_validate(standing.clock),
        silence=SilenceOut(
            state=silence.state,
            since=silence.since,
            overdue_s=silence.overdue_s,
            expected_within_s=expectation.seconds,
            expected_from=expectation.from_,
        ),
        state_told=None if standing.state is None else StateToldOut.model_validate(standing.state),
        created_at=row.created_at,
    )


def _one_out(session: Session, caller: Caller, row: GatewayRow) -> GatewayOut:
    now = datetime.now(UTC)
    (standing,) = gateways.standings_of(session, caller.organisation_id, [row], now=now)
    return _gateway_out(standing)


@router.post("/gateways", status_code=201, response_model=GatewayOut)
def create_gateway(body: GatewayIn, caller: CanWrite, database: Database, once: CreateOnce) -> JSONResponse:
    """Register a gateway."""

    def make() -> tuple[GatewayOut, dict[str, str]]:
        row = gateways.create_gateway(session, caller, body.model_dump())
        headers = {"ETag": etag(row.version), "Location": f"/v1/gateways/{row.id}"}
        return _one_out(session, caller, row), headers

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/gateways", response_model=PageOut[GatewayOut])
def list_gateways(
    caller: CanRead,
    database: Database,
    silent: Annotated[
        bool | None,
        Query(
            description="true: only those overdue or offline, where somebody should look; false: the rest."
        ),
    ] = None,
    limit: Limit = 100,
    after: After = None,
) -> object:
    """List the gateways this key may see, oldest first, each with how it stands."""
    now = datetime.now(UTC)
    with database.begin(caller.organisation_id) as session:
        found = gateways.standings_page(session, caller, silent=silent, limit=limit, after=after, now=now)
    return {"items": [_gateway_out(one) for one in found.items], "next": found.next}


@router.get("/gateways/{gateway_id}", response_model=GatewayOut)
def get_gateway(gateway_id: UUID, caller: CanRead, database: Database, response: Response) -> object:
    """Return one gateway."""
    with database.begin(caller.organisation_id) as session:
        row = gateways.gateway_of(session, caller, gateway_id)
        shown = _one_out(session, caller, row)
    return answer(shown, response, row.version)


@router.patch("/gateways/{gateway_id}", response_model=GatewayOut)
def change_gateway(
    gateway_id: UUID,
    body: GatewayChange,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Change a gateway. Its packs are known by the name they came under, so renamed it is unheard for a while."""
    with database.begin(caller.organisation_id) as session:
        row = gateways.change_gateway(session, caller, gateway_id, version, body.given())
        shown = _one_out(session, caller, row)
    return answer(shown, response, row.version)
