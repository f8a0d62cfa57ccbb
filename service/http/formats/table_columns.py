"""Finds the columns of a layout in the header of a table."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

from service.domain.errors import FieldError, Invalid
from service.domain.quantities import Quantity, Unit
from service.http.formats.members import probe_of, quantity_of, unit_of
from service.http.formats.read import show
from service.http.formats.table_layout import Column, Measured, Source, TableLayout

_SHOWN_COLUMNS: Final = 30

Part = TypeVar("Part")


@dataclass(frozen=True)
class Bound:
    """A column of values of this very table, with the way to each part of its readings."""

    at: int
    title: str
    probe: Callable[[Sequence[str]], str]
    quantity: Callable[[Sequence[str]], Quantity]
    unit: Callable[[Sequence[str]], Unit]


@dataclass(frozen=True)
class Bindings:
    """Where this very table holds what; places count from 0."""

    times: tuple[int, ...]
    fold: int | None
    measured: tuple[Bound, ...]


def find_columns(layout: TableLayout, first: Sequence[str]) -> Bindings:
    """Find a layout's columns in the header or, where there is none, count them in the first row.

    Raises
    ------
    Invalid
        At the layout's members whose column is not there just once; tells the columns there are.
    """
    place = _Places(layout, first)
    found = Bindings(
        tuple(place.of(column, "/observed_at") for column in layout.observed_at),
        None if layout.fold_column is None else place.of(layout.fold_column, "/fold_column"),
        tuple(
            _bind(measured, place, f"/values/{number}" if layout.is_wide else "")
            for number, measured in enumerate(layout.measured)
        ),
    )
    place.must_all_be_there()
    return found


class _Places:
    """Finds the layout's columns in the table and gathers those that are not there."""

    def __init__(self, layout: TableLayout, first: Sequence[str]) -> None:
        self._layout = layout
        self._first = first
        self._errors: list[FieldError] = []

    def of(self, column: Column, pointer: str) -> int:
        """Return the place of a column among the cells, from 0."""
        name = column.name
        if isinstance(name, int):
            if name <= len(self._first):
                return name - 1
            detail = f"there is no column {name}; the first row has {len(self._first)} cells"
        else:
            if self._first.count(name) == 1:
                return self._first.index(name)
            fault = "stands twice in" if name in self._first else "is not in"
            detail = f"the column {show(name)} {fault} the header, which has {self._found()}"
        self._errors.append(FieldError(pointer, detail + self._delimiter_remedy()))
        return 0

    def _found(self) -> str:
        shown = ", ".join(show(name) for name in self._first[:_SHOWN_COLUMNS])
        return shown + (", ..." if len(self._first) > _SHOWN_COLUMNS else "")

    def _delimiter_remedy(self) -> str:
        if len(self._first) > 1:
            return ""
        likely = max((",", ";", "\t"), key=self._first[0].count)
        if likely == self._layout.delimiter or likely not in self._first[0]:
            return ""
        return f"; its cells seem to be parted by {show(likely)}: set delimiter"

    def must_all_be_there(self) -> None:
        """Raise ``Invalid`` unless every column was found just once."""
        if self._errors:
            raise Invalid(*self._errors)


def _bind(measured: Measured, place: _Places, pointer: str) -> Bound:
    value = measured.value
    return Bound(
        place.of(value, f"{pointer}/column" if pointer else "/value"),
        show(value.name),
        _way(measured.probe, probe_of, place, f"{pointer}/probe"),
        _way(measured.quantity, quantity_of, place, f"{pointer}/quantity"),
        _way(measured.unit, unit_of, place, f"{pointer}/unit"),
    )


def _way(
    source: Source, read: Callable[[object], Part], place: _Places, pointer: str
) -> Callable[[Sequence[str]], Part]:
    """Return how a part of a reading is got from a row: looked up, or fixed once for all."""
    if isinstance(source, Column):
        at = place.of(source, pointer)
        names = source.names
        return lambda cells: read(names.get(cells[at], cells[at]))
    fixed = read(source.text)
    return lambda _: fixed
