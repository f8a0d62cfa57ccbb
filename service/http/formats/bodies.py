"""A body by its media type: one way into every format, for HTTP, imports and the broker alike."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from service.http.formats.bag import read_bag
from service.http.formats.read import Sorted

BAG = "application/json"
SENML_JSON = "application/senml+json"
SENML_CBOR = "application/senml+cbor"
TABLE = "text/csv"
LINES = "application/x-ndjson"


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
        case _:
            raise NotImplementedError(media_type)
