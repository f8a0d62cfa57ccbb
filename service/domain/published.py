"""Published numbers with their sources, read from TOML; what follows from them, and the plain way to write one."""

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import Final

from service.domain.errors import FieldError, Invalid


class Status(StrEnum):
    """How a published figure came to us."""

    READ = "read"
    SECOND_HAND = "second-hand"
    MEMORY = "from memory"
    LOW_CONFIDENCE = "low confidence"
    COMMON_PRACTICE = "common practice, no source"
    DEFINITION = "definition"


@dataclass(frozen=True, slots=True)
class Figure:
    """One published number.

    Attributes
    ----------
    value
        In the unit that the field's name states.
    source
        The publication, with its table or example where known.
    status
        ``read`` in the publication, ``second-hand`` from someone who quotes it, ``from memory``, of ``low
        confidence``, ``common practice, no source``, or by ``definition``.
    low, high
        The printed range, where the publication gives one.
    note
        What the reader must know of this number, for example that it is the middle of a printed range.
    is_derived
        Computed from two other figures of the row rather than printed.
    """

    value: float
    source: str
    status: Status
    low: float | None = None
    high: float | None = None
    note: str = ""
    is_derived: bool = False

    @property
    def least(self) -> float:
        """Lower end of the range; the value where none is printed."""
        return self.value if self.low is None else self.low

    @property
    def most(self) -> float:
        """Upper end of the range; the value where none is printed."""
        return self.value if self.high is None else self.high

    @property
    def credit(self) -> str:
        """Source and status as a sentence ends with them."""
        return self.source if self.source == self.status else f"{self.source}, {self.status}"


@dataclass(frozen=True, slots=True)
class Estimate:
    """What is expected, and from where to where it may lie."""

    value: float
    low: float
    high: float

    @classmethod
    def of(cls, figure: Figure, times: float = 1.0) -> "Estimate":
        """Return a published figure times something."""
        return cls(figure.value * times, figure.least * times, figure.most * times)


@dataclass(frozen=True, slots=True)
class Unknown:
    """A figure that stays ``None``, and why.

    Attributes
    ----------
    figure
        Its name in the answer.
    because
        What is lacking or does not fit, and what would mend it.
    """

    figure: str
    because: str


_NUMBERS: Final = ("value", "low", "high")
_WORDS: Final = ("source", "status", "note")


def load_figures(text: str, file: str) -> Mapping[str, Figure]:
    """Read figures from TOML: one table each, by the name that the code asks for.

    Parameters
    ----------
    text
        Tables with ``value``, ``source`` and ``status``; ``low`` and ``high`` go together; ``note`` may be left out.
    file
        Name for the refusals.

    Returns
    -------
    mapping of str to Figure
        In the order of the file.

    Raises
    ------
    Invalid
        Naming file, table, key and reason for everything that does not fit.
    """
    try:
        document: dict[str, object] = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise Invalid.field("", f"{file}: not TOML: {error}") from error
    errors = [
        FieldError(f"/{name}", f"{file}, {name}: {fault}")
        for name, table in document.items()
        for fault in _faults(table)
    ]
    if errors or not document:
        raise Invalid(*errors or (FieldError("", f"{file}: holds no figure"),))
    return MappingProxyType({name: _figure(table) for name, table in document.items()})


def _faults(table: object) -> list[str]:
    if not isinstance(table, dict):
        return ["is not a table"]
    found = [f"{key} is unknown; leave it out" for key in table if key not in _NUMBERS and key not in _WORDS]
    for key in _NUMBERS:
        number = table.get(key, None if key == "value" else 0)
        if isinstance(number, bool) or not isinstance(number, int | float) or not math.isfinite(number):
            found.append(f"{key} {number!r} is not a finite number")
    for key in _WORDS:
        word = table.get(key, "none" if key == "note" else "")
        if not isinstance(word, str) or not word.strip():
            found.append(f"{key} is no text")
    if table.get("status") not in set(Status):
        found.append(f"status {table.get('status')!r} is not one of {', '.join(Status)}")
    if ("low" in table) != ("high" in table):
        found.append("low and high go together")
    if not found and "low" in table and not table["low"] <= table["value"] <= table["high"]:
        found.append("the value lies outside its own range")
    return found


def _figure(table: object) -> Figure:
    assert isinstance(table, dict)
    numbers = {key: float(table[key]) for key in _NUMBERS if key in table}
    return Figure(
        value=numbers["value"],
        source=table["source"],
        status=Status(table["status"]),
        low=numbers.get("low"),
        high=numbers.get("high"),
        note=table.get("note", ""),
    )


def plain(value: float) -> str:
    """Write a number as a person would: 0.334, 6.8, 66.2, 1152."""
    if not math.isfinite(value):
        return str(value)
    size = abs(value)
    if size != 0 and not 1e-3 <= size < 1e9:  # noqa: PLR2004 - beyond these, digits say less than a power of ten
        return f"{value:.3g}"
    places = 0 if size >= 100 else 1 if size >= 10 else 2 if size >= 1 else 3  # noqa: PLR2004 - three figures
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
