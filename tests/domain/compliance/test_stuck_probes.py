"""T25: a probe that tells one number through turnings is implausible, and what it says proves nothing."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from service.domain.compliance import History, Verdict, series_of
from service.domain.quantities import Quantity
from service.domain.readings.corrected import Columns, corrected
from service.domain.readings.counted import count_temperatures
from tests.domain.compliance.case import EPA
from tests.domain.compliance.piles import at, hour_of, log, pile, verdict


def test_t25_a_stuck_probe_flagged_upstream_is_a_gap() -> None:
    """A flat line through two turnings is implausible; flagged as failed it proves nothing."""
    stuck = [
        one
        if not 48 <= hour_of(one.observed_at) < 192
        else type(one)(one.position, one.observed_at, 55.6, one.unit, 4)
        for one in log(57, 360)
    ]
    found = verdict(EPA, pile(stuck))
    assert found.state == "cannot_judge"
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [
        ("flagged", 47.0, 192.0)
    ]
    assert found.excluded_by_flag == {"fail": 144}


def test_t25_a_flat_line_through_two_turnings_is_found_and_proves_nothing() -> None:
    """Nobody flagged it: the tests of quality look at the curve and the turnings, and find it themselves."""
    turns = (2, 3.5, 5, 9, 12)

    def lively(hour: float) -> float:
        since = min((hour - 24 * day for day in turns if hour >= 24 * day), default=99.0)
        return round(61 - 4 * math.exp(-since / 4) + math.sin(hour) / 2, 1)

    def stuck(hour: float) -> float:
        return 55.6 if 24 <= hour < 168 else lively(hour)

    def judged(curve: Callable[[float], float]) -> Verdict:
        (series,) = series_of(log(curve, 372))
        (told,) = count_temperatures(
            [
                corrected(
                    Columns(
                        series.observed_at,
                        series.value,
                        series.unit.astype(np.int16),
                        series.flag.astype(np.int16),
                    ),
                    (),
                    quantity=Quantity.TEMPERATURE,
                )
            ],
            depths_cm=[None],
            turns=[int(at(24 * day).timestamp() * 1e6) for day in turns],
        )
        assessed = replace(series, assessed=told.flag)
        history = History(
            series=(assessed,),
            turns=tuple(at(24 * day) for day in turns),
            initial_carbon_nitrogen_ratio=30.0,
        )
        return verdict(EPA, history, at_h=372)

    assert judged(lively).state == "met"
    found = judged(stuck)
    assert found.state == "cannot_judge"
    assert {one.cause for one in found.excluded} == {"flat_line"}
    (lost,) = [one for one in found.lost if one.cause == "flagged"]
    assert (hour_of(lost.from_), hour_of(lost.to)) == pytest.approx((24.0, 168.0), abs=2)
