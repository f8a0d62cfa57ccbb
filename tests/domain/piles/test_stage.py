"""Situations and the stage that follows; the thresholds of cooling are common practice, no source."""

from uuid import UUID

import pytest

from service.domain.piles import PileFacts, explain_stage, stage
from service.domain.quantities import Unit
from tests.domain.piles.making import BUILT, a_correction, a_series, an_event, day, hourly, life

OTHER = str(UUID(int=103))
LOAD = ("load", -1, {"volume_m3": 1.5})
CURING = ("move", 20, {"purpose": "curing"})


@pytest.mark.parametrize(
    ("built", "events", "now", "expected", "words"),
    [
        (None, [], 0, "planned", "Nothing has been loaded"),
        (5, [], 0, "planned", "to be built on 2026-05-09"),
        (None, [("water", -1, {"volume_l": 20})], 0, "planned", "Nothing has been loaded"),
        (None, [LOAD], 0, "filling", "1 load since 2026-05-03; not built yet"),
        (5, [LOAD, ("load", 0, {})], 1, "filling", "2 loads since"),
        (None, [("merge", -1, {"with_pile_id": OTHER})], 0, "filling", "1 load"),
        (None, [LOAD], -2, "planned", "Nothing has been loaded"),
        (0, [], 1, "hot", "Built on 2026-05-04, 1.0 days ago"),
        (0, [LOAD], 0, "hot", "0.0 days ago"),
        (0, [LOAD, ("load", 4, {})], 6, "hot", "fresh material on 2026-05-08"),
        (0, [LOAD], 60, "hot", "no reading shows"),
        (0, [LOAD, CURING], 19, "hot", "Built on"),
        (0, [LOAD, CURING], 21, "curing", "Moved to curing on 2026-05-24"),
        (0, [LOAD, CURING, ("load", 22, {})], 23, "hot", "fresh material on 2026-05-26"),
        (0, [LOAD, CURING, ("turn", 25, {})], 26, "curing", "Moved to curing"),
        (0, [LOAD, ("release", 50, {"use": "beds"})], 51, "ready", "Released for use on 2026-06-23"),
        (0, [LOAD, ("release", 50, {}), ("load", 52, {})], 53, "hot", "fresh material"),
        (
            0,
            [LOAD, ("release", 50, {}), ("close", 60, {"reason": "spread"})],
            61,
            "closed",
            "it was closed (spread)",
        ),
        (0, [LOAD, ("merge", 9, {"into_pile_id": OTHER})], 10, "closed", "put onto another pile"),
        (0, [LOAD, ("merge", 9, {"with_pile_id": OTHER})], 10, "hot", "fresh material"),
        (None, [("close", 1, {})], 2, "closed", "it was closed."),
        (0, [LOAD, ("close", 9, {}), ("load", 10, {})], 11, "closed", "it was closed"),
        (0, [LOAD, ("split", 9, {"into_pile_ids": [OTHER]})], 10, "hot", "Built on"),
    ],
)
def test_the_stage_follows_from_the_record(built, events, now, expected, words):
    record = tuple(an_event(kind, at, **details) for kind, at, details in events)
    found = explain_stage(
        PileFacts(built_at=None if built is None else day(built), events=record), now=day(now)
    )
    assert found.stage == expected
    assert words in found.because
    assert (found.since is None) == (expected == "planned")
    assert stage(PileFacts(None if built is None else day(built), events=record), now=day(now)) == expected


def test_a_close_that_was_withdrawn_opens_the_pile_again():
    close = an_event("close", 5)
    record = (an_event("load", -1), close, a_correction(close, 6, None))
    assert stage(PileFacts(BUILT, events=record), now=day(7)) == "hot"


def cooled_stage(now, *series, turned=(), loads=()):
    events = [an_event("load", -1), *(an_event("turn", at) for at in turned)]
    events += [an_event("load", at) for at in loads]
    return explain_stage(PileFacts(BUILT, events=tuple(events)), series, now=day(now))


def steps(*changes):
    """A temperature that changes by steps: (from day, Cel)."""
    return lambda d: next(value for at, value in reversed(changes) if d >= at)


@pytest.mark.parametrize(
    ("changes", "now", "expected", "words"),
    [
        # Hot up to day 15, then below 40 Cel: the first cool reading is an hour later.
        ([(0, 60), (15, 39.9)], 17.9, "hot", "no 3 days have passed"),
        ([(0, 60), (15, 39.9)], 18.1, "curing", "Cooled for good on 2026-05-22"),
        ([(0, 60), (15, 40.0)], 30, "hot", "no 3 days have passed"),
        ([(0, 60), (15, 35), (20, 40), (20.2, 35)], 22, "hot", "no 3 days have passed"),
        ([(0, 60), (15, 35), (20, 40), (20.2, 35)], 23.3, "curing", "Cooled for good"),
        ([(0, 60), (5, 30)], 13.9, "hot", "up to 14 days a cool one has stalled"),
        ([(0, 60), (5, 30)], 14.0, "curing", "Cooled for good on 2026-05-18"),
        ([(0, 50), (5, 30)], 20, "curing", "Cooled for good"),
        ([(0, 49.9), (5, 30)], 20, "hot", "its highest reading, 49.9 °C"),
    ],
)
def test_it_has_cooled_for_good_after_three_days_below_forty(changes, now, expected, words):
    found = cooled_stage(now, a_series(hourly(0, now), steps(*changes)))
    assert (found.stage, words in found.because) == (expected, True), found.because


