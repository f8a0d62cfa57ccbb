"""Values in the words of a printed page."""

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

NOTHING: Final = "not on record"
NONE: Final = "-"
STATES: Final = {
    "met": "met",
    "under_way": "under way",
    "not_met": "not met",
    "cannot_judge": "cannot be judged",
}
_LONG: Final = re.compile(r"[^\s\u200b]{18,}")
_PIECE: Final = 8

Block = dict[str, Any]


def breakable(text: str) -> str:
    """Return a text in which a word too long for a line may break anywhere."""
    return _LONG.sub(
        lambda word: "\u200b".join(word[0][n : n + _PIECE] for n in range(0, len(word[0]), _PIECE)), text
    )


def when(at: datetime | None, zone: ZoneInfo, *, none: str = NONE) -> str:
    """Return an instant on the site's clock with its offset, for example ``2026-05-04 09:00-05:00``."""
    return none if at is None else at.astimezone(zone).isoformat(sep=" ", timespec="minutes")


def figure(value: float | None, unit: str = "", *, none: str = NONE) -> str:
    """Return a figure as people write it; what is unknown is never 0."""
    if value is None:
        return none
    told = f"{value:.6g}"
    return f"{told} {unit}" if unit else told


def plain(value: Any) -> str:  # noqa: ANN401 - a JSON value
    """Return a value of the log's details in words."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(plain(one) for one in value)
    return figure(value) if isinstance(value, int | float) else str(value).replace("_", " ")


def named(name: str) -> str:
    """Return a field's name with its unit as people write it."""
    for ending, unit in (("_m3", "m³"), ("_cm", "cm"), ("_mm", "mm"), ("_m", "m"), ("_l", "L")):
        if name.endswith(ending):
            return f"{name.removesuffix(ending).replace('_', ' ')} [{unit}]"
    return name.replace("_", " ")


def heading(level: int, text: str) -> Block:
    """Return a heading."""
    return {"kind": "heading", "level": level, "text": breakable(text)}


def paragraph(text: str, *, small: bool = False) -> Block:
    """Return a paragraph."""
    return {"kind": "small" if small else "text", "text": breakable(text)}


def facts(*rows: tuple[str, str]) -> Block:
    """Return names and values in two columns."""
    return {"kind": "facts", "rows": [[name, breakable(value)] for name, value in rows]}


def table(
    columns: Sequence[tuple[str, float]], rows: Sequence[Sequence[str]], *, right: Sequence[int] = ()
) -> Block:
    """Return a table; columns are heads with their share of the width, ``right`` those set flush right."""
    return {
        "kind": "table",
        "heads": [head for head, _ in columns],
        "widths": [width for _, width in columns],
        "aligns": ["r" if n in right else "l" for n in range(len(columns))],
        "rows": [[breakable(one) for one in row] for row in rows],
    }
