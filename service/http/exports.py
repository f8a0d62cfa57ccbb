"""A whole series as one file, CSV or Parquet: written piece by piece, so that memory stays that of a piece.

No transaction is open while a caller reads. A fault on the way breaks the connection: a file that came to its end is
whole.
"""

import csv
import importlib
import io
from collections.abc import Iterable, Iterator
from itertools import chain
from typing import Any, Final
from zoneinfo import ZoneInfo

from fastapi.responses import StreamingResponse

from service.domain.readings.resampling import Resolution
from service.http.accepting import CSV, PARQUET
from service.http.series_tables import Moments, Table, table_of_buckets, table_of_readings
from service.storage import series
from service.storage.database import Database
from service.storage.frames import Frame

_MOST: Final = 20_000
_LEAST_US: Final = 14 * series.DAY_US
"""A piece: so many readings or so long, whichever is more; what lies around it is read for its sake too."""

_LINES: Final = 2_000
_SHOWN_LOCALLY: Final = frozenset({"observed_at", "from"})
DESCRIBED: Final = {
    CSV: {
        "schema": {
            "type": "string",
            "description": "RFC 4180 with a header, over the whole range: 'limit' does not hold. Instants in UTC,"
            " and in the site's time beside them; texts that look like a formula have an apostrophe before them.",
        }
    },
    PARQUET: {
        "schema": {
            "type": "string",
            "format": "binary",
            "description": "Over the whole range. Instants in UTC; the site's zone stands in the schema's metadata as"
            " 'time_zone'. Needs the extra 'parquet' of the service.",
        }
    },
}


def parquet_library() -> Any | None:  # noqa: ANN401 - an extra, without types
    """Return the library that writes Parquet, None when the extra is not installed."""
    try:
        return importlib.import_module("pyarrow.parquet")
    except ImportError:
        return None


def export(
    database: Database, frame: Frame, resolution: Resolution | None, time_zone: ZoneInfo, media_type: str
) -> StreamingResponse:
    """Answer with a whole series as a file.

    Parameters
    ----------
    resolution
        None for the readings themselves.
    media_type
        ``CSV`` or ``PARQUET``; the latter only where :func:`parquet_library` is there.
    """
    tables = _tables(database, frame, resolution, time_zone)
    chunks = _csv(tables, time_zone) if media_type == CSV else _parquet(tables, time_zone)
    # The first is made before the answer begins, so that what is wrong from the start is told as a problem.
    first = next(chunks)
    ending = "csv" if media_type == CSV else "parquet"
    return StreamingResponse(
        chain([first], chunks),
        media_type=f"{CSV}; charset=utf-8; header=present" if media_type == CSV else media_type,
        headers={"Content-Disposition": f'attachment; filename="readings.{ending}"', "Vary": "Accept"},
    )


def _tables(
    database: Database, frame: Frame, resolution: Resolution | None, time_zone: ZoneInfo
) -> Iterator[Table]:
    """Yield the series piece by piece, one table at least; each piece is read in a transaction of its own."""
    since_us = frame.since_us
    while since_us < frame.until_us:
        with database.begin_plain(frame.organisation_id) as connection:
            until_us = max(series.about(connection, frame, since_us, _MOST), since_us + _LEAST_US)
            if resolution is not None:
                until_us = series.end_of_bucket(until_us - 1, resolution, time_zone)
            piece = series.read(connection, frame, since_us, min(until_us, frame.until_us))
        if resolution is None:
            yield table_of_readings(piece, frame)
        else:
            yield table_of_buckets(series.buckets_of(piece, resolution, time_zone))
        since_us = piece.until_us
    if frame.since_us >= frame.until_us:
        yield (
            table_of_buckets([])
            if resolution is not None
            else table_of_readings(series.nothing(frame.until_us), frame)
        )


def _csv(tables: Iterable[Table], time_zone: ZoneInfo) -> Iterator[bytes]:
    is_first = True
    for table in tables:
        columns: dict[str, list[str]] = {}
        for name, column in table.items():
            columns[name] = column.texts()
            if isinstance(column, Moments) and name in _SHOWN_LOCALLY:
                columns[f"{name}_local"] = column.texts(time_zone)
        rows = list(zip(*columns.values(), strict=True))
        if is_first:
            rows.insert(0, tuple(columns))
            is_first = False
        for start in range(0, len(rows), _LINES):
            lines = io.StringIO()
            csv.writer(lines, lineterminator="\r\n").writerows(rows[start : start + _LINES])
            yield lines.getvalue().encode()


class _Sink:
    """A file that is handed on as it is written."""

    closed = False

    def __init__(self) -> None:
        self._written = io.BytesIO()
        self._handed_on = 0

    def write(self, data: bytes) -> int:
        return self._written.write(data)

    def tell(self) -> int:
        return self._handed_on + self._written.tell()

    def flush(self) -> None:
        """Nothing waits anywhere else."""

    def close(self) -> None:
        self.closed = True

    def take(self) -> bytes:
        """Return what was written since the last time."""
        data = self._written.getvalue()
        self._handed_on += len(data)
        self._written = io.BytesIO()
        return data


def _parquet(tables: Iterable[Table], time_zone: ZoneInfo) -> Iterator[bytes]:
    pq = parquet_library()
    assert pq is not None
    pa = importlib.import_module("pyarrow")
    sink, writer, schema = _Sink(), None, None
    for table in tables:
        batch = pa.table({name: column.arrow(pa) for name, column in table.items()})
        if writer is None:
            schema = batch.schema.with_metadata({"time_zone": time_zone.key})
            writer = pq.ParquetWriter(sink, schema)
        writer.write_table(batch.cast(schema))
        yield sink.take()
    assert writer is not None
    writer.close()
    yield sink.take()
