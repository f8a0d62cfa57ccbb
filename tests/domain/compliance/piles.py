"""Histories for the published cases: a pile described by its temperature at each hour since the first reading."""

from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from service.domain.compliance import RULES, History, Reading, Verdict, judge, series_of
from service.domain.quantities import Unit

START = datetime(2026, 5, 4, tzinfo=UTC)
UTC_ZONE = ZoneInfo("UTC")
FIVE_TURNS_D = (2, 5, 8, 11, 14)


def at(hour: float, start: datetime = START) -> datetime:
    """The instant ``hour`` hours after the first reading."""
    return start + timedelta(hours=hour)


def hour_of(moment: datetime | None, start: datetime = START) -> float:
    """Hours after the first reading."""
    assert moment is not None
    return (moment - start) / timedelta(hours=1)


def log(
    temperature: Callable[[float], float] | float,
    until_h: float,
    *,
    every_h: float = 1.0,
    position: str = "core",
    start: datetime = START,
    unit: Unit = Unit.CEL,
    flag: int = 1,
) -> list[Reading]:
    """A regular log, both ends included."""
    count = round(until_h / every_h) + 1
    hours = [n * every_h for n in range(count)]
    return [
        Reading(
            position,
            at(hour, start),
            float(temperature(hour) if callable(temperature) else temperature),
            unit,
            flag,
        )
        for hour in hours
    ]


def dips(base: float, *falls: tuple[float, float, float]) -> Callable[[float], float]:
    """A steady temperature with falls ``(from_h, until_h, value)``; the reading at ``until_h`` is hot again."""
    return lambda hour: next((value for start, end, value in falls if start <= hour < end), base)


def pile(
    readings: Iterable[Reading],
    *,
    turn_days: Sequence[float] = FIVE_TURNS_D,
    start: datetime = START,
    **more: object,
) -> History:
    """A history that meets every criterion besides time, temperature and turning."""
    facts: dict[str, object] = {
        "initial_carbon_nitrogen_ratio": 30.0,
        "cured_days": 30.0,
        "measures": {"cover_thickness_cm": 31.0},
        "turns": tuple(at(24 * day, start) for day in turn_days),
    }
    return History(series=series_of(readings), **(facts | more))  # type: ignore[arg-type]


def verdict(
    rule: str,
    history: History,
    *,
    at_h: float | None = None,
    start: datetime = START,
    zone: ZoneInfo = UTC_ZONE,
    reading: str = "inspector",
) -> Verdict:
    """Judge a pile ``at_h`` hours after its first reading; by default at its last one."""
    if at_h is None:
        last = max(int(one.observed_at[-1]) for one in history.series if one.observed_at.size)
        judged = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=last)
    else:
        judged = at(at_h, start)
    return judge(RULES[rule], history, judged_at=judged, time_zone=zone, interpretation=reading)  # type: ignore[arg-type]
