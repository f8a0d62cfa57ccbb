from dataclasses import replace
from datetime import date, datetime, timedelta
from uuid import UUID

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.piles import PileFacts, PositionSeries, status
from service.domain.quantities import Unit
from tests.domain.piles.making import BUILT, a_correction, a_series, an_event, day, hourly, life


def test_it_tells_the_latest_of_each_position_as_recorded():
    core = a_series([4, 4.5, 4.9], [140, 141, 142.7], "core", unit=Unit.DEG_F)
    edge = a_series(hourly(3, 4.75), lambda d: 50 + 2 * d, "edge", serial="PR-2")
    never = a_series([], [], "top", serial="PR-3", placed=4)
    found = status(PileFacts(BUILT), [edge, never, core], now=day(5))
    first, second, third = found.latest
    assert (first.position, first.serial, first.depth_cm, first.in_place) == ("core", "PR-1", 60.0, True)
    assert (first.value, first.unit, first.flag) == (142.7, Unit.DEG_F, 1)
    assert first.temperature_c == pytest.approx(61.5)
    assert first.observed_at == day(4.9)
    assert first.age_h == pytest.approx(2.4)
    assert second.trend_c_per_day == pytest.approx(2.0)
    assert second.temperature_c == pytest.approx(59.5)
    assert (third.position, third.observed_at, third.temperature_c, third.unit) == ("top", None, None, None)
    assert (found.hottest.position, found.coldest.position) == ("core", "edge")


def test_hottest_and_coldest_are_of_sound_readings_of_the_last_day_and_a_half():
    old = a_series([3.4], [75.0], "old", serial="PR-2")
    broken = a_series([4.5, 4.9], [58, -127], "broken", flags=[1, 4], serial="PR-3")
    other_unit = a_series([4.5, 4.9], [59, 138], "unit", flags=[1, 4], serial="PR-4")
    core = a_series([4.9], [57.0])
    found = status(PileFacts(BUILT), [old, broken, other_unit, core], now=day(5))
    assert (found.hottest.position, found.hottest.temperature_c) == ("unit", 59)
    assert (found.coldest.position, found.coldest.temperature_c) == ("core", 57)
    shown = {latest.position: (latest.value, latest.flag) for latest in found.latest}
    assert shown == {"old": (75.0, 1), "broken": (-127, 4), "unit": (138, 4), "core": (57.0, 1)}
    nothing = status(PileFacts(BUILT), [], now=day(5))
    assert (nothing.hottest, nothing.coldest, nothing.latest) == (None, None, ())


def test_a_position_is_told_by_the_probe_in_place_now():
    before = a_series(hourly(0, 3), lambda _: 60.0, until=3.1, serial="PR-1")
    after = a_series(hourly(3.2, 5), lambda d: 61.0 + d, placed=3.2, serial="PR-2")
    found = status(PileFacts(BUILT), [after, before], now=day(5))
    assert [(one.position, one.serial) for one in found.latest] == [("core", "PR-2")]
    pulled = status(PileFacts(BUILT), [replace(after, placed_until=day(4)), before], now=day(5))
    assert [(one.serial, one.in_place, one.observed_at) for one in pulled.latest] == [
        ("PR-2", False, day(4) - timedelta(minutes=12))
    ]
    assert status(PileFacts(BUILT), [replace(after, placed_until=day(4))], now=day(7)).latest == ()


def test_it_looks_back_when_asked_for_an_earlier_instant():
    events = (
        an_event("load", -1, volume_m3=1.5),
        an_event("turn", 3),
        an_event("turn", 6),
        an_event("close", 40),
    )
    series = a_series(hourly(0, 40), life)
    back = status(PileFacts(BUILT, events=events), [series], now=day(4))
    assert (back.stage, back.last_turn, back.turns_on_record) == ("hot", day(3), 1)
    assert back.latest[0].observed_at == day(4)
    assert back.age_days == pytest.approx(4)
    end = status(PileFacts(BUILT, events=events), [series], now=day(50))
    assert (end.stage, end.age_days, end.last_turn) == ("closed", pytest.approx(40), day(6))
    assert status(PileFacts(BUILT, events=events), [series], now=day(-0.5)).age_days is None


