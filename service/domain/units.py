"""The unit table: every unit the service speaks or exchanges, with its codes and its exact conversion."""

import importlib.resources
import re
import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import Any, Final, Literal, get_args

from service.domain.errors import FieldError, Invalid

Status = Literal["read", "from memory"]

_NUMBERS: Final = ("factor", "offset")
_WORDS: Final = ("ucum", "name", "dimension", "source", "status")
_CODES: Final = ("senml", "rec20")
_RATIONAL: Final = re.compile(r"-?\d+(\.\d+|/0*[1-9]\d*)?", re.ASCII)


@dataclass(frozen=True)
class UnitRow:
    """One unit.

    Attributes
    ----------
    ucum
        UCUM code, case sensitive.
    name
        For people.
    dimension
        Units of one dimension can be converted into each other, and no others.
    factor, offset
        A value v is ``factor * v + offset`` in the base unit of the dimension; exact.
    source, status
        Where code, symbols and factor stand, and whether they were looked up there.
    senml
        Symbol in the IANA registry of SenML units, None if there is none.
    rec20
        Common code of UN/ECE Recommendation 20, None if there is none.
    """

    ucum: str
    name: str
    dimension: str
    factor: Fraction
    offset: Fraction
    source: str
    status: Status
    senml: str | None = None
    rec20: str | None = None


def load_units(text: str) -> tuple[UnitRow, ...]:
    """Read units from TOML: one ``[[unit]]`` table each, nothing missing and nothing unknown.

    Raises
    ------
    Invalid
        With a pointer such as ``/unit/3/factor`` for each value that does not fit: also a code that stands twice,
        and a dimension without exactly one base unit.
    """
    try:
        document: dict[str, object] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise Invalid.field("", f"this is not TOML: {error}") from error
    tables = document.pop("unit", None)
    faults = [FieldError(f"/{name}", "is unknown here; only [[unit]] tables are read") for name in document]
    if not isinstance(tables, list) or not tables:
        raise Invalid(*faults, FieldError("/unit", "holds no unit; write [[unit]] tables"))
    for place, table in enumerate(tables):
        faults += _table_faults(table, f"/unit/{place}")
    if faults:
        raise Invalid(*faults)
    rows = tuple(_row(table) for table in tables)
    faults += [*_doubled(rows), *_without_base(rows)]
    if faults:
        raise Invalid(*faults)
    return rows


def _table_faults(table: object, at: str) -> Iterator[FieldError]:
    if not isinstance(table, dict):
        yield FieldError(at, "is not a table; write [[unit]]")
        return
    for name in (*_WORDS, *_NUMBERS):
        if name not in table:
            yield FieldError(f"{at}/{name}", "is missing; give it")
    for name, value in table.items():
        if name not in {*_WORDS, *_NUMBERS, *_CODES}:
            yield FieldError(f"{at}/{name}", "is unknown; leave it out")
        elif not isinstance(value, str) or not value.strip():
            yield FieldError(f"{at}/{name}", f"{value!r} is no text; write it in quotes")
        elif name in _NUMBERS and not _RATIONAL.fullmatch(value):
            yield FieldError(f"{at}/{name}", f"{value!r} is no exact number; write 0.3048 or 5/9")
        elif name == "factor" and Fraction(value) <= 0:
            yield FieldError(f"{at}/{name}", f"{value} is not above zero")
        elif name == "status" and value not in get_args(Status):
            known = ", ".join(get_args(Status))
            yield FieldError(f"{at}/{name}", f"{value!r} is unknown; use one of {known}")


def _row(table: Mapping[str, Any]) -> UnitRow:
    numbers = {name: Fraction(table[name]) for name in _NUMBERS}
    return UnitRow(**{**table, **numbers})


def _doubled(rows: Sequence[UnitRow]) -> Iterator[FieldError]:
    for name in ("ucum", *_CODES):
        seen: set[str] = set()
        for place, row in enumerate(rows):
            code = getattr(row, name)
            if code in seen:
                yield FieldError(f"/unit/{place}/{name}", f"{code!r} stands twice; codes are unique")
            if code is not None:
                seen.add(code)


def _without_base(rows: Sequence[UnitRow]) -> Iterator[FieldError]:
    bases = Counter(row.dimension for row in rows if row.factor == 1 and row.offset == 0)
    for place, row in enumerate(rows):
        if bases[row.dimension] != 1:
            yield FieldError(
                f"/unit/{place}/dimension",
                f"{row.dimension!r} has {bases[row.dimension]} units of factor 1 and offset 0; it needs just one",
            )


def _shipped() -> tuple[UnitRow, ...]:
    return load_units(importlib.resources.files(__package__).joinpath("units.toml").read_text("utf-8"))


UNITS: Final[Mapping[str, UnitRow]] = MappingProxyType({row.ucum: row for row in _shipped()})
"""By UCUM code."""
UNIT_OF_SENML: Final[Mapping[str, UnitRow]] = MappingProxyType(
    {row.senml: row for row in UNITS.values() if row.senml is not None}
)
UNIT_OF_REC20: Final[Mapping[str, UnitRow]] = MappingProxyType(
    {row.rec20: row for row in UNITS.values() if row.rec20 is not None}
)


def convert(value: Fraction, ucum_from: str, ucum_to: str) -> Fraction:
    """Convert a value exactly.

    Parameters
    ----------
    value
        In ``ucum_from``; a point on the scale, not a difference: 1 Cel is 274.15 K.
    ucum_from, ucum_to
        UCUM codes of one dimension.

    Returns
    -------
    Fraction
        The same in ``ucum_to``, without rounding.

    Raises
    ------
    Invalid
        A code is not in the table, or the two are of different dimensions.
    """
    source, target = _named(ucum_from, "/ucum_from"), _named(ucum_to, "/ucum_to")
    if source.dimension != target.dimension:
        raise Invalid.field(
            "/ucum_to",
            f"{source.name} ({ucum_from}) is a unit of {source.dimension}, {target.name} ({ucum_to}) of "
            f"{target.dimension}; use one of {', '.join(_of_dimension(source.dimension))}",
        )
    return (value * source.factor + source.offset - target.offset) / target.factor


def _named(ucum: str, pointer: str) -> UnitRow:
    row = UNITS.get(ucum)
    if row is None:
        raise Invalid.field(pointer, f"{ucum!a} is not a known UCUM code; use one of {', '.join(UNITS)}")
    return row


def _of_dimension(dimension: str) -> list[str]:
    return [row.ucum for row in UNITS.values() if row.dimension == dimension]
