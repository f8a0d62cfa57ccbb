"""Entries and readings for the tests of piles, in as few words as a table row has room for."""

from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any
from uuid import UUID

import numpy as np

from service.domain.piles import Event, PositionSeries
from service.domain.quantities import Unit

BUILT = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
_numbers = count(1)


def day(number: float) -> datetime:
    """The instant so many days after the build."""
    return BUILT + timedelta(days=number)


def us(moment: datetime) -> int:
    return round((moment - datetime(1970, 1, 1, tzinfo=UTC)) / timedelta(microseconds=1))


def an_event(kind: str, at_day: float, /, **details: Any) -> Event:
    return Event(UUID(int=next(_numbers)), kind, day(at_day), day(at_day), details)


def a_correction(
    original: Event, recorded_day: float, replacement: dict[str, Any] | None, number: int | None = None
) -> Event:
    return Event(
        UUID(int=number or next(_numbers)),
        "correct",
        day(recorded_day),
        day(recorded_day),
        {"reason": "written down wrong", "replacement": replacement},
        corrects=original.id,
    )


def a_series(
    days: Iterable[float],
    temperatures: Iterable[float] | Callable[[float], float],
    position: str = "core",
    *,
    unit: Unit = Unit.CEL,
    flags: Iterable[int] | None = None,
    placed: float = 0.0,
    until: float | None = None,
    interval: timedelta | None = None,
    serial: str = "PR-1",
) -> PositionSeries:
    at = np.array(list(days), dtype=np.float64)
    value = [temperatures(d) for d in at] if callable(temperatures) else list(temperatures)
    return PositionSeries(
        position,
        serial,
        60.0,
        np.array([us(day(d)) for d in at], dtype=np.int64),
        np.array(value, dtype=np.float64),
        np.full(at.size, int(unit), dtype=np.int16),
        np.full(at.size, 1, dtype=np.int16) if flags is None else np.array(list(flags), dtype=np.int16),
        day(placed),
        None if until is None else day(until),
        interval,
    )


def hourly(first: float, last: float, step_h: float = 1.0) -> list[float]:
    """Days of hourly readings from first to last, both included."""
    return [first + i * step_h / 24 for i in range(round((last - first) * 24 / step_h) + 1)]


def life(d: float) -> float:
    """A sound pile: heats within two days, holds 60 Cel, and cools from day 12 on, never quite still."""
    swing = 0.6 * np.sin(5 * d)
    if d < 2:
        return 20 + 20 * d + swing
    return float(max(25.0, 60 - 4 * max(0.0, d - 12)) + swing)
