"""Reading a feedstock library from TOML, strictly: a malformed row is refused by file, row, key and reason."""

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

from service.domain.errors import Invalid
from service.domain.published import Status, plain

from .feedstock import CATEGORIES, FIGURES, Feedstock, MaterialFigure, Opinion
from .figures import CARBON_HIGH_PCT, CARBON_LOW_PCT, CARBON_OF_VOLATILE_SOLIDS
from .ingredient import LIGNIN_METHODS
from .origin import weakest

_CODE: Final = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_ROW_KEYS: Final = frozenset({"code", "name", "category", "warnings", *FIGURES})
_FIGURE_KEYS: Final = frozenset({"value", "source", "status", "low", "high", "note", "others"})
_LIGNIN_KEYS: Final = frozenset({"method", "is_of_volatile_solids"})
_OPINION_KEYS: Final = frozenset({"value", "source", "status", "low", "high", "note", "method"})


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
    if "lignin_pct" in figures and row["lignin_pct"].get("is_of_volatile_solids") is True:
        completed["lignin_pct"] = _lignin_of_dry(completed, place)
    _refuse_unwarned_carbon(completed, warnings, place)
    return Feedstock(code, name, category, MappingProxyType(completed), tuple(warnings))


def _text(row: dict[str, object], key: str, place: _Place) -> str:
    value = row.get(key)
    if not isinstance(value, str) or not value.strip():
        raise place.refusal(key, "a text is needed")
    return value


def _read_figure(cell: object, key: str, place: _Place, sources: dict[str, object]) -> MaterialFigure:
    if not isinstance(cell, dict):
        raise place.refusal(key, "a figure is a table with value, source and status")
    allowed = _FIGURE_KEYS | _LIGNIN_KEYS if key == "lignin_pct" else _FIGURE_KEYS
    strange = sorted(set(cell) - allowed)
    if strange:
        raise place.refusal(f"{key}.{strange[0]}", f"unknown; a figure holds {', '.join(sorted(allowed))}")
    value = _number(cell, key, "value", place)
    if value is None:
        raise place.refusal(f"{key}.value", "a number is needed")
    low, high = _range(cell, key, place)
    if low is not None and high is not None and not low <= value <= high:
        raise place.refusal(f"{key}.low", "the value lies outside its own range")
    others = cell.get("others", [])
    if not isinstance(others, list):
        raise place.refusal(f"{key}.others", "a list of what other publications print is needed")
    return MaterialFigure(
        value,
        *_credit(cell, key, place, sources),
        low,
        high,
        _note(cell, key, place),
        method=_method(cell, key, place),
        others=tuple(_opinion(other, key, place, sources) for other in others),
    )


def _opinion(cell: object, key: str, place: _Place, sources: dict[str, object]) -> Opinion:
    if not isinstance(cell, dict) or set(cell) - _OPINION_KEYS:
        raise place.refusal(f"{key}.others", f"each is a table of {', '.join(sorted(_OPINION_KEYS))}")
    value, (low, high) = _number(cell, key, "value", place), _range(cell, key, place)
    if (value is None) == (low is None):
        raise place.refusal(f"{key}.others", "each has a value, or low and high")
    least, most = (value, value) if value is not None else (low, high)
    assert least is not None
    assert most is not None
    note, method = _note(cell, key, place), _method(cell, key, place)
    return Opinion(least, most, *_credit(cell, key, place, sources), note=note, method=method)


def _range(cell: dict[str, object], key: str, place: _Place) -> tuple[None, None] | tuple[float, float]:
    low, high = _number(cell, key, "low", place), _number(cell, key, "high", place)
    if low is None and high is None:
        return None, None
    if low is None or high is None or low > high:
        raise place.refusal(f"{key}.low", "give low and high together, with low not above high")
    return low, high


