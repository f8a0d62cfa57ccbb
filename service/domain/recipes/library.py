"""The feedstock library: published figures, each with its source, read strictly from ``feedstocks.toml``."""

import difflib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Final

from service.domain.errors import Invalid

from .figures import (
    CARBON_HIGH_PCT,
    CARBON_LOW_PCT,
    CARBON_OF_VOLATILE_SOLIDS,
    DENSITY,
    MOISTURE,
    NITROGEN,
    PERCENT_OF_DRY,
    RATIO,
    Bounds,
    Figure,
    Status,
    derived,
    plain,
)
from .ingredient import Ingredient

_FILE: Final = Path(__file__).with_name("feedstocks.toml")
_CODE: Final = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")

FIGURES: Final[Mapping[str, Bounds]] = MappingProxyType(
    {
        "moisture_pct": MOISTURE,
        "nitrogen_pct": NITROGEN,
        "carbon_pct": PERCENT_OF_DRY,
        "carbon_nitrogen_ratio": RATIO,
        "volatile_solids_pct": PERCENT_OF_DRY,
        "bulk_density_kg_m3": DENSITY,
        "lignin_pct": PERCENT_OF_DRY,
    }
)
"""The figures a row may hold, and what each may be."""

CATEGORIES: Final = frozenset(
    {
        "animal-by-product",
        "compost",
        "crop-processing",
        "crop-residue",
        "fertiliser",
        "food-scraps",
        "garden",
        "human-waste",
        "manure",
        "municipal",
        "nitrogen-supplement",
        "other",
        "paper-wood",
        "straw-hay-silage",
        "yard",
    }
)

_ROW_KEYS: Final = frozenset({"code", "name", "category", "warnings", *FIGURES})
_FIGURE_KEYS: Final = frozenset({"value", "source", "status", "low", "high", "note"})


@dataclass(frozen=True, slots=True)
class Feedstock:
    """One material of the library.

    Attributes
    ----------
    code
        Stable lower-case kebab name, for example ``leaves-loose-dry``.
    name, category
        For people, and for the cautions.
    figures
        By field name of :data:`FIGURES`; a figure that no publication gave is absent. Carbon, nitrogen and C:N are
        completed from one another, carbon also from volatile solids.
    warnings
        What makes the row doubtful.
    """

    code: str
    name: str
    category: str
    figures: Mapping[str, Figure] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def value(self, figure: str) -> float | None:
        """Return a figure's value, or ``None`` when unknown."""
        found = self.figures.get(figure)
        return None if found is None else found.value

    def ingredient(self, *, mass_kg: float | None = None, volume_m3: float | None = None) -> Ingredient:
        """Return the row as an ingredient; put measured figures over it with :func:`overlay`."""
        carbon = self.value("carbon_pct")
        return Ingredient(
            name=self.name,
            moisture_pct=self.value("moisture_pct"),
            nitrogen_pct=self.value("nitrogen_pct"),
            carbon_pct=carbon,
            carbon_nitrogen_ratio=self.value("carbon_nitrogen_ratio") if carbon is None else None,
            bulk_density_kg_m3=self.value("bulk_density_kg_m3"),
            mass_kg=mass_kg,
            volume_m3=volume_m3,
            category=self.category,
        )


@cache
def library() -> Mapping[str, Feedstock]:
    """Return the shipped library, by code."""
    return parse(_FILE.read_text(encoding="utf-8"), file=_FILE.name)


def find(code: str, pointer: str) -> Feedstock:
    """Return a feedstock by its code.

    Parameters
    ----------
    code
        Of the shipped library.
    pointer
        Where the code stands in the request.

    Returns
    -------
    Feedstock
        The row.

    Raises
    ------
    Invalid
        When there is none, naming the nearest codes.
    """
    shipped = library()
    if code in shipped:
        return shipped[code]
    near = difflib.get_close_matches(code.lower(), shipped, n=3)
    remedy = f"did you mean {', '.join(near)}?" if near else "list the library, or give the figures yourself"
    raise Invalid.field(pointer, f"the library has no feedstock '{code[:80]}'; {remedy}")


def parse(text: str, *, file: str) -> Mapping[str, Feedstock]:
    """Read a library, refusing anything that is not exactly right.

    Parameters
    ----------
    text
        TOML with a table ``sources`` and rows ``[[feedstock]]``.
    file
        Name for the refusals.

    Returns
    -------
    mapping of str to Feedstock
        In the order of the file.

    Raises
    ------
    Invalid
        Naming file, row, key and reason: broken TOML, an unknown key, status or source, a figure out of bounds,
        a code used twice, all three of carbon, nitrogen and C:N, an implausible carbon without a warning.
    """
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise Invalid.field("", f"{file}: not TOML: {error}") from error
    strange = set(document) - {"sources", "feedstock"}
    if strange:
        raise Invalid.field(
            "", f"{file}: unknown table {sorted(strange)}; only sources and feedstock are read"
        )
    sources, rows = document.get("sources", {}), document.get("feedstock", [])
    if not isinstance(sources, dict) or not isinstance(rows, list) or not rows:
        raise Invalid.field("", f"{file}: needs a table [sources] and rows [[feedstock]]")
    found: dict[str, Feedstock] = {}
    for index, row in enumerate(rows):
        place = _Place(file, index, str(row.get("code", "?")) if isinstance(row, dict) else "?")
        feedstock = _read_row(row, place, sources)
        if feedstock.code in found:
            raise place.refusal("code", "is used by an earlier row; codes are unique")
        found[feedstock.code] = feedstock
    return MappingProxyType(found)


