"""How one logger writes its tables: which column holds what, how times and numbers are written."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from service.http.formats.definition import LONGEST_NAME, Definition, constant_of, must_fit, names_of
from service.http.formats.instants import PER_SECOND, is_zone, pattern_fault
from service.http.formats.read import show

MOST_COLUMNS: Final = 1000


@dataclass(frozen=True)
class Column:
    """A column, by the name in the header or, where there is no header, by its number from 1.

    Attributes
    ----------
    names
        The logger's words for ours, for example ``{"temp": "temperature"}``.
    """

    name: str | int
    names: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Constant:
    """The same for every row."""

    text: str


Source = Column | Constant


@dataclass(frozen=True)
class Measured:
    """A column of values, and where the rest of its readings stands."""

    value: Column
    probe: Source
    quantity: Source
    unit: Source


OWN_HEADER: Final = Measured(Column("value"), Column("probe"), Column("quantity"), Column("unit"))


@dataclass(frozen=True)
class TableLayout:
    """The column mapping of one logger's tables; the defaults read our own header.

    Attributes
    ----------
    measured
        One for a long table (a reading in each row); for a wide one (``is_wide``) one for each column of values.
    observed_at
        The column of the time, or several whose texts are joined by a space (a date and a time).
    time_format
        None for RFC 3339, ``epoch_s``, ``epoch_ms``, or a ``strptime`` pattern.
    time_zone
        IANA name of the zone of times without an offset.
    fold_column
        0 or 1: the first or second pass through the hour that comes twice when clocks go back.
    skip_lines
        Physical lines before the header.
    missing
        Texts in a value's cell that mean no reading.
    """

    measured: tuple[Measured, ...] = (OWN_HEADER,)
    is_wide: bool = False
    observed_at: tuple[Column, ...] = (Column("observed_at"),)
    time_format: str | None = None
    time_zone: str | None = None
    fold_column: Column | None = None
    delimiter: str = ","
    decimal_comma: bool = False
    header: bool = True
    skip_lines: int = 0
    missing: frozenset[str] = frozenset({""})


def layout_of(document: Mapping[str, Any]) -> TableLayout:
    """Return a layout from its JSON form.

    Raises
    ------
    Invalid
        With a pointer for every member that does not fit.

    Notes
    -----
    ``probe``, ``quantity``, ``unit`` are each ``{"column": name, "names": {theirs: ours}}`` or
    ``{"constant": text}``; ``value`` is ``{"column": name}``; ``observed_at`` too, or ``{"columns": [date, time]}``.
    A wide table has ``values`` instead of ``value``: a list of ``{"column", "probe", "quantity", "unit"}``, in which
    what is left out is taken from the whole table's.
    """
    definition = Definition(document)
    header = definition.flag("header", default=True)
    is_wide = definition.has("values")
    layout = TableLayout(
        measured=_measured(definition, header=header),
        is_wide=is_wide,
        observed_at=_times(definition, header=header),
        time_format=_time_format(definition),
        time_zone=_time_zone(definition),
        fold_column=_fold(definition, header=header),
        delimiter=definition.one_of("delimiter", (",", ";", "\t"), ","),
        decimal_comma=definition.flag("decimal_comma", default=False),
        header=header,
        skip_lines=definition.count("skip_lines", most=1000),
        missing=_missing(definition),
    )
    definition.close()
    definition.must_hold()
    return layout


_UNKNOWN: Final = Column("?")
"""Stands in for a column that was refused, so that the other faults are found too."""


def _column(definition: Definition, name: str, given: object, *, header: bool) -> Column:
    if header and isinstance(given, str) and given.strip() and len(given) <= LONGEST_NAME:
        return Column(given.strip())
    if not header and isinstance(given, int) and not isinstance(given, bool) and 0 < given <= MOST_COLUMNS:
        return Column(given)
    wanted = "name as the header has it" if header else f"number, 1 to {MOST_COLUMNS}, as there is no header"
    got = "" if given is None else f"; got {show(given)}"
    definition.fail(name, f"give the column's {wanted}{got}")
    return _UNKNOWN


def _source(definition: Definition, member: str, *, header: bool) -> Source | None:
    inner = definition.inner(member)
    if inner is None:
        return None
    found: Source
    if inner.has("constant") and not inner.has("column"):
        found = Constant(constant_of(inner, member) or "")
    else:
        column = _column(inner, "column", inner.any_of("column"), header=header)
        found = Column(column.name, names_of(inner, member))
    inner.close()
    return found


def _value(definition: Definition, *, header: bool) -> Column | None:
    inner = definition.inner("value")
    if inner is None:
        return None
    column = _column(inner, "column", inner.any_of("column"), header=header)
    inner.close()
    return column


def _measured(definition: Definition, *, header: bool) -> tuple[Measured, ...]:
    whole = {member: _source(definition, member, header=header) for member in ("probe", "quantity", "unit")}
    value = _value(definition, header=header)
    entries = definition.each("values", most=MOST_COLUMNS)
    if entries:
        if value is not None:
            definition.fail("value", "is given beside values; a table has one or the other")
        return _wide(entries, whole, header=header)
    own = (
        {"value": OWN_HEADER.value, "probe": OWN_HEADER.probe}
        | {"quantity": OWN_HEADER.quantity, "unit": OWN_HEADER.unit}
        if header
        else {}
    )
    given = {member: source for member, source in ({"value": value} | whole).items() if source is not None}
    return (_one(definition, own | given),)


def _one(definition: Definition, parts: Mapping[str, Source]) -> Measured:
    for member in ("value", "probe", "quantity", "unit"):
        if member not in parts:
            remedy = '{"column": ...}' if member == "value" else '{"column": ...} or {"constant": ...}'
            definition.fail(member, f"is missing; give {remedy}")
    value, probe, quantity, unit = (
        parts.get(member, _UNKNOWN) for member in ("value", "probe", "quantity", "unit")
    )
    if isinstance(quantity, Constant) and isinstance(unit, Constant):
        must_fit(definition, quantity.text, unit.text)
    return Measured(value if isinstance(value, Column) else _UNKNOWN, probe, quantity, unit)


def _wide(
    entries: Sequence[Definition], whole: Mapping[str, Source | None], *, header: bool
) -> tuple[Measured, ...]:
    found: list[Measured] = []
    for entry in entries:
        value = _column(entry, "column", entry.any_of("column"), header=header)
        parts: dict[str, Source] = {"value": value}
        for member, default in whole.items():
            source = _source(entry, member, header=header) or default
            if source is not None:
                parts[member] = source
        one = _one(entry, parts)
        if any(value == other.value != _UNKNOWN for other in found):
            entry.fail("column", f"{show(value.name)} is read twice; name each column of values once")
        is_known = _UNKNOWN not in (one.probe, one.quantity)
        if is_known and any((one.probe, one.quantity) == (other.probe, other.quantity) for other in found):
            entry.fail("", "has the probe and quantity of an earlier column; every reading would be disputed")
        entry.close()
        found.append(one)
    return tuple(found)


def _times(definition: Definition, *, header: bool) -> tuple[Column, ...]:
    inner = definition.inner("observed_at")
    if inner is None:
        if not header:
            definition.fail("observed_at", 'is missing; give {"column": ...} or {"columns": [date, time]}')
        return TableLayout.observed_at
    if inner.has("columns") and not inner.has("column"):
        names = inner.any_of("columns")
        if not isinstance(names, list) or not 0 < len(names) <= 3:  # noqa: PLR2004 - a date, a time, an offset
            inner.fail("columns", "give a list of 1 to 3 columns")
            names = []
    else:
        names = [inner.any_of("column")]
    inner.close()
    return tuple(_column(definition, "observed_at", name, header=header) for name in names)


def _fold(definition: Definition, *, header: bool) -> Column | None:
    given = definition.any_of("fold_column")
    return None if given is None else _column(definition, "fold_column", given, header=header)


def _time_format(definition: Definition) -> str | None:
    given = definition.text("time_format")
    if given is None or given in PER_SECOND:
        return given
    fault = pattern_fault(given)
    if fault:
        known = f"RFC 3339 (leave it out), {', '.join(PER_SECOND)} or a pattern such as %d.%m.%Y %H:%M"
        definition.fail("time_format", f"{show(given)} {fault}; it is {known}")
    return given


def _time_zone(definition: Definition) -> str | None:
    given = definition.text("time_zone")
    if given is not None and not is_zone(given):
        definition.fail("time_zone", f"{show(given)} is no IANA time zone; use a name such as Europe/Lisbon")
    return given


def _missing(definition: Definition) -> frozenset[str]:
    given = definition.any_of("missing")
    if given is None:
        return TableLayout.missing
    if not isinstance(given, list) or len(given) > MOST_COLUMNS or not all(isinstance(m, str) for m in given):
        definition.fail("missing", 'must be a list of texts, such as ["", "NaN", "---"]')
        return TableLayout.missing
    return frozenset(text.strip() for text in given)
