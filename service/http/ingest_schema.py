"""What ``POST /v1/readings`` takes and answers, described for the OpenAPI document."""

from typing import Annotated, Any, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, RootModel

from service.http.formats.bodies import BAG, LINES, SENML_CBOR, SENML_JSON, TABLE
from service.http.values import Instant, QuantityLabel, UnitCode

_EXAMPLE: Final[dict[str, Any]] = {
    "gateway": "orchard-north",
    "sent_at": "2026-05-04T14:00:05Z",
    "readings": [
        {
            "probe": "PR-0042",
            "observed_at": "2026-05-04T09:00:00-05:00",
            "quantity": "temperature",
            "value": 61.4,
            "unit": "Cel",
        }
    ],
}


class ReadingItem(BaseModel):
    """One reading, as recorded by the probe."""

    model_config = ConfigDict(extra="forbid")

    probe: Annotated[str, Field(min_length=1, max_length=100, description="The probe's serial.")]
    observed_at: Instant
    quantity: QuantityLabel
    value: float
    unit: UnitCode = Field(description="UCUM code.")


class ReadingBag(BaseModel):
    """What a gateway posts: old and new readings, in any order, sent before or not."""

    model_config = ConfigDict(extra="forbid", json_schema_extra={"examples": [_EXAMPLE]})

    readings: Annotated[list[ReadingItem], Field(max_length=10_000)]
    gateway: Annotated[str | None, Field(min_length=1, max_length=200)] = None
    sent_at: Instant | None = Field(default=None, description="The device's clock when it sent this.")


class RefusedReading(BaseModel):
    """A reading that cannot be used; the others of its body were kept."""

    index: int = Field(description="Its place among the readings of the body, from 0.")
    pointer: str = Field(
        description="RFC 6901 pointer to what is wrong; of lines and tables, in their readings."
    )
    type: str
    detail: str
    line: int | None = Field(
        default=None, description="The line it began on, in a body made of lines, from 1."
    )


class DisputedReading(BaseModel):
    """A reading that contradicts an earlier one of the same probe, quantity and instant; both are on file."""

    index: int
    value_in_force: float
    unit_in_force: UnitCode


class SenmlRecord(BaseModel):
    """A record of a SenML pack (RFC 8428); ``n`` is ``probe/quantity`` or one of the gateway's aliases."""

    model_config = ConfigDict(extra="allow")

    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bver: int | None = None
    n: str | None = None
    u: str | None = Field(
        default=None, description="SenML unit: Cel, K, %EL, V, dBm ...; it has no Fahrenheit."
    )
    v: float | None = None
    t: float | None = Field(
        default=None, description="Seconds since 1970; relative times only with live=true."
    )
    ut: float | None = Field(default=None, description="The longest silence promised [s].")


class SenmlPack(RootModel[list[SenmlRecord]]):
    """A SenML pack."""

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                [
                    {
                        "bn": "PR-0042/",
                        "bt": 1777903200,
                        "bu": "Cel",
                        "n": "temperature",
                        "v": 61.4,
                        "ut": 3600,
                    },
                    {"n": "temperature", "t": 900, "v": 61.9},
                ]
            ]
        }
    )


class ReceiptOut(BaseModel):
    """What became of each reading; what is called stored is on disk."""

    received: int
    stored: int = Field(description="Committed to disk now.")
    duplicate: int = Field(description="There before, with the same value.")
    disputed: int = Field(
        description="There before with another value: the first stays in force, this is on file."
    )
    held: int = Field(description="Of a probe not registered yet; kept, and adopted when it is.")
    refused: list[RefusedReading] = Field(description="At most 100 are listed.")
    refused_count: int
    disputes: list[DisputedReading] = Field(description="At most 100 are listed.")
    committed_bytes: int | None = Field(
        default=None, description="Of a stream of lines: where the last committed line ends."
    )
    lines: int | None = Field(default=None, description="Of a stream of lines: the last committed line.")


