"""The shapes values take on the wire: strict numbers, instants with an offset, clean texts."""

import re
from datetime import UTC, date, datetime
from typing import Annotated, Any, Final, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    StringConstraints,
    WithJsonSchema,
)

_RFC3339: Final = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(\.\d{1,9})?([Zz]|[+-]\d\d:\d\d)", re.ASCII)
EARLIEST: Final = datetime(1970, 1, 1, tzinfo=UTC)
LATEST: Final = datetime(2200, 1, 1, tzinfo=UTC)
_OFFSET_REMEDY: Final = "write an RFC 3339 time with an offset, such as 2026-05-04T09:00:00-05:00"


def _is_rfc3339(value: Any) -> Any:  # noqa: ANN401 - anything may come in
    if isinstance(value, datetime):
        return value
    if not isinstance(value, str) or not _RFC3339.fullmatch(value):
        raise ValueError(_OFFSET_REMEDY)
    return value[:10] + "T" + value[11:].upper()


def _within_reason(value: datetime) -> datetime:
    try:
        moment = value.astimezone(UTC)
    except OverflowError:
        raise ValueError("lies outside the calendar; " + _OFFSET_REMEDY) from None
    if not EARLIEST <= moment < LATEST:
        raise ValueError("must lie between 1970 and 2200; check the clock it came from")
    return moment


def _to_rfc3339(value: datetime) -> str:
    return value.astimezone(UTC).isoformat().replace("+00:00", "Z")


Instant = Annotated[
    AwareDatetime,
    BeforeValidator(_is_rfc3339),
    AfterValidator(_within_reason),
    PlainSerializer(_to_rfc3339, return_type=str, when_used="json"),
    WithJsonSchema({"type": "string", "format": "date-time", "examples": ["2026-05-04T09:00:00-05:00"]}),
]
"""An RFC 3339 time with offset; answered in UTC."""


def _is_date_text(value: Any) -> Any:  # noqa: ANN401 - anything may come in
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    if not isinstance(value, str) or not re.fullmatch(r"\d{4}-\d\d-\d\d", value, re.ASCII):
        raise ValueError("write a date such as 2026-03-02")
    return value


Day = Annotated[
    date,
    BeforeValidator(_is_date_text),
    Field(ge=date(1970, 1, 1), lt=date(2200, 1, 1)),
    WithJsonSchema({"type": "string", "format": "date", "examples": ["2026-03-02"]}),
]


def _zone_known(value: str) -> str:
    if value not in available_timezones():
        raise ValueError("not an IANA time zone; use a name such as Europe/Lisbon")
    ZoneInfo(value)
    return value


ZoneName = Annotated[
    str, StringConstraints(max_length=64), AfterValidator(_zone_known), Field(examples=["Europe/Lisbon"])
]
Name = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]+$"),
]
Note = Annotated[str, StringConstraints(max_length=4000, pattern=r"^[^\x00]*$")]
Code = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9_-]{0,62}$")]
FeedstockCode = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,62}$")]
Number = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=-1e12, le=1e12)]
Whole = Annotated[int, Field(strict=True)]
Flag = Annotated[bool, Field(strict=True)]
Percent = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=100)]
Amount = Annotated[float, Field(strict=True, allow_inf_nan=False, ge=0, le=1e9)]
Positive = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=1e9)]


def omitted() -> Any:  # noqa: ANN401 - stands in for a value of the field's own type
    """Return a default for a field of a change: it may be left out, and null is not the same as absent."""
    return Field(default_factory=lambda: None)


def shown_as(body: dict[str, Any]) -> ConfigDict:
    """Return the configuration of a body whose example stands in the OpenAPI document; a test sends each."""
    return ConfigDict(json_schema_extra={"examples": [body]})


class In(BaseModel):
    """A request body: unknown fields are refused."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False)

    def given(self) -> dict[str, Any]:
        """Return the fields the caller sent, and only those."""
        return self.model_dump(exclude_unset=True)


class Out(BaseModel):
    """An answer, read from a row or a domain value."""

    model_config = ConfigDict(from_attributes=True, extra="ignore")


QuantityLabel = Literal[
    "temperature",
    "moisture",
    "oxygen",
    "carbon_dioxide",
    "ambient_temperature",
    "battery",
    "signal",
    "ph",
]
UnitCode = Literal["Cel", "[degF]", "K", "%", "V", "dB[mW]", "[pH]"]
