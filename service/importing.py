"""A file of readings taken in past the network: the same pieces, through the one write path."""

import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from rich.progress import Progress

from service.domain.authority import Caller
from service.domain.errors import Invalid, TooLarge
from service.http.asking import Asked
from service.http.formats.bodies import BAG, LINES, SENML_CBOR, SENML_JSON, TABLE
from service.http.formats.codings import IDENTITY
from service.http.formats.read import Unreadable, show
from service.http.pieces import Caps, PieceReader
from service.operations.imports import Keeping
from service.operations.packs import Receipt
from service.settings import Settings
from service.storage.database import Database

FORMATS: Final = {
    "json": BAG,
    "senml-json": SENML_JSON,
    "senml-cbor": SENML_CBOR,
    "csv": TABLE,
    "ndjson": LINES,
}
_SUFFIXES: Final = {
    ".json": BAG,
    ".senml": SENML_JSON,
    ".senmlc": SENML_CBOR,
    ".csv": TABLE,
    ".ndjson": LINES,
    ".jsonl": LINES,
}
"""Those of SenML as RFC 8428 section 12.3 registers them."""
_CODED: Final = {".gz": "gzip", ".zst": "zstd"}
_CHUNK: Final = 1 << 20


def asked_of_file(
    file: Path, name: str | None, *, profile: str | None, time_zone: str | None, is_dry_run: bool
) -> Asked:
    """Return how a file is to be read: by the format named, or else by its suffix.

    Raises
    ------
    Invalid
        The format is not known, or the suffix does not say.
    """
    coding = _CODED.get(file.suffix.lower(), IDENTITY)
    inner = Path(file.stem) if coding != IDENTITY else file
    media_type = _SUFFIXES.get(inner.suffix.lower()) if name is None else FORMATS.get(name)
    if media_type is None:
        wrong = (
            f"the suffix of {show(file.name)} does not say" if name is None else f"{show(name)} is not known"
        )
        raise Invalid.field("--format", f"{wrong}; name one of {', '.join(FORMATS)}")
    return Asked(
        media_type,
        coding,
        is_strict=False,
        responds_async=True,
        is_dry_run=is_dry_run,
        profile=profile,
        time_zone=time_zone,
    )


def keep_file(
    database: Database, settings: Settings, caller: Caller, file: Path, asked: Asked, total: Receipt
) -> Iterator[int]:
    """Keep a file piece by piece, and yield after each how many of its bytes are dealt with.

    Parameters
    ----------
    total
        What became of the pieces that are committed is added to it, so that it is true whenever this breaks off.

    Raises
    ------
    Invalid, Unreadable, TooLarge
        The file is not of its form; the pieces before that are kept.
    """
    caps = Caps(lines=sys.maxsize, document=Caps.of(settings).document)
    reader = PieceReader(database, caller, asked, caps, now=datetime.now(UTC))
    keeping = Keeping()
    for piece in reader.read(_chunks(file)):
        part = piece.part(caller, received_at=datetime.now(UTC))
        with database.begin(caller.organisation_id) as session:
            receipt = (
                keeping.try_part(session, part) if asked.is_dry_run else keeping.keep_part(session, part)
            )
        total.add(receipt)
        yield piece.bytes_done


def _chunks(file: Path) -> Iterator[bytes]:
    with file.open("rb") as opened:
        while chunk := opened.read(_CHUNK):
            yield chunk


@dataclass(frozen=True)
class Broke:
    """Why a file was not read to its end: what to say, and the command's exit code; nothing and 0 if it was."""

    texts: tuple[str, ...] = ()
    code: int = 0


def keep_shown(
    database: Database,
    settings: Settings,
    caller: Caller,
    file: Path,
    asked: Asked,
    total: Receipt,
    progress: Progress,
) -> Broke:
    """Keep a file as :func:`keep_file` does, under a progress bar; what breaks it off is told, not raised."""
    bar = progress.add_task("", total=file.stat().st_size)
    try:
        for done in keep_file(database, settings, caller, file, asked, total):
            progress.update(bar, completed=done, description=f"{total.received} readings")
    except (Invalid, TooLarge, Unreadable) as error:
        remedy = ""
        if asked.media_type == BAG and asked.profile is None and not isinstance(error, TooLarge):
            remedy = "; a file of one reading a line is read with --format ndjson"
        return Broke((f"heapledger: the file was not read to its end: {error}{remedy}",), 1)
    except KeyboardInterrupt:
        return Broke(("stopped; what was counted is kept, and importing the file again is harmless",), 130)
    return Broke()


LISTED_AT_MOST: Final = 20


def told(total: Receipt, *, is_dry_run: bool) -> str:
    """Return in a sentence what became of a file."""
    if is_dry_run:
        usable = total.received - total.refused_count
        return f"{total.received} read: {usable} usable, {total.refused_count} refused; nothing was kept"
    return (
        f"{total.received} read: {total.stored} stored, {total.duplicate} there before, "
        f"{total.disputed} disputed, {total.held} held, {total.refused_count} refused"
    )


def refused_lines(total: Receipt) -> Iterator[str]:
    """Yield the first refused readings, each with its line, or its number in a file that has none."""
    for place, refusal in total.refused[:LISTED_AT_MOST]:
        where = f"reading {place + 1}" if refusal.line is None else f"line {refusal.line}"
        yield (
            f"{where}: {refusal.member}: {refusal.detail}" if refusal.member else f"{where}: {refusal.detail}"
        )
    if total.refused_count > LISTED_AT_MOST:
        yield f"and {total.refused_count - LISTED_AT_MOST} more refused"
