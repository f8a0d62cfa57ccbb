"""Records nobody would wish to judge: they are judged all the same, and in bounded time."""

import math
import time
from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from service.domain.compliance import RULES, History, Parent, Series, judge_each, series_of
from service.domain.errors import Invalid
from service.domain.quantities import Unit
from tests.domain.compliance.piles import START, UTC_ZONE, at, log, pile, verdict

N = 8640


def series(value: np.ndarray, step_h: float = 0.0833, position: str = "core") -> Series:
    start = int(START.timestamp() * 1e6)
    times = start + (np.arange(value.size) * step_h * 3.6e9).astype(np.int64)
    units, flags = np.full(value.size, int(Unit.CEL), np.uint8), np.ones(value.size, np.int16)
    return Series(position, times, value.astype(np.float64), units, flags)


MANY = tuple(at(n / 15) for n in range(10_000))
SWING = np.where(np.arange(N) % 2, 60.0, 50.0)
RECORDS = {
    "nothing": History(),
    "one reading": History(series=(series(np.array([60.0])),)),
    "ten thousand turnings": History(series=(series(np.full(N, 60.0)),), turns=MANY),
    "ten thousand turnings and no reading": History(turns=MANY),
    "all gaps": History(series=(series(np.full(N, 60.0), step_h=30.0),), turns=MANY[:100]),
    "no number anywhere": History(series=(series(np.full(N, np.nan)),), turns=MANY[:100]),
    "numbers that are none": History(series=(series(np.array([np.nan, 60.0, -273.0, 5000.0, np.nan])),)),
    "every second reading cold": History(series=tuple(series(SWING, position=f"p{n}") for n in range(4))),
    "exactly at every limit": History(series=(series(np.full(N, 45.0)),)),
    "ten thousand additions": History(series=(series(np.full(N, 60.0)),), restarts=MANY),
}


@pytest.mark.parametrize("name", RECORDS)
def test_the_whole_book_in_bounded_time(name: str) -> None:
    started = time.process_time()
    found = judge_each(tuple(RULES.values()), RECORDS[name], judged_at=at(750), time_zone=UTC_ZONE)
    # Ten times what the worst of these takes on a busy machine; a quadratic walk over ten thousand takes minutes.
    assert time.process_time() - started < 15
    assert len(found) == len(RULES)
    assert all(one.next for one in found)
    if name in {"nothing", "no number anywhere", "ten thousand turnings and no reading"}:
        assert {one.state for one in found} <= {"cannot_judge", "under_way"}


def test_cost_grows_no_faster_than_the_readings() -> None:
    def cpu(n: int) -> float:
        value = 58 + 4 * np.sin(np.arange(n) / 900)
        history = History(series=(series(np.round(value, 1)),), turns=(at(72), at(144)))
        best = math.inf
        for _ in range(3):
            started = time.process_time()
            judge_each(tuple(RULES.values()), history, judged_at=at(n / 12 + 1), time_zone=UTC_ZONE)
            best = min(best, time.process_time() - started)
        return best

    small, large = cpu(10_000), cpu(80_000)
    # Eight times the readings; a quadratic evaluator takes sixty-four times as long.
    assert large < 24 * small


def test_infinite_readings_and_naive_times_are_refused() -> None:
    """A time without offset names two instants on the night the clocks go back: it is refused, not guessed (T17)."""
    with pytest.raises(Invalid, match="is not a temperature"):
        series_of([replace(log(60, 1)[0], value=math.inf)])
    night = datetime(2026, 11, 1, 1, 30)  # noqa: DTZ001 - the case
    with pytest.raises(Invalid, match="no UTC offset"):
        series_of([replace(log(60, 1)[0], observed_at=night)])
    with pytest.raises(Invalid, match="no UTC offset"):
        pile([], planned_turns=(night,))


def test_too_many_piles_in_one_are_refused() -> None:
    one = pile(log(60, 10))
    crowd = pile(log(60, 20), parents=tuple(Parent(f"P{n}", one, at(10)) for n in range(65)))
    with pytest.raises(Invalid, match="more than 64 piles"):
        verdict("us-503-pfrp-windrow", crowd, at_h=20)
    tower = one
    for n in range(12):
        tower = pile(log(60, 10), parents=(Parent(f"P{n}", tower, START + timedelta(hours=9 - n / 2)),))
    assert verdict("us-503-pfrp-windrow", tower, at_h=20).follows is not None
