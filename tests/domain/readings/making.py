"""Series of readings for the tests of their quality, in as few words as a table row has room for."""

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from service.domain.quantities import Unit
from service.domain.readings import quality

BUILT = datetime(2026, 5, 4, 9, 0, tzinfo=UTC)
HOUR_US = 3_600_000_000
BUILT_US = int(BUILT.timestamp()) * 1_000_000


def us(days: float) -> int:
    """Microseconds since 1970 of the instant so many days after the build."""
    return BUILT_US + round(days * 24 * 3600) * 1_000_000


def hourly(first: float, last: float, step_h: float = 1.0) -> list[float]:
    """Days of readings from first to last, both included."""
    return [first + i * step_h / 24 for i in range(round((last - first) * 24 / step_h) + 1)]


def a_series(
    days: Iterable[float],
    values: Iterable[float] | Callable[[float], float],
    *,
    unit: Unit | Sequence[Unit] = Unit.CEL,
    flags: Iterable[int] | None = None,
    **known: Any,
) -> quality.ReadSeries:
    days = list(days)
    value = [values(d) for d in days] if callable(values) else list(values)
    return quality.ReadSeries(
        np.array([us(d) for d in days], np.int64),
        np.array(value, np.float64),
        np.broadcast_to(np.array(unit, np.int16), (len(days),)).copy(),
        np.array([1] * len(days) if flags is None else list(flags), np.int16),
        **known,
    )


def objected(series: quality.ReadSeries, test: str, **context: Any) -> list[int]:
    """Places of the readings one test objects to."""
    flag = quality.assess(series, **context).flag
    return [place for place, one in enumerate(flag.tolist()) if test in quality.tests_of(one)]


def received(seconds: float = 0.0) -> datetime:
    return BUILT + timedelta(seconds=seconds)
