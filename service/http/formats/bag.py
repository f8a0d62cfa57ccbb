"""A bag of readings as JSON."""

from dataclasses import replace
from datetime import datetime
from typing import Annotated, Final

import msgspec
from msgspec import Meta, Struct

from service.domain.errors import FieldError, Invalid
from service.http.formats.items import REMEDIES, QuickItem, Zoned, member_of, sort_good, sort_one_by_one
from service.http.formats.read import Sorted, Unreadable, must_not_exceed

GatewayName = Annotated[str, Meta(min_length=1, max_length=200, pattern=r"^[^\x00]+$")]


class Bag(Struct, forbid_unknown_fields=True):
    """What a gateway posts."""

    readings: list[QuickItem]
    gateway: GatewayName | None = None
    sent_at: Zoned | None = None


class RawBag(Struct, forbid_unknown_fields=True):
    """The same, with the items left as they came."""

    readings: list[msgspec.Raw]
    gateway: GatewayName | None = None
    sent_at: Zoned | None = None


_WHOLE: Final = msgspec.json.Decoder(Bag)
_ENVELOPE: Final = msgspec.json.Decoder(RawBag)


def read_bag(body: bytes, *, now: datetime, most: int) -> Sorted:
    """Read a JSON bag of readings.

    Raises
    ------
    Invalid
        The envelope is not of the form, or holds more than ``most`` readings.
    Unreadable
        The body is not JSON, or nested too deeply.
    """
    try:
        bag = _WHOLE.decode(body)
    except msgspec.ValidationError:
        return _one_by_one(body, now=now, most=most)
    except msgspec.DecodeError as error:
        raise Unreadable(f"not JSON: {error}") from error
    except RecursionError as error:
        raise Unreadable("nested too deeply; send a flat bag") from error
    must_not_exceed(len(bag.readings), most)
    good = sort_good(bag.readings, now=now, gateway=bag.gateway, sent_at=bag.sent_at)
    return _one_by_one(body, now=now, most=most) if good is None else good


def _one_by_one(body: bytes, *, now: datetime, most: int) -> Sorted:
    try:
        bag = _ENVELOPE.decode(body)
    except msgspec.ValidationError as error:
        raise Invalid(_envelope_error(error)) from error
    except RecursionError as error:
        raise Unreadable("nested too deeply; send a flat bag") from error
    must_not_exceed(len(bag.readings), most)
    found = sort_one_by_one(map(bytes, bag.readings), now=now, most=most)
    return replace(found, gateway=bag.gateway, sent_at=bag.sent_at)


def _envelope_error(error: Exception) -> FieldError:
    member = member_of(error)
    text = str(error).partition(" - at ")[0]
    if member == "sent_at":
        return FieldError("/sent_at", REMEDIES["observed_at"])
    return FieldError(f"/{member}" if member else "", f'{text}; send {{"readings": [...]}}')
