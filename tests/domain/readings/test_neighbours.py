"""Two probes of one depth that disagree; house rule figures."""

import pytest

from service.domain.readings import quality
from tests.domain.readings.making import a_series, hourly, objected, us


def pair(apart_c, depths=(60.0, 60.0), shift_h=0.0):
    days = [1.0, 2.0, 3.0]
    one = a_series(days, [60.0, 60.0, 60.0], depth_cm=depths[0])
    other = a_series([d + shift_h / 24 for d in days], [60.0, 60.0 - apart_c, 60.0], depth_cm=depths[1])
    return one, other


@pytest.mark.parametrize(
    ("apart_c", "depths", "shift_h", "expected"),
    [
        (15.0, (60, 60), 0, []),
        (15.1, (60, 60), 0, [1]),
        (-15.1, (60, 60), 0, [1]),
        (15.1, (60, 70), 0, [1]),
        (15.1, (60, 71), 0, []),
        (15.1, (60, None), 0, []),
        (15.1, (None, None), 0, []),
        (15.1, (60, 60), 11.9, [1]),
    ],
)
def test_same_day_and_depth_and_far_apart_is_asked_of_both(apart_c, depths, shift_h, expected):
    one, other = pair(apart_c, depths, shift_h)
    assert objected(one, "neighbours", neighbours=[other]) == expected
    assert objected(other, "neighbours", neighbours=[one]) == expected


def test_another_day_is_not_compared():
    one, other = a_series([1.0], [60.0], depth_cm=60), a_series([1.51], [20.0], depth_cm=60)
    assert objected(one, "neighbours", neighbours=[other]) == []
    assert objected(one, "neighbours", neighbours=[a_series([], [], depth_cm=60)]) == []


def test_a_turn_between_two_readings_explains_them():
    one, other = pair(25.0, shift_h=8)
    assert objected(one, "neighbours", neighbours=[other]) == [1]
    assert objected(one, "neighbours", neighbours=[other], turns=[us(2.15)]) == []
    assert objected(one, "neighbours", neighbours=[other], turns=[us(2.6)]) == [1]


def test_the_nearest_reading_in_time_is_compared():
    logger = a_series(hourly(0, 4), lambda d: 30.0 if d < 2 else 60.0, depth_cm=55)
    by_hand = a_series([1.0, 1.99, 2.01, 3.0], [60.0, 60.0, 60.0, 60.0], depth_cm=60)
    assert objected(by_hand, "neighbours", neighbours=[logger]) == [0]


def test_readings_that_failed_are_no_neighbours():
    one, other = pair(25.0)
    failed = quality.ReadSeries(
        other.observed_us, other.value, other.unit, other.flag.copy() * 0 + 4, depth_cm=60
    )
    assert objected(one, "neighbours", neighbours=[failed]) == []


def test_a_pile_assessed_at_once_is_its_positions_assessed_one_by_one():
    days = hourly(0, 3)
    positions = [
        a_series(
            days, lambda d, n=n: 60 - 9.0 * n + (20 if round(d * 24) == 30 + n else 0), depth_cm=50 + 4 * n
        )
        for n in range(4)
    ]
    air = a_series(days, lambda d: 15 + d)
    together = quality.assess_pile(positions, turns=[us(1)], air=air)
    for place, one in enumerate(together):
        others = positions[:place] + positions[place + 1 :]
        alone = quality.assess(positions[place], turns=[us(1)], air=air, neighbours=others)
        assert one.flag.tolist() == alone.flag.tolist()
    # 73 hours, less seven around the turn and the one in which the third position leaps up beside the first.
    assert together[0].objections == {"rate_of_change": 1, "spike": 1, "neighbours": 73 - 7 - 1}
