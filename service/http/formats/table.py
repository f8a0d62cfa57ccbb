"""Readings in a table (CSV, RFC 4180), in whatever way the layout says its logger writes them."""

import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import datetime
from typing import NamedTuple
from zoneinfo import ZoneInfo

from service.domain.errors import Invalid
from service.domain.quantities import Quantity, Unit
from service.domain.readings import Refusal
from service.http.formats.instants import (
    PER_SECOND,
    count_of,
    from_count,
    from_pattern,
    from_rfc3339,
    in_zone,
    is_zone,
    utc_of,
)
from service.http.formats.members import Unusable, number_of
from service.http.formats.read import Sorted, Sorting, show
from service.http.formats.samples import must_pass
from service.http.formats.table_columns import Bound, find_columns
from service.http.formats.table_layout import TableLayout, layout_of
from service.http.formats.table_records import Lines, records_of

__all__ = ["TableLayout", "check_table_sample", "layout_of", "read_table", "rows_in_pieces"]


class Reading(NamedTuple):
    """A row's reading, before it is judged."""

    probe: str
    quantity: Quantity
    observed_at: datetime
    value: float
    unit: Unit


def read_table(
    body: bytes, layout: TableLayout, *, now: datetime, most: int, time_zone: str | None = None
) -> Sorted:
    """Read a whole table.

    Parameters
    ----------
    most
        Most readings; a wide row holds several.
    time_zone
        IANA zone of times without an offset, used where the layout names none.

    Raises
    ------
    Invalid
        ``/time_zone`` if times carry no offset and no zone is known; the layout's member whose column the table
        does not have.
    TooLarge
        More than ``most`` readings.
    Unreadable
        Not UTF-8, or a quote is not closed; the byte or line is named.

    Notes
    -----
    What becomes of a table whose times have no offset is settled by the first time in it that can be read, so that
    no reading is ever taken from a table that is then refused. If that one has an offset, later ones without are
    refused row by row.
    """
    sorting = Sorting(now=now, most=most)
    for line, item in _items([body], layout, time_zone):
        _sort(sorting, line, item)
    return sorting.done()


def rows_in_pieces(
    chunks: Iterable[bytes], layout: TableLayout, *, now: datetime, time_zone: str | None, piece: int
) -> Iterator[Sorted]:
    """Read a table as it comes, in bounded memory; ``piece`` readings at a time, the last piece with the rest.

    Places go on over the pieces (``received`` counts the piece alone). Raises as :func:`read_table` does, on the way.
    """
    before = 0
    sorting = Sorting(now=now, most=sys.maxsize)
    for line, item in _items(chunks, layout, time_zone):
        _sort(sorting, line, item)
        if sorting.received == piece:
            yield _going_on(sorting.done(), before)
            before += piece
            sorting = Sorting(now=now, most=sys.maxsize)
    if sorting.received:
        yield _going_on(sorting.done(), before)


def check_table_sample(
    layout: TableLayout, sample: str, *, now: datetime, time_zone: str | None = None
) -> Sorted:
    """Return what a sample is read into; raise ``Invalid`` at ``/sample`` unless it holds only usable readings."""
    return must_pass(
        lambda most: read_table(sample.encode(), layout, now=now, most=most, time_zone=time_zone)
    )


def _sort(sorting: Sorting, line: int, item: Reading | Refusal) -> None:
    if isinstance(item, Refusal):
        sorting.refuse(replace(item, line=line))
    else:
        sorting.add(item.probe, item.quantity, item.observed_at, item.value, item.unit, line=line)


def _going_on(piece: Sorted, before: int) -> Sorted:
    return replace(
        piece,
        places=[place + before for place in piece.places],
        refused=[(place + before, refusal) for place, refusal in piece.refused],
    )