@dataclass(frozen=True, slots=True)
class _Place:
    """Where we are in the file, so that a refusal can say so."""

    file: str
    index: int
    code: str

    def refusal(self, key: str, reason: str) -> Invalid:
        where = f"{self.file}, row {self.index + 1} '{self.code}', {key}: {reason}"
        return Invalid.field(f"/feedstock/{self.index}/{key.replace('.', '/')}", where)


def _read_row(row: object, place: _Place, sources: dict[str, object]) -> Feedstock:
    if not isinstance(row, dict):
        raise place.refusal("", "a row is a table [[feedstock]]")
    strange = sorted(set(row) - _ROW_KEYS)
    if strange:
        raise place.refusal(strange[0], f"unknown key; a row holds {', '.join(sorted(_ROW_KEYS))}")
    code, name, category = (_text(row, key, place) for key in ("code", "name", "category"))
    if not _CODE.fullmatch(code):
        raise place.refusal("code", "a code is lower-case letters and digits joined by single hyphens")
    if category not in CATEGORIES:
        raise place.refusal("category", f"'{category}' is not one of {', '.join(sorted(CATEGORIES))}")
    warnings = row.get("warnings", [])
    if not isinstance(warnings, list) or not all(isinstance(w, str) and w for w in warnings):
        raise place.refusal("warnings", "a list of sentences is needed")
    figures = {key: _read_figure(row[key], key, place, sources) for key in FIGURES if key in row}
    if {"carbon_pct", "nitrogen_pct", "carbon_nitrogen_ratio"} <= figures.keys():
        raise place.refusal("carbon_pct", "store two of carbon_pct, nitrogen_pct and carbon_nitrogen_ratio")
    completed = _complete(figures)
    _refuse_unwarned_carbon(completed, warnings, place)
    return Feedstock(code, name, category, MappingProxyType(completed), tuple(warnings))


def _text(row: dict[str, object], key: str, place: _Place) -> str:
    value = row.get(key)
    if not isinstance(value, str) or not value.strip():
        raise place.refusal(key, "a text is needed")
    return value


def _read_figure(cell: object, key: str, place: _Place, sources: dict[str, object]) -> Figure:
    if not isinstance(cell, dict):
        raise place.refusal(key, "a figure is a table with value, source and status")
    strange = sorted(set(cell) - _FIGURE_KEYS)
    if strange:
        raise place.refusal(
            f"{key}.{strange[0]}", f"unknown; a figure holds {', '.join(sorted(_FIGURE_KEYS))}"
        )
    value = _number(cell, key, "value", place)
    if value is None:
        raise place.refusal(f"{key}.value", "a number is needed")
    low, high = _number(cell, key, "low", place), _number(cell, key, "high", place)
    if (low is None) != (high is None) or (low is not None and high is not None and not low <= value <= high):
        raise place.refusal(f"{key}.low", "give low and high together, with the value between them")
    source = sources.get(_text(cell, "source", place))
    if not isinstance(source, str) or not source.strip():
        raise place.refusal(f"{key}.source", f"'{cell['source']}' is not a key of [sources]")
    if cell.get("status") not in set(Status):
        allowed = ", ".join(Status)
        raise place.refusal(f"{key}.status", f"'{cell.get('status')}' is not one of {allowed}")
    note = cell.get("note", "")
    if not isinstance(note, str):
        raise place.refusal(f"{key}.note", "a text is needed")
    return Figure(value, source, Status(cell["status"]), low, high, note)


def _number(cell: dict[str, object], key: str, part: str, place: _Place) -> float | None:
    value = cell.get(part)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise place.refusal(f"{key}.{part}", f"{value!r} is not a finite number")
    fault = FIGURES[key].fault(float(value)) if part == "value" else None
    if fault is not None:
        raise place.refusal(f"{key}.{part}", fault)
    return float(value)


def _complete(figures: dict[str, Figure]) -> dict[str, Figure]:
    """Derive the third of carbon, nitrogen and C:N from the two that are stored."""
    carbon, nitrogen, ratio, solids = (
        figures.get(key)
        for key in ("carbon_pct", "nitrogen_pct", "carbon_nitrogen_ratio", "volatile_solids_pct")
    )
    if carbon is None and nitrogen is not None and ratio is not None:
        carbon = derived(nitrogen.value * ratio.value, "nitrogen times C:N", nitrogen, ratio)
    elif carbon is None and solids is not None:
        note = "volatile solids / 1.8 (Adams et al. 1951)"
        carbon = derived(solids.value * CARBON_OF_VOLATILE_SOLIDS, note, solids)
    if carbon is not None and nitrogen is None and ratio is not None:
        nitrogen = derived(carbon.value / ratio.value, "carbon / C:N", carbon, ratio)
    if carbon is not None and ratio is None and nitrogen is not None and nitrogen.value:
        ratio = derived(carbon.value / nitrogen.value, "carbon / nitrogen", carbon, nitrogen)
    completed = {"carbon_pct": carbon, "nitrogen_pct": nitrogen, "carbon_nitrogen_ratio": ratio}
    return {**figures, **{key: figure for key, figure in completed.items() if figure is not None}}


def _refuse_unwarned_carbon(figures: dict[str, Figure], warnings: list[str], place: _Place) -> None:
    """Refuse a row whose carbon is out of the ordinary unless it says why."""
    carbon = figures.get("carbon_pct")
    if carbon is None or warnings or not carbon.is_derived:
        return
    if not CARBON_LOW_PCT <= carbon.value <= CARBON_HIGH_PCT:
        implied = plain(carbon.value)
        raise place.refusal("warnings", f"the row implies {implied} % carbon; a warning must say why")
