"""A pile's curve: its readings as a verdict counts them, under the limits of one rule."""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from service.domain.compliance import History, Lost, Rule, Series, Verdict, Window
from service.domain.curves import AlsoAsked, CurveRecord, Limit, Line, LostSpan, TurnMark
from service.domain.quantities import Unit, temperature_in
from service.domain.readings.quality import celsius
from service.storage.corrections import microseconds

_LEAST_SHOWN_US: Final = 6 * 3_600_000_000
_DAY: Final = timedelta(days=1)
_MILLIONTH: Final = 6


def curve_of(
    label: str,
    history: History,
    *,
    rule: Rule | None,
    verdict: Verdict | None,
    built_at: datetime | None,
    now: datetime,
    zone: ZoneInfo,
) -> CurveRecord:
    """Return what a pile's curve shows.

    Parameters
    ----------
    label
        What stands above it.
    history
        As a verdict of ``now`` saw it.
    rule, verdict
        Whose limits and losses are drawn; None for the readings and turns alone.
    """
    now_us = microseconds(now)
    lost = _lost(verdict.lost if verdict else ())
    left_out = {one.at for one in verdict.turns_not_counted} if verdict else set()
    turns = [TurnMark(microseconds(at), at not in left_out) for at in sorted(history.turns) if at <= now]
    since_us, until_us = _span(history, turns, lost, built_at, now)
    return CurveRecord(
        heading=label,
        rule_title=None if rule is None else rule.title,
        lines=[_line(one, now_us) for one in sorted(history.series, key=lambda one: one.position)],
        limits=[] if rule is None else list(_limits(rule)),
        turns=turns,
        lost=lost,
        held=_held(verdict.windows if verdict else ()),
        also=[] if verdict is None else list(_also(verdict)),
        suspected_us=[microseconds(one.at) for one in (verdict.suspected_turns if verdict else ())],
        zone=zone,
        since_us=since_us,
        until_us=until_us,
        longest_gap_us=round(
            3.6e9 * (max((one.longest_gap_h for one in rule.holds), default=24) if rule else 24)
        ),
        in_fahrenheit=rule is not None and any(one.unit is Unit.DEG_F for one in rule.holds),
    )


def _lost(spans: Sequence[Lost]) -> list[LostSpan]:
    return [LostSpan(microseconds(one.from_), microseconds(one.to), one.cause, one.position) for one in spans]


def _held(windows: Sequence[Window]) -> list[tuple[int, int]]:
    return [(microseconds(one.from_), microseconds(one.to)) for one in windows]


def _also(verdict: Verdict) -> Iterator[AlsoAsked]:
    """Yield the holds beside the one the verdict shows as its own."""
    for one in verdict.criteria:
        if one.windows or one.lost:
            yield AlsoAsked(one.name.partition(": ")[2] or one.name, _held(one.windows), _lost(one.lost))


def _line(series: Series, now_us: int) -> Line:
    return Line(
        series.position,
        series.observed_at,
        celsius(series.value, series.unit),
        series.counts(series.observed_at.size),
        series.starts_us,
        min(series.ends_us, now_us),
    )


def _limits(rule: Rule) -> Iterator[Limit]:
    """Yield each temperature once, named as the text has it; of several holds at one the names together."""
    floors: dict[float, list[str]] = {}
    ceilings: dict[float, str] = {}
    for hold in rule.holds:
        at = round(float(temperature_in(hold.threshold, hold.unit, Unit.CEL)), _MILLIONTH)
        above = "above " if hold.operator == ">" else ""
        floors.setdefault(at, []).append(f"{above}{hold.name}")
        if hold.upper_limit is not None:
            top = round(float(temperature_in(hold.upper_limit, hold.unit, Unit.CEL)), _MILLIONTH)
            symbol = "°F" if hold.unit is Unit.DEG_F else "°C"
            ceilings[top] = f"upper limit {float(hold.upper_limit):g} {symbol}"
    yield from (Limit(at, " or ".join(names)) for at, names in floors.items())
    yield from (Limit(at, name, is_upper=True) for at, name in ceilings.items())


def _span(
    history: History,
    turns: list[TurnMark],
    lost: list[LostSpan],
    built_at: datetime | None,
    now: datetime,
) -> tuple[int, int]:
    """Return the span shown: from the build or the first reading to the last thing on record."""
    now_us = microseconds(now)
    spoken = [one.observed_at for one in history.series if one.observed_at.size]
    starts = [int(at[0]) for at in spoken]
    if built_at is not None and built_at <= now:
        starts.append(microseconds(built_at))
    ends = [int(at[-1]) for at in spoken] + [one.at_us for one in turns] + [one.to_us for one in lost]
    until = min(max(ends, default=now_us), now_us)
    since = min(min(starts, default=microseconds(now - _DAY)), until)
    if until - since < _LEAST_SHOWN_US:
        until = since + _LEAST_SHOWN_US
    return since, until + (until - since) // 100