def _items(
    chunks: Iterable[bytes], layout: TableLayout, time_zone: str | None
) -> Iterator[tuple[int, Reading | Refusal]]:
    """Yield every reading of a table, or why it is none, with its line."""
    clock = _Clock(layout, time_zone)
    lines = Lines(chunks)
    for _ in range(layout.skip_lines):
        next(lines, "")
        lines.begin_record()
    rows: _Rows | None = None
    for line, record in records_of(lines, layout.delimiter):
        cells = [cell.strip() for cell in record]
        if rows is None:
            rows = _Rows(layout, cells, clock)
            if layout.header:
                continue
        for item in rows.read(cells):
            yield line, item
    if rows is None:
        raise Invalid.field("", "the table is empty; send a header and rows")


class _Clock:
    """Reads the times of one table."""

    def __init__(self, layout: TableLayout, time_zone: str | None) -> None:
        name = layout.time_zone or time_zone
        if name is not None and not is_zone(name):
            raise Invalid.field(
                "/time_zone", f"{show(name)} is no IANA time zone; use a name such as Europe/Lisbon"
            )
        self._zone = None if name is None else ZoneInfo(name)
        self._format = layout.time_format
        self._decimal_comma = layout.decimal_comma
        self._has_offsets = False
        if self._format and self._format not in PER_SECOND and "%z" not in self._format and not self._zone:
            raise _no_zone(f"times in the form {show(self._format)}")

    def read(self, text: str, fold: str) -> datetime:
        """Return the instant of a time's text, in UTC."""
        if not text:
            raise Unusable("observed_at", "no-observed-at", "is empty; give the time of the reading")
        if self._format in PER_SECOND:
            count = count_of(text, decimal_comma=self._decimal_comma)
            return from_count(count, self._format or "epoch_s")
        moment = from_rfc3339(text) if self._format is None else from_pattern(text, self._format)
        if moment.tzinfo is not None:
            self._has_offsets = True
            return utc_of(moment)
        if self._zone is not None:
            return in_zone(moment, self._zone, _fold_of(fold))
        if self._has_offsets:
            remedy = "has no offset, as the times before it have; add it, or name a time_zone"
            raise Unusable("observed_at", "no-offset", f"{show(text)} {remedy}")
        raise _no_zone(f"times such as {show(text)}")


def _no_zone(what: str) -> Invalid:
    remedy = "name the IANA zone the clock is set to as time_zone, such as Europe/Lisbon"
    return Invalid.field("/time_zone", f"{what} carry no offset; {remedy}")


def _fold_of(text: str) -> int | None:
    if text in {"", "0", "1"}:
        return int(text) if text else None
    raise Unusable("observed_at", "bad-fold", f"the fold column holds {show(text)}; write 0, 1 or nothing")


class _Rows:
    """Reads the rows of one table.

    Parameters
    ----------
    first
        Its first record: the header, or else just as many cells as every row has.
    """

    def __init__(self, layout: TableLayout, first: Sequence[str], clock: _Clock) -> None:
        self._clock = clock
        self._missing = layout.missing
        self._decimal_comma = layout.decimal_comma
        self._width = len(first)
        self._columns = find_columns(layout, first)

    def read(self, cells: Sequence[str]) -> Iterator[Reading | Refusal]:
        """Yield the readings of a row; none for a cell that says there is none."""
        if len(cells) != self._width:
            detail = f"has {len(cells)} cells where the table has {self._width}; is a delimiter lost or not quoted?"
            yield Refusal("", "wrong-cell-count", detail)
            return
        for bound in self._columns.measured:
            if cells[bound.at] not in self._missing:
                try:
                    yield self._reading(bound, cells)
                except Unusable as unusable:
                    yield unusable.refusal

    def _reading(self, bound: Bound, cells: Sequence[str]) -> Reading:
        time = " ".join(cells[at] for at in self._columns.times).strip()
        fold = self._columns.fold
        moment = self._clock.read(time, "" if fold is None else cells[fold])
        probe, quantity, unit = bound.probe(cells), bound.quantity(cells), bound.unit(cells)
        try:
            value = number_of(cells[bound.at], decimal_comma=self._decimal_comma)
        except Unusable as unusable:
            refusal = unusable.refusal
            detail = f"column {bound.title}: {refusal.detail}"
            raise Unusable(refusal.member, refusal.code, detail) from None
        return Reading(probe, quantity, moment, value, unit)
