"""How far a stream of lines came, for the sender whose connection broke."""

from typing import Annotated

from fastapi import APIRouter, Path
from pydantic import Field

from service.http.authority import CanIngest, Database
from service.http.values import Instant, Out
from service.storage import streams

router = APIRouter(tags=["readings"])


class StreamOut(Out):
    """What of a stream is on disk; go on from ``committed_bytes`` with Upload-Offset."""

    key: str
    committed_bytes: int = Field(description="Where the last committed line ends, in the body before coding.")
    lines: int = Field(description="The last committed line, counted from 1.")
    received: int
    stored: int
    duplicate: int
    disputed: int
    held: int
    refused: int
    is_complete: bool
    updated_at: Instant


@router.get("/readings/streams/{key}", response_model=StreamOut)
def get_stream(
    key: Annotated[str, Path(min_length=1, max_length=200)], caller: CanIngest, database: Database
) -> object:
    """Return how far a stream of this key's own was committed; the key is its Idempotency-Key."""
    with database.begin(caller.organisation_id) as session:
        return StreamOut.model_validate(streams.find(session, caller, key))