def test_what_is_carried_through_and_summed():
    bay, other = UUID(int=1), UUID(int=2)
    water = an_event("water", 2, volume_l=30)
    events = (
        an_event("load", -1, volume_m3=1.5),
        water,
        a_correction(water, 3, {"kind": "water", "at": day(2).isoformat(), "volume_l": 50}),
        an_event("observe", 5, volume_m3=1.2),
        an_event("move", 30, purpose="curing", bay_id=str(other)),
    )
    found = status(PileFacts(BUILT, bay, events=events), [], now=day(33), next_turn=date(2026, 6, 8))
    assert found.next_turn == date(2026, 6, 8)
    assert (found.bay_id, found.water_added_l) == (other, 50)
    assert (found.volume.volume_m3, found.built_volume.volume_m3) == (1.2, 1.5)
    assert (found.curing_since, found.cured_days) == (day(30), pytest.approx(3))
    assert "Moved to curing" in found.stage_because


@given(st.randoms(use_true_random=False))
def test_the_order_of_entries_and_positions_changes_nothing(shuffler):
    turn = an_event("turn", 3)
    events = [an_event("load", -1, volume_m3=0.8), turn, a_correction(turn, 5, None), an_event("turn", 6)]
    events += [an_event("observe", 6.5, moisture_feel="dry", smell="sour")]
    series = [a_series(hourly(0, 7), life, name, serial=name) for name in "abc"]
    expected = status(PileFacts(BUILT, events=tuple(events)), series, now=day(8))
    shuffler.shuffle(events)
    shuffler.shuffle(series)
    assert status(PileFacts(BUILT, events=tuple(events)), series, now=day(8)) == expected
    assert {"dry", "sour", "silent_probe", "built_small"} <= {sign.code for sign in expected.warnings}


def test_times_without_offset_and_crooked_series_are_refused_by_name():
    with pytest.raises(Invalid, match="has no offset"):
        status(PileFacts(), [a_series([1], [50])], now=datetime(2026, 5, 9))  # noqa: DTZ001 - refused
    with pytest.raises(Invalid, match="/positions/core: instants do not ascend"):
        a_series([2, 1], [50, 51])
    good = a_series([1, 2], [50, 51])
    with pytest.raises(Invalid, match="/positions/core: columns differ in length"):
        PositionSeries("core", "PR-1", None, good.observed_us, good.value[:1], good.unit, good.flag, BUILT)


def test_every_warning_names_what_to_do():
    dry = an_event("observe", 5, moisture_feel="dry", smell="ammonia")
    events = (an_event("load", -1, volume_m3=0.4), dry)
    series = [
        a_series(hourly(0, 5.5), lambda _: 78.0),
        a_series([5], [-99], "edge", flags=[4], serial="PR-2"),
    ]
    found = status(PileFacts(BUILT, events=events), series, now=day(6), missed_turns=[date(2026, 5, 7)])
    assert len(found.warnings) >= 6
    for sign in found.warnings:
        assert any(digit.isdigit() for digit in sign.text)
        assert len(sign.remedy) > 20


def test_ninety_days_of_four_loggers_are_told_whole():
    at = np.arange(90 * 96, dtype=np.int64)
    series = [
        replace(
            a_series([0], [0], name, serial=name),
            observed_us=1_777_885_200_000_000 + at * 900_000_000,
            value=50 + 10 * np.sin(at / 40 + offset),
            unit=np.full(at.size, int(unit), dtype=np.int16),
            flag=np.ones(at.size, dtype=np.int16),
        )
        for name, offset, unit in (
            ("a", 0, Unit.CEL),
            ("b", 1, Unit.CEL),
            ("c", 2, Unit.DEG_F),
            ("d", 3, Unit.KELVIN),
        )
    ]
    events = tuple(an_event("turn", number) for number in range(0, 90, 3))
    pile = PileFacts(BUILT, events=(an_event("load", -1, volume_m3=2), *events))
    found = status(pile, series, now=day(90))
    assert len(found.latest) == 4
    assert found.latest[0].observed_at is not None
    assert found.turns_on_record == 30
