"""What a caller can read: the Accept header against the media types an address offers."""

from collections.abc import Sequence
from typing import Final

from fastapi import HTTPException, Request

JSON: Final = "application/json"
CSV: Final = "text/csv"
PARQUET: Final = "application/vnd.apache.parquet"


def accepted(request: Request, offered: Sequence[str]) -> str:
    """Return the media type to answer in: the one preferred, of several the one named most exactly, then ours.

    Raises
    ------
    HTTPException
        406: none of those offered will do.
    """
    ranges = [_range(one) for header in request.headers.getlist("accept") for one in header.split(",")]
    wanted = [one for one in ranges if one is not None] or [("*/*", 1.0)]
    # Of equal ones the first offered stays.
    best = max(offered, key=lambda media_type: _worth(media_type, wanted))
    if _worth(best, wanted)[0] > 0:
        return best
    asked = ", ".join(request.headers.getlist("accept"))
    raise HTTPException(
        406,
        f"{ascii(asked)[:100]} is not offered here; ask for one of {', '.join(offered)}, or leave Accept out",
        {"Vary": "Accept"},
    )


def _range(text: str) -> tuple[str, float] | None:
    """Return a media range and its weight; None for an empty element of the list."""
    media_range, *parameters = (part.strip().lower() for part in text.split(";"))
    if not media_range:
        return None
    weight = next((part[2:].strip() for part in parameters if part.startswith("q=")), "1")
    try:
        return media_range, min(1.0, max(0.0, float(weight)))
    except ValueError:
        return media_range, 0.0


def _worth(media_type: str, wanted: Sequence[tuple[str, float]]) -> tuple[float, int]:
    """Return the weight of the most exact range that fits, and how exact that is (RFC 9110, 12.5.1)."""
    kinds = ("*/*", f"{media_type.partition('/')[0]}/*", media_type)
    fitting = [(kinds.index(one), weight) for one, weight in wanted if one in kinds]
    if not fitting:
        return 0.0, 0
    exactness, weight = max(fitting)
    return weight, exactness