def _credit(
    cell: dict[str, object], key: str, place: _Place, sources: dict[str, object]
) -> tuple[str, Status]:
    source = sources.get(_text(cell, "source", place))
    if not isinstance(source, str) or not source.strip():
        raise place.refusal(f"{key}.source", f"'{cell['source']}' is not a key of [sources]")
    status = cell.get("status")
    if not isinstance(status, str) or status not in set(Status):
        raise place.refusal(f"{key}.status", f"'{status}' is not one of {', '.join(Status)}")
    return source, Status(status)


def _note(cell: dict[str, object], key: str, place: _Place) -> str:
    note = cell.get("note", "")
    if not isinstance(note, str):
        raise place.refusal(f"{key}.note", "a text is needed")
    return note


def _method(cell: dict[str, object], key: str, place: _Place) -> str:
    method = cell.get("method", "")
    if not isinstance(method, str) or (method and method not in LIGNIN_METHODS):
        raise place.refusal(f"{key}.method", f"'{method}' is not one of {', '.join(LIGNIN_METHODS)}")
    return method


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


def _complete(figures: dict[str, MaterialFigure]) -> dict[str, MaterialFigure]:
    """Derive the third of carbon, nitrogen and C:N from the two that are stored."""
    carbon, nitrogen, ratio, solids = (
        figures.get(key)
        for key in ("carbon_pct", "nitrogen_pct", "carbon_nitrogen_ratio", "volatile_solids_pct")
    )
    if carbon is None and nitrogen is not None and ratio is not None:
        carbon = _derived(nitrogen.value * ratio.value, "nitrogen times C:N", nitrogen, ratio)
    elif carbon is None and solids is not None:
        note = "volatile solids / 1.8 (Adams et al. 1951)"
        carbon = _derived(solids.value * CARBON_OF_VOLATILE_SOLIDS, note, solids)
    if carbon is not None and nitrogen is None and ratio is not None:
        nitrogen = _derived(carbon.value / ratio.value, "carbon / C:N", carbon, ratio)
    if carbon is not None and ratio is None and nitrogen is not None and nitrogen.value:
        ratio = _derived(carbon.value / nitrogen.value, "carbon / nitrogen", carbon, nitrogen)
    completed = {"carbon_pct": carbon, "nitrogen_pct": nitrogen, "carbon_nitrogen_ratio": ratio}
    return {**figures, **{key: figure for key, figure in completed.items() if figure is not None}}


def _derived(value: float, note: str, *parts: MaterialFigure) -> MaterialFigure:
    """Return a figure computed from others; it is no better known than the weakest of them."""
    status = Status(weakest(part.status for part in parts))
    source = "; ".join(dict.fromkeys(part.source for part in parts))
    return MaterialFigure(value, source, status, note=note, is_derived=True)


def _lignin_of_dry(figures: dict[str, MaterialFigure], place: _Place) -> MaterialFigure:
    """Turn lignin printed in % of volatile solids into % of dry matter, by the row's own volatile solids."""
    lignin, carbon = figures["lignin_pct"], figures.get("carbon_pct")
    solids = figures.get("volatile_solids_pct")
    if solids is not None:
        of_dry = solids.value
    elif carbon is not None:
        of_dry = min(100.0, carbon.value / CARBON_OF_VOLATILE_SOLIDS)
    else:
        raise place.refusal("lignin_pct", "lignin of volatile solids needs volatile_solids_pct or carbon")
    printed = (
        f"{plain(lignin.value)} % of volatile solids, which are taken as {plain(of_dry)} % of dry matter"
    )
    note = "; ".join(filter(None, (printed, lignin.note)))
    return replace(lignin, value=lignin.value * of_dry / 100, note=note, is_derived=True)


def _refuse_unwarned_carbon(figures: dict[str, MaterialFigure], warnings: list[str], place: _Place) -> None:
    """Refuse a row whose carbon is out of the ordinary unless it says why."""
    carbon = figures.get("carbon_pct")
    if carbon is None or warnings or not carbon.is_derived:
        return
    if not CARBON_LOW_PCT <= carbon.value <= CARBON_HIGH_PCT:
        implied = plain(carbon.value)
        raise place.refusal("warnings", f"the row implies {implied} % carbon; a warning must say why")
