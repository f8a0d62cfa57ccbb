"""Histories that are refused, each naming the value and the remedy."""

from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from service.domain.compliance import RULES, History, Reading, Series, judge, series_of
from service.domain.errors import Invalid
from service.domain.quantities import Unit
from tests.domain.compliance.piles import START, UTC_ZONE, at

EPA = "us-503-pfrp-windrow"


def test_a_time_without_an_offset_is_refused() -> None:
    """T17: 01:30 on the night the clocks go back names two instants; only the offset tells which."""
    with pytest.raises(Invalid, match=r"/readings/1/observed_at: .* has no UTC offset"):
        series_of([Reading("core", at(0), 60.0), Reading("core", datetime(2024, 11, 3, 1, 30), 60.0)])  # noqa: DTZ001
    with pytest.raises(Invalid, match="/turns/0"):
        History(turns=(datetime(2024, 11, 3, 1, 30),))  # noqa: DTZ001
    zone = ZoneInfo("America/New_York")
    early, late = (datetime(2024, 11, 3, 1, 30, tzinfo=zone, fold=fold) for fold in (0, 1))
    (series,) = series_of([Reading("core", early, 60.0), Reading("core", late, 60.0)])
    assert np.diff(series.observed_at).tolist() == [3_600_000_000]
    with pytest.raises(Invalid, match="/judged_at"):
        judge(RULES[EPA], History(), judged_at=datetime(2024, 11, 3), time_zone=UTC_ZONE)  # noqa: DTZ001


@pytest.mark.parametrize(
    ("reading", "pointer"),
    [
        (Reading("core", START, 60.0, Unit.PCT), "/readings/0/unit"),
        (Reading("core", START, float("inf")), "/readings/0/value"),
        (Reading("core", START, 60.0, Unit.CEL, 7), "/readings/0/flag"),
    ],
)
def test_an_unusable_reading_is_refused(reading: Reading, pointer: str) -> None:
    with pytest.raises(Invalid) as refusal:
        series_of([reading])
    assert refusal.value.errors[0].pointer == pointer


def _series(times: list[int], *, unit: int = 1, flag: int = 1, **bounds: datetime) -> Series:
    n = len(times)
    return Series(
        "core",
        np.array(times, dtype=np.int64),
        np.full(n, 60.0),
        np.full(n, unit, dtype=np.uint8),
        np.full(n, flag, dtype=np.uint8),
        **bounds,
    )


def test_arrays_that_do_not_fit_are_refused() -> None:
    with pytest.raises(Invalid, match="times do not ascend"):
        _series([2, 1])
    with pytest.raises(Invalid, match="times do not ascend"):
        _series([1, 1])
    with pytest.raises(Invalid, match="/series/core/unit: 4 is not a temperature unit"):
        _series([1, 2], unit=4)
    with pytest.raises(Invalid, match="/series/core/flag: 8 is not a temperature flag"):
        _series([1, 2], flag=8)
    with pytest.raises(Invalid, match="not after required_from"):
        _series([1, 2], required_from=at(2), required_until=at(1))
    with pytest.raises(Invalid, match="differ in number"):
        Series("core", np.zeros(2, np.int64), np.zeros(1), np.zeros(2, np.uint8), np.zeros(2, np.uint8))


def test_impossible_figures_are_refused_together() -> None:
    twice = (_series([1]), _series([2]))
    with pytest.raises(Invalid) as refusal:
        History(series=twice, initial_carbon_nitrogen_ratio=-3, cured_days=float("nan"))
    assert [one.pointer for one in refusal.value.errors] == [
        "/series",
        "/initial_carbon_nitrogen_ratio",
        "/cured_days",
    ]


def test_an_unknown_interpretation_is_refused() -> None:
    with pytest.raises(Invalid, match="use one of inspector, literal, cumulative"):
        judge(RULES[EPA], History(), judged_at=START, time_zone=UTC_ZONE, interpretation="kind")  # type: ignore[arg-type]
