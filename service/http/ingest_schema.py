"""What ``POST /v1/readings`` takes and answers, described for the OpenAPI document."""

from typing import Annotated, Any, Final

from pydantic import BaseModel, ConfigDict, Field

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
    """A reading that cannot be used; the others of its bag were kept."""

    index: int
    pointer: str
    type: str
    detail: str


class DisputedReading(BaseModel):
    """A reading that contradicts an earlier one of the same probe, quantity and instant; both are on file."""

    index: int
    value_in_force: float
    unit_in_force: UnitCode


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


def operation(problem_ref: dict[str, Any]) -> dict[str, Any]:
    """Return the OpenAPI operation of the route."""
    receipt = {"application/json": {"schema": {"$ref": "#/components/schemas/ReceiptOut"}}}
    refusal = {"application/problem+json": {"schema": problem_ref}}
    return {
        "tags": ["readings"],
        "summary": "Post Readings",
        "description": "Keep a bag of readings. Sending the same bag again is harmless. Any 2xx means: drop these"
        " readings from your buffer. 4xx means: do not resend unchanged (413: halve it). 5xx, 429 or no answer:"
        " send the same bytes again after Retry-After or with growing pauses.",
        "operationId": "post_readings",
        "security": [{"key": []}],
        "parameters": [
            {
                "name": "Prefer",
                "in": "header",
                "required": False,
                "schema": {"type": "string"},
                "description": "`handling=strict` keeps all readings or none (RFC 7240).",
            }
        ],
        "requestBody": {
            "required": True,
            "content": {"application/json": {"schema": {"$ref": "#/components/schemas/ReadingBag"}}},
        },
        "responses": {
            "200": {"description": "All kept, or there already.", "content": receipt},
            "207": {"description": "Some were refused; the others were kept.", "content": receipt},
            "4XX": {"description": "Refused; nothing was kept.", "content": refusal},
            "5XX": {"description": "Not kept; try again.", "content": refusal},
        },
    }
