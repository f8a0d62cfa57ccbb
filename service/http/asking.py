"""What a post of readings asks for beside its body: form, coding, and how it wants to be treated."""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final
from urllib.parse import parse_qsl

from service.domain.errors import FieldError, Invalid
from service.http.formats.bodies import BAG, LINES, SENML_CBOR, SENML_JSON, TABLE
from service.http.formats.codings import ACCEPT_ENCODING, CODINGS, IDENTITY
from service.http.formats.instants import is_zone
from service.http.formats.read import show

MEDIA_TYPES: Final = (BAG, SENML_JSON, SENML_CBOR, TABLE, LINES)
_FLAGS: Final = {"true": True, "1": True, "false": False, "0": False}
_LONGEST_KEY: Final = 200
_NAMES: Final = ("profile", "time_zone", "dry_run", "live")


class NotTaken(Exception):
    """A media type or content coding this address does not take.

    Parameters
    ----------
    header
        The field that says what is taken instead, and its value.
    """

    def __init__(self, code: str, detail: str, header: tuple[str, str]) -> None:
        self.code = code
        self.detail = detail
        self.header = header
        super().__init__(detail)


@dataclass(frozen=True)
class Asked:
    """What the head of a post says.

    Attributes
    ----------
    key
        ``Idempotency-Key``: names a stream, so that its sender may learn how far it came and go on.
    offset
        ``Upload-Offset``: the byte of the stream at which this body begins.
    """

    media_type: str
    coding: str
    is_strict: bool
    responds_async: bool
    is_dry_run: bool = False
    is_live: bool = False
    profile: str | None = None
    time_zone: str | None = None
    key: str | None = None
    offset: int | None = None


def asked_of(headers: Mapping[str, str], query: bytes) -> Asked:
    """Read the head of a post; field names in small letters.

    Raises
    ------
    NotTaken
        An unknown media type or coding.
    Invalid
        An unknown or malformed parameter.
    """
    asked = _usual(
        headers.get("content-type", ""), headers.get("content-encoding", IDENTITY), headers.get("prefer", "")
    )
    key, offset = headers.get("idempotency-key"), headers.get("upload-offset")
    if not query and key is None and offset is None:
        return asked
    return _with_parameters(asked, query, key, offset)


@lru_cache(256)
def _usual(content_type: str, content_encoding: str, prefer: str) -> Asked:
    """Read what nearly every post says alike."""
    media_type = content_type.partition(";")[0].strip().lower()
    if media_type not in MEDIA_TYPES:
        raise NotTaken(
            "unsupported-media-type",
            f"{show(media_type)} is not taken; send one of {', '.join(MEDIA_TYPES)}",
            ("Accept", ", ".join(MEDIA_TYPES)),
        )
    coding = content_encoding.strip().lower() or IDENTITY
    if coding not in {IDENTITY, *CODINGS}:
        raise NotTaken(
            "unsupported-content-coding",
            f"{show(coding)} is not taken; send one coding of {ACCEPT_ENCODING}",
            ("Accept-Encoding", ACCEPT_ENCODING),
        )
    prefers = _preferences(prefer)
    return Asked(media_type, coding, "handling=strict" in prefers, "respond-async" in prefers)


def _preferences(prefer: str) -> set[str]:
    """Return the preferences of RFC 7240, without their parameters."""
    return {one.partition(";")[0].replace(" ", "").replace('"', "").lower() for one in prefer.split(",")}


def _with_parameters(asked: Asked, query: bytes, key: str | None, offset: str | None) -> Asked:
    given = dict(parse_qsl(query.decode("latin-1"), keep_blank_values=True))
    errors = [
        FieldError(f"/{name}", f"is not a known parameter; use {', '.join(_NAMES)}")
        for name in given.keys() - set(_NAMES)
    ]
    errors += [
        FieldError(f"/{name}", f"{show(given[name])} is neither true nor false")
        for name in ("dry_run", "live")
        if given.get(name, "true") not in _FLAGS
    ]
    zone = given.get("time_zone")
    if zone is not None and not is_zone(zone):
        errors.append(FieldError("/time_zone", f"{show(zone)} is no IANA zone, such as Europe/Lisbon"))
    if key is not None:
        key = key.strip().removeprefix('"').removesuffix('"')
        if not 1 <= len(key) <= _LONGEST_KEY or not key.isascii() or not key.isprintable() or "/" in key:
            errors.append(
                FieldError("/Idempotency-Key", "must be 1 to 200 visible ASCII characters without a slash")
            )
    if offset is not None and not (offset.isascii() and offset.isdigit()):
        errors.append(FieldError("/Upload-Offset", f"{show(offset)} is not a number of bytes"))
    elif offset is not None and key is None:
        errors.append(FieldError("/Upload-Offset", "goes with the Idempotency-Key that names the stream"))
    if errors:
        raise Invalid(*errors)
    return Asked(
        asked.media_type,
        asked.coding,
        asked.is_strict,
        asked.responds_async,
        _FLAGS[given.get("dry_run", "false")],
        _FLAGS[given.get("live", "false")],
        given.get("profile"),
        zone,
        key,
        None if offset is None else int(offset),
    )
