"""What a profile makes of its sample, and where in the request the fault lies when it makes nothing of it."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any, Final, Literal, Self

from pydantic import Field

from service.domain.errors import FieldError, Invalid, TooLarge
from service.domain.quantities import UCUM, Quantity, Unit
from service.http.formats.read import Sorted, Unreadable
from service.http.formats.samples import MOST, must_pass
from service.http.formats.table import read_table
from service.http.formats.table_layout import layout_of
from service.http.formats.uplink import read_uplink
from service.http.formats.uplink_profile import profile_of
from service.http.values import Instant, Out, QuantityLabel, UnitCode

ProfileKind = Literal["table", "uplink"]

_DEEPEST: Final = 8
_LISTED: Final = 20
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


def accepted(kind: ProfileKind, definition: Mapping[str, Any], sample: str, *, now: datetime) -> Sorted:
    """Return what a sample is read into, if it holds usable readings and no others.

    Raises
    ------
    Invalid
        Under ``/definition`` or at ``/sample``.
    """

    def read(_most: int) -> Sorted:
        return tried(kind, definition, sample, now=now)

    return must_pass(read)


def tried(kind: ProfileKind, definition: Mapping[str, Any], sample: str, *, now: datetime) -> Sorted:
    """Return what a sample is read into, refused readings among it.

    Raises
    ------
    Invalid
        Under ``/definition`` if it does not fit in itself, or does not fit the sample's columns; at ``/sample`` if
        that cannot be read at all.
    """
    _must_be_storable(definition)
    body = sample.encode()
    try:
        if kind == "table":
            return read_table(body, layout_of(definition), now=now, most=MOST)
        return read_uplink(body, profile_of(definition), now=now, most=MOST)
    except Unreadable as error:
        raise Invalid.field("/sample", str(error)) from error
    except TooLarge as error:
        raise Invalid.field("/sample", f"holds more than {MOST} readings; a few lines are enough") from error
    except Invalid as error:
        raise Invalid(*(_of_request(one) for one in error.errors)) from error


def _of_request(error: FieldError) -> FieldError:
    """Return an error of the reading with a pointer into the request: it speaks of the sample, or of a member."""
    return FieldError(f"/definition{error.pointer}" if error.pointer else "/sample", error.detail)


def _must_be_storable(definition: Mapping[str, Any]) -> None:
    """Refuse what no definition holds and the record, or a message about it, could not bear."""
    level: Sequence[object] = [definition]
    for _ in range(_DEEPEST):
        texts = [one for one in level if isinstance(one, str)]
        texts += [str(name) for one in level if isinstance(one, Mapping) for name in one]
        if any("\x00" in text or not _is_unicode(text) for text in texts):
            raise Invalid.field("/definition", "holds a NUL or half a character; leave it out")
        level = [
            inner
            for one in level
            if isinstance(one, Mapping | list)
            for inner in (one.values() if isinstance(one, Mapping) else one)
        ]
        if not level:
            return
    raise Invalid.field("/definition", f"is nested deeper than {_DEEPEST} levels; no definition is")


def _is_unicode(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


class SampleReadingOut(Out):
    """A reading that came out of the sample."""

    index: int = Field(description="Its place among all that the sample holds, from 0.")
    probe: str
    observed_at: Instant
    quantity: QuantityLabel
    value: float
    unit: UnitCode


class SampleRefusalOut(Out):
    """A reading of the sample that could not be used, and why."""

    index: int
    line: int | None = Field(description="Where it begins in a table, from 1.")
    member: str = Field(description="The part of the reading that is wrong; empty for all of it.")
    type: str
    detail: str


class SampleOut(Out):
    """What came out of a sample."""

    received: int = Field(description="Readings it holds.")
    usable: int
    refused: int
    readings: list[SampleReadingOut] = Field(description=f"The first {_LISTED}.")
    refusals: list[SampleRefusalOut] = Field(description=f"The first {_LISTED}.")

    @classmethod
    def of(cls, found: Sorted) -> Self:
        """Return what a sample was read into as it is shown."""
        return cls(
            received=found.received,
            usable=len(found.places),
            refused=len(found.refused),
            readings=[_reading_out(found, at) for at in range(min(_LISTED, len(found.places)))],
            refusals=[
                SampleRefusalOut(
                    index=place,
                    line=why.line,
                    member=why.member,
                    type=f"/problems/reading-{why.code}",
                    detail=why.detail,
                )
                for place, why in found.refused[:_LISTED]
            ],
        )


def _reading_out(found: Sorted, at: int) -> SampleReadingOut:
    observed_us = round(float(found.observed_s[at]) * 1e6)
    return SampleReadingOut(
        index=found.places[at],
        probe=found.serials[at],
        observed_at=_EPOCH + timedelta(microseconds=observed_us),
        quantity=Quantity(int(found.quantity[at])).label,
        value=float(found.value[at]),
        unit=UCUM[Unit(int(found.unit[at]))],
    )
