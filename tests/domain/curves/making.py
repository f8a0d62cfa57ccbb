"""Small curves, and drawings read back as points."""

import re
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from service.domain.curves import CurveRecord, Drawing, Limit, Line
from service.domain.curves.primitives import Path, Words

HOUR = 3_600_000_000
DAY = 24 * HOUR
_STEP = re.compile(r"([MmlhvzHV])\s*(-?[\d.]+)?(?:[ ,]?(-?[\d.]+))?")


def us(text: str) -> int:
    """Return an instant from RFC 3339 text."""
    return (
        round((datetime.fromisoformat(text) - datetime(1970, 1, 1, tzinfo=UTC)).total_seconds()) * 1_000_000
    )


START = us("2026-05-04T14:00:00+00:00")


def a_line(
    hours: Sequence[float], temperatures: Sequence[float], label: str = "core", **overrides: Any
) -> Line:
    at = np.array([START + round(one * HOUR) for one in hours], dtype=np.int64)
    values: dict[str, Any] = {
        "label": label,
        "observed_us": at,
        "temperature_c": np.array(temperatures, dtype=np.float64),
        "counts": np.ones(at.size, np.bool_),
        "since_us": int(at[0]) if at.size else START,
        "until_us": int(at[-1]) if at.size else START + DAY,
    }
    return Line(**values | overrides)


def a_record(*lines: Line, **overrides: Any) -> CurveRecord:
    ends = [int(line.observed_us[-1]) for line in lines if line.observed_us.size]
    values: dict[str, Any] = {
        "heading": "pile 7",
        "rule_title": "a rule",
        "lines": lines,
        "limits": [Limit(55.0, "131 °F for 15 days")],
        "turns": [],
        "lost": [],
        "held": [],
        "zone": ZoneInfo("America/Chicago"),
        "since_us": START,
        "until_us": max(ends, default=START) + HOUR,
    }
    return CurveRecord(**values | overrides)


def drawn(drawing: Drawing, label: str = "core") -> list[list[tuple[float, float]]]:
    """Return the strokes of a line as points: an own reading of SVG's path commands (SVG 1.1, chapter 8.3)."""
    path = next(one for one in drawing.shapes if isinstance(one, Path) and one.title == label)
    strokes: list[list[tuple[float, float]]] = []
    x = y = 0.0
    for command, first, second in _STEP.findall(path.d):
        if command == "M":
            x, y = float(first), float(second)
            strokes.append([(x, y)])
            continue
        if command == "l":
            x, y = x + float(first), y + float(second)
        elif command == "h":
            x += float(first)
        elif command == "v":
            y += float(first)
        else:
            raise AssertionError(command)
        strokes[-1].append((round(x, 1), round(y, 1)))
    return strokes


def words(drawing: Drawing) -> list[str]:
    return [one.text for one in drawing.shapes if isinstance(one, Words)]
