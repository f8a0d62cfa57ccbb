"""A body by its media type: one way into every format, for HTTP, imports and the broker alike."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final, Literal

from service.domain.errors import Invalid
from service.http.formats.bag import read_bag
from service.http.formats.lines import LineCutter, Lines, read_lines
from service.http.formats.read import Sorted, must_not_exceed, show
from service.http.formats.senml import read_senml
from service.http.formats.table import read_table
from service.http.formats.table_layout import TableLayout

BAG: Final = "application/json"
SENML_JSON: Final = "application/senml+json"
SENML_CBOR: Final = "application/senml+cbor"
TABLE: Final = "text/csv"
LINES: Final = "application/x-ndjson"


@dataclass(frozen=True)
class Manner:
    """What a body's media type does not say.

    Attributes
    ----------
    is_live
        The sender vouches that it sends at once, so that times relative to now mean what they say.
    time_zone
        IANA zone of a table's times without offset.
    aliases
        Names used in SenML packs, each with the ``probe/quantity`` it stands for.
    """

    is_live: bool = False
    time_zone: str | None = None
    aliases: Mapping[str, str] = field(default_factory=dict)


def read_body(media_type: str, body: bytes, *, manner: Manner, now: datetime, most: int) -> Sorted:
    """Read a whole body of one of the known media types.

    Raises
    ------
    Invalid
        The envelope is not of the form, or holds more than ``most`` readings.
    Unreadable
        The body is not of its media type.
    """
    match media_type:
        case "application/json":
            return read_bag(body, now=now, most=most)
        case "application/senml+json" | "application/senml+cbor":
            coding: Literal["json", "cbor"] = "json" if media_type == SENML_JSON else "cbor"
            return read_senml(
                body, coding=coding, now=now, most=most, live=manner.is_live, aliases=manner.aliases
            )
        case "text/csv":
            return read_table(body, TableLayout(), now=now, most=most, time_zone=manner.time_zone)
        case "application/x-ndjson":
            return _whole_lines(body, now=now, most=most)
        case _:
            raise Invalid.field("", f"{show(media_type)} is not a form readings are taken in")


def _whole_lines(body: bytes, *, now: datetime, most: int) -> Sorted:
    cutter = LineCutter(most)
    pieces = [*cutter.feed(body), *cutter.finish()] or [Lines([], [], 0)]
    must_not_exceed(sum(len(piece.lines) for piece in pieces), most)
    return read_lines(pieces[0], now=now)
