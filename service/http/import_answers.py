"""How an import and its refused readings are answered."""

from typing import Literal
from uuid import UUID

from pydantic import Field

from service.http.formats.bodies import BAG
from service.http.receipts import pointer_of
from service.http.values import Instant, Out
from service.operations import imports
from service.storage.imports import RefusedReading
from service.storage.tables import ReadingImportRow

_UNKNOWN_TRIED = "; null of a dry run, which does not know"


class ImportLinks(Out):
    """Where to go from here."""

    self: str
    refusals: str
    cancel: str | None = Field(description="POST here to stop it; null once it is over.")


class ImportOut(Out):
    """An import as it is now; what it counts is on disk."""

    id: UUID
    state: Literal["receiving", "waiting", "running", "done", "cancelled", "failed"]
    problem: str | None = Field(description="Why it ended before the end of the file.")
    media_type: str
    content_coding: str | None
    profile: str | None
    time_zone: str | None
    dry_run: bool = Field(description="Everything is read and judged, nothing kept.")
    site_id: UUID | None = Field(description="The one site its readings may belong to.")
    bytes_total: int = Field(description="Bytes on disk, as they came over the wire.")
    bytes_done: int = Field(description="How many of them have been read.")
    progress_pct: float | None = Field(description="Null until the file is here whole.")
    received: int = Field(description="Readings read, usable or not.")
    stored: int | None = Field(description="Committed to disk" + _UNKNOWN_TRIED)
    duplicate: int | None = Field(description="There before with the same value" + _UNKNOWN_TRIED)
    disputed: int | None = Field(description="There before with another value" + _UNKNOWN_TRIED)
    held: int | None = Field(description="Kept until their probe is registered" + _UNKNOWN_TRIED)
    refused: int = Field(description="Unusable; each is listed under refusals.")
    created_at: Instant
    started_at: Instant | None
    finished_at: Instant | None
    links: ImportLinks


class ImportRefusalOut(Out):
    """A reading that could not be used, and why."""

    index: int = Field(description="Which reading of the file, counted from 0.")
    line: int | None = Field(
        description="The line it began in, counted from 1; null if the file has no lines."
    )
    pointer: str
    type: str
    detail: str


def shown(row: ReadingImportRow) -> ImportOut:
    """Return an import as it is answered."""
    where = f"/v1/imports/{row.id}"
    cancel = None if row.state in imports.OVER else f"{where}/cancel"
    values = row.model_dump(exclude={"is_dry_run"}) | {
        "dry_run": row.is_dry_run,
        "progress_pct": _progress_pct(row),
        "links": {"self": where, "refusals": f"{where}/refusals", "cancel": cancel},
    }
    if row.is_dry_run:
        values |= dict.fromkeys(("stored", "duplicate", "disputed", "held"))
    return ImportOut.model_validate(values)


def _progress_pct(row: ReadingImportRow) -> float | None:
    if row.state == "receiving":
        return None
    if row.state == "done":
        return 100.0
    return row.bytes_done * 1000 // max(row.bytes_total, 1) / 10


def shown_refusal(row: ReadingImportRow, one: RefusedReading) -> dict[str, object]:
    """Return a refused reading of an import as it is answered."""
    root = "/readings" if row.media_type == BAG and row.profile is None else ""
    return {
        "index": one.place,
        "line": one.refusal.line,
        "pointer": pointer_of(one.place, one.refusal, root),
        "type": f"/problems/reading-{one.refusal.code}",
        "detail": one.refusal.detail,
    }