class TrialOut(BaseModel):
    """What would become of a body; nothing was kept."""

    dry_run: Literal[True]
    received: int
    usable: int
    would_be_held: int = Field(description="Usable, of probes not registered yet.")
    unknown_probes: list[str] = Field(description="At most 100 are listed.")
    refused: list[RefusedReading] = Field(description="At most 100 are listed.")
    refused_count: int


_DESCRIPTION: Final = (
    "Keep readings: a JSON bag, a SenML pack (RFC 8428), a table (RFC 4180) or one reading a line. Sending the same"
    " bytes again is harmless. Any 2xx means: drop these readings from your buffer. 4xx means: do not resend"
    " unchanged (413: halve it; 429: after Retry-After). 5xx or no answer: send the same bytes again after Retry-After"
    " or with growing pauses. Bodies may be coded with gzip or zstd. Lines are streamed without limit of length;"
    " everything else holds at most 10,000 readings and 8 MiB. With `Prefer: respond-async` a body of up to 200 MiB"
    " is taken in whole, answered 202, and read by a job. A uplink of a network server is application/json with the"
    " `profile` that maps it."
)


def operation(problem_ref: dict[str, Any]) -> dict[str, Any]:
    """Return the OpenAPI operation of the route."""

    def of(name: str) -> dict[str, Any]:
        return {"schema": {"$ref": f"#/components/schemas/{name}"}}

    receipt = {
        "application/json": {"schema": {"anyOf": [of("ReceiptOut")["schema"], of("TrialOut")["schema"]]}}
    }
    refusal = {"application/problem+json": {"schema": problem_ref}}
    bytes_of = {"schema": {"type": "string", "format": "binary"}}
    return {
        "tags": ["readings"],
        "summary": "Post Readings",
        "description": _DESCRIPTION,
        "operationId": "post_readings",
        "security": [{"key": []}],
        "parameters": _PARAMETERS,
        "requestBody": {
            "required": True,
            "content": {
                BAG: of("ReadingBag"),
                SENML_JSON: of("SenmlPack"),
                SENML_CBOR: bytes_of,
                TABLE: bytes_of,
                LINES: bytes_of,
            },
        },
        "responses": {
            "200": {
                "description": "All kept, or there already; or a trial, which keeps nothing.",
                "content": receipt,
            },
            "202": {
                "description": "The body is on disk and will be read.",
                "headers": {"Location": {"schema": {"type": "string"}, "description": "The import."}},
                "content": {"application/json": of("ImportOut")},
            },
            "207": {"description": "Some were refused; the others were kept.", "content": receipt},
            "429": {
                "description": "Too often; nothing was kept.",
                "headers": {
                    "Retry-After": {"schema": {"type": "integer"}},
                    "RateLimit": {"schema": {"type": "string"}},
                    "RateLimit-Policy": {"schema": {"type": "string"}},
                },
                "content": refusal,
            },
            "4XX": {"description": "Refused; nothing was kept.", "content": refusal},
            "5XX": {"description": "Not kept; try again.", "content": refusal},
        },
    }


def _header(name: str, description: str) -> dict[str, Any]:
    return {
        "name": name,
        "in": "header",
        "required": False,
        "schema": {"type": "string"},
        "description": description,
    }


def _query(name: str, kind: str, description: str) -> dict[str, Any]:
    return {
        "name": name,
        "in": "query",
        "required": False,
        "schema": {"type": kind},
        "description": description,
    }


_PARAMETERS: Final = [
    _header(
        "Prefer",
        "`handling=strict` keeps all or none; `respond-async` takes the body in and reads it later (RFC 7240).",
    ),
    _header(
        "Idempotency-Key", "Names a stream of lines or an import, so that it can be gone on with or repeated."
    ),
    _header("Upload-Offset", "The byte of the named stream at which this body begins."),
    _query("dry_run", "boolean", "Say what would become of it and keep nothing."),
    _query("live", "boolean", "The sender sends at once: SenML times relative to now are taken."),
    _query("profile", "string", "The name of the profile that maps this table or uplink."),
    _query("time_zone", "string", "IANA zone of a table's times without offset."),
]
