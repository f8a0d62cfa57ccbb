"""How uncertain a figure is when nobody said, and what a measurement leaves of it; read from ``spreads.toml``."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final

_FILE: Final = Path(__file__).with_name("spreads.toml")
_WHOLE_PCT: Final = 100.0


@dataclass(frozen=True, slots=True)
class Width:
    """A half width that holds 95 of 100 cases, in the figure's own unit or in % of the value."""

    points: float | None = None
    of_value_pct: float | None = None
    of_room_pct: float | None = None
    """At most this much of what lies between the value and the nearer end of 0 to 100."""

    def width(self, value: float, *, times: float = 1.0) -> float:
        """Return the half width around a value."""
        wide = times * (self.points if self.points is not None else value * (self.of_value_pct or 0.0) / 100)
        if self.of_room_pct is None:
            return wide
        return min(wide, self.of_room_pct / 100 * min(value, _WHOLE_PCT - value))


@dataclass(frozen=True, slots=True)
class Default:
    """What is taken for a figure without a range."""

    width: Width
    credit: str


@dataclass(frozen=True, slots=True)
class Method:
    """A way of measuring.

    Attributes
    ----------
    name
        As a caller names it.
    do
        What to do, with ``{name}`` for the material; empty when it is no advice to give.
    figures
        What it measures, and how well.
    credit
        Source and status.
    """

    name: str
    do: str
    figures: Mapping[str, Width]
    credit: str


@cache
def _document() -> Mapping[str, Any]:
    return tomllib.loads(_FILE.read_text(encoding="utf-8"))


def _width(cell: Mapping[str, Any]) -> Width:
    return Width(cell.get("points"), cell.get("of_value_pct"), cell.get("of_room_pct"))


def _credit(cell: Mapping[str, Any]) -> str:
    return f"{cell['source']}; {cell['status']}"


@cache
def defaults() -> Mapping[str, Default]:
    """Return what is taken for each figure of the library that has no range."""
    return {name: Default(_width(cell), _credit(cell)) for name, cell in _document()["default"].items()}


@cache
def methods() -> Mapping[str, Method]:
    """Return the ways of measuring, by name."""
    return {
        cell["name"]: Method(
            cell["name"],
            cell.get("do", ""),
            {figure: _width(width) for figure, width in cell["figures"].items()},
            _credit(cell),
        )
        for cell in _document()["method"]
    }


def default_width(name: str, value: float, status: str) -> tuple[float, str]:
    """Return the half width taken for a figure without a range, and the words for it.

    Parameters
    ----------
    name
        The figure's field.
    value
        In its own unit.
    status
        How it came to us; the less directly, the wider.

    Returns
    -------
    tuple of float and str
        Half width that holds 95 of 100 cases, in the figure's own unit; and where it comes from.
    """
    taken = defaults()[name]
    times = _document()["widening"][status]
    widened = "" if times == 1 else f", times {times:g} as the figure is {status}"
    return taken.width.width(value, times=times), f"default: {taken.credit}{widened}"