def test_every_probe_in_place_must_have_cooled():
    cold = a_series(hourly(0, 25), steps((0, 60), (15, 30)), "edge")
    warm = a_series(hourly(0, 25), steps((0, 60), (15, 45)), "core", serial="PR-2")
    assert cooled_stage(25, cold).stage == "curing"
    assert cooled_stage(25, cold, warm).stage == "hot"


def test_a_silent_probe_leaves_the_question_open_until_it_is_taken_out():
    cold = a_series(hourly(0, 25), steps((0, 60), (15, 30)), "edge")
    silent = a_series(hourly(0, 10), lambda _: 60.0, "core", serial="PR-2")
    found = cooled_stage(25, cold, silent)
    assert found.stage == "hot"
    assert "core (PR-2) has given no sound reading" in found.because
    taken_out = a_series(hourly(0, 10), lambda _: 60.0, "core", serial="PR-2", until=11)
    assert cooled_stage(25, cold, taken_out).stage == "curing"
    assert "no probe stands in it" in cooled_stage(25, taken_out).because


def test_heat_seen_by_a_probe_since_taken_out_counts_as_heat():
    hot = a_series(hourly(0, 12), lambda _: 60.0, until=12.01)
    cold = a_series(hourly(12.1, 25), lambda _: 30.0, serial="PR-2", placed=12.1)
    assert cooled_stage(25, hot, cold).stage == "curing"
    assert cooled_stage(25, cold).stage == "hot"


def test_readings_outside_the_placement_are_not_of_this_pile():
    moved = a_series(hourly(0, 25), steps((0, 60), (14.5, 30), (20, 60)), until=19.5)
    stayed = a_series(hourly(14, 25), lambda _: 30.0, "edge", serial="PR-2", placed=14)
    assert cooled_stage(25, moved, stayed).stage == "curing"


def test_a_turn_interrupts_the_days_but_does_not_undo_them():
    cool_from_15 = a_series(hourly(0, 25), steps((0, 60), (15, 30)))
    assert cooled_stage(18.5, cool_from_15, turned=[17]).stage == "hot"
    assert cooled_stage(20.2, cool_from_15, turned=[17]).stage == "curing"
    assert cooled_stage(25, cool_from_15, turned=[24.9]).stage == "curing"
    reheats = a_series(hourly(0, 25), steps((0, 60), (15, 30), (22, 55)))
    assert cooled_stage(21.9, reheats, turned=[21.5]).stage == "curing"
    assert cooled_stage(25, reheats, turned=[21.5]).stage == "hot"


def test_fresh_material_starts_the_hot_phase_again():
    series = a_series(hourly(0, 40), steps((0, 60), (15, 30), (21, 60), (30, 30)))
    assert cooled_stage(20, series).stage == "curing"
    assert cooled_stage(33.9, series, loads=[20]).stage == "hot"
    assert cooled_stage(34.1, series, loads=[20]).stage == "curing"


def test_failed_readings_neither_heat_nor_cool():
    days = hourly(0, 25)
    broken = a_series(days, steps((0, 60), (15, 30)), flags=[4 if d > 15 else 1 for d in days])
    assert cooled_stage(25, broken).stage == "hot"
    wild = a_series(
        days,
        lambda d: 94.0 if 24 < d < 24.05 else steps((0, 60), (15, 30))(d),
        flags=[4 if 24 < d < 24.05 else 1 for d in days],
    )
    assert cooled_stage(25, wild).stage == "curing"


def test_a_crew_that_reads_three_times_a_week_is_enough():
    by_hand = a_series([0, 2, 4, 7, 9, 11, 14, 16, 18, 21], [60] * 7 + [38, 36, 30])
    assert cooled_stage(21.2, by_hand).stage == "curing"


def test_fahrenheit_is_read_as_fahrenheit():
    # 103.9 degF is 39.94 Cel, 104 degF is 40 Cel exactly.
    for value, expected in ((103.9, "curing"), (104.0, "hot")):
        series = a_series(hourly(0, 25), steps((0, 140), (15, value)), unit=Unit.DEG_F)
        assert cooled_stage(25, series).stage == expected


def test_a_sound_pile_goes_from_hot_to_curing_once():
    series = a_series(hourly(0, 60), life)
    stages = [cooled_stage(half / 2, series, turned=range(7, 28, 3)).stage for half in range(120)]
    assert list(dict.fromkeys(stages)) == ["hot", "curing"]
    assert sorted(stages, reverse=True) == stages
    # Below 40 Cel from day 17 on; turned every third day, so three quiet days come after the last turn of day 25.
    assert 25 <= stages.index("curing") / 2 <= 29
