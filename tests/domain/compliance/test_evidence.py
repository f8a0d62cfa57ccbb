"""What counts as evidence, position by position, and what is refused."""

import hashlib
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from service.domain.compliance import History, Reading, readings_digest, series_of
from service.domain.quantities import Unit
from tests.domain.compliance.piles import at, dips, hour_of, log, pile, verdict

EPA, NOP_STATIC, DE = "us-503-pfrp-windrow", "us-nop-static-vessel", "de-bioabfv"


def lost(found) -> list[tuple[str, str | None, float, float]]:
    return [(one.cause, one.position, hour_of(one.from_), hour_of(one.to)) for one in found.lost]


def bounded(readings: list[Reading], bounds: dict, **more: object) -> History:
    turns = tuple(at(24 * day) for day in (2, 5, 8, 11, 14))
    return History(series=series_of(readings, bounds), turns=turns, **more)  # type: ignore[arg-type]


def test_the_coldest_position_governs() -> None:
    found = verdict(EPA, pile(log(61, 360) + log(dips(57, (100, 101, 54.9)), 360, position="edge")))
    assert found.state == "under_way"
    assert lost(found) == [("below_threshold", "edge", 99.0, 101.0)]


def test_a_position_that_stops_reporting_is_a_gap() -> None:
    found = verdict(EPA, pile(log(61, 360) + log(61, 200, position="edge")))
    assert found.state == "cannot_judge"
    assert lost(found) == [("gap", "edge", 200.0, 360.0)]


def test_a_position_that_starts_late_is_a_gap_unless_it_was_placed_late() -> None:
    late = [replaced for one in log(61, 100, position="edge") if (replaced := _shift(one, 260))]
    assert lost(verdict(EPA, pile(log(61, 360) + late))) == [("gap", "edge", 0.0, 260.0)]
    found = verdict(EPA, bounded(log(61, 360) + late, {"edge": (at(259), None)}))
    # The hour between placing and the first reading is no heat, and no break either.
    assert lost(found) == [("gap", "edge", 259.0, 260.0)]
    assert (found.state, found.held_h) == ("under_way", 359.0)


def _shift(reading: Reading, hours: float) -> Reading:
    return Reading(
        reading.position, reading.observed_at + timedelta(hours=hours), reading.value, reading.unit
    )


def test_a_probe_lifted_is_not_asked_any_more() -> None:
    readings = log(61, 360) + log(61, 200, position="edge")
    found = verdict(EPA, bounded(readings, {"edge": (None, at(200))}))
    assert (found.state, hour_of(found.met_at)) == ("met", 360.0)


def test_readings_outside_the_placement_are_no_evidence() -> None:
    """A probe carried back to the shed goes on reading; the shed is not the pile."""
    readings = log(61, 360) + log(dips(61, (200.5, 999, 18.0)), 360, position="edge")
    found = verdict(EPA, bounded(readings, {"edge": (None, at(200))}))
    assert (found.state, hour_of(found.met_at)) == ("met", 360.0)


def test_a_pile_without_any_probe_is_unseen() -> None:
    second = [_shift(one, 230) for one in log(61, 130, position="second")]
    bounds = {"core": (None, at(200)), "second": (at(230), None)}
    found = verdict(EPA, bounded(log(61, 200) + second, bounds))
    assert found.state == "cannot_judge"
    assert lost(found) == [("gap", None, 200.0, 230.0)]


def test_changing_probes_within_the_gap_costs_only_that_time() -> None:
    second = [_shift(one, 203) for one in log(61, 200, position="second")]
    bounds = {"core": (None, at(200)), "second": (at(202), None)}
    found = verdict(EPA, bounded(log(61, 200) + second, bounds))
    assert (found.state, hour_of(found.met_at)) == ("met", 363.0)


def test_a_required_position_without_readings_cannot_be_judged() -> None:
    found = verdict(EPA, pile(log(61, 360), required_positions=frozenset({"core", "edge"})))
    assert found.state == "cannot_judge"
    assert lost(found) == [("gap", "edge", 0.0, 360.0)]


def test_positions_that_are_not_required_do_not_govern() -> None:
    readings = log(61, 360) + log(20, 360, position="air")
    assert verdict(EPA, pile(readings)).state == "under_way"
    assert verdict(EPA, pile(readings, required_positions=frozenset({"core"}))).state == "met"


def test_no_reading_at_all_cannot_be_judged() -> None:
    found = verdict(EPA, History(), at_h=0)
    assert (found.state, found.earliest_possible) == ("cannot_judge", at(360 + 0))
    assert found.next.startswith("Nothing is on record yet: take readings.")


def test_flags_fail_and_missing_are_no_evidence_and_suspect_is() -> None:
    cold = [Reading("core", at(100.5), 20.0, Unit.CEL, flag) for flag in (4,)]
    assert verdict(EPA, pile(log(61, 360) + cold)).state == "met"
    suspect = [Reading("core", at(100.5), 20.0, Unit.CEL, 3)]
    assert verdict(EPA, pile(log(61, 360) + suspect)).state == "under_way"
    found = verdict(EPA, pile(log(61, 360, flag=9)))
    assert (found.state, found.excluded_by_flag) == ("cannot_judge", {"missing": 361})
    unreadable = [Reading("core", at(100.5), float("nan"))]
    found = verdict(EPA, pile(log(61, 360) + unreadable))
    assert (found.state, found.excluded_by_flag) == ("met", {"missing": 1})


def test_nothing_after_the_instant_of_judging_is_looked_at() -> None:
    found = verdict(EPA, pile(log(dips(61, (300, 999, 20.0)), 400)), at_h=299)
    assert (found.held_h, found.lost, found.turns_counted) == (299.0, (), 4)


def test_judging_at_an_instant_equals_judging_a_record_that_ends_there() -> None:
    readings = log(dips(61, (300, 320, 20.0)), 400)
    cut = [one for one in readings if one.observed_at <= at(310)]
    days = (2, 5, 8, 11)
    whole = verdict(EPA, pile(readings, turn_days=(*days, 14)), at_h=310)
    assert whole == verdict(EPA, pile(cut, turn_days=days), at_h=310)


def test_a_crossing_counts_none_of_its_interval() -> None:
    found = verdict(NOP_STATIC, pile(log(lambda hour: 40 if hour < 12 else 57, 84, every_h=6), turn_days=()))
    assert (hour_of(found.windows[0].from_), hour_of(found.met_at)) == (12.0, 84.0)
    fallen = verdict(NOP_STATIC, pile(log(lambda hour: 57 if hour < 72 else 40, 84, every_h=6), turn_days=()))
    assert (fallen.state, fallen.held_h) == ("under_way", 66.0)


def test_the_longest_gap_is_included() -> None:
    assert verdict(NOP_STATIC, pile(log(57, 72, every_h=24), turn_days=())).state == "met"
    apart = pile(log(57, 75, every_h=25), turn_days=())
    assert verdict(NOP_STATIC, apart).state == "cannot_judge"


def test_a_disputed_reading_never_favours_the_pile() -> None:
    hot, cold = Reading("core", at(10), 140.0, Unit.DEG_F), Reading("core", at(10), 54.0)
    (series,) = series_of([hot, cold])
    (other,) = series_of([cold, hot])
    assert series.value.tolist() == other.value.tolist() == [54.0]
    # What a check failed gives way to what it did not.
    failed = Reading("core", at(10), 20.0, Unit.CEL, 4)
    assert series_of([failed, hot])[0].value.tolist() == [140.0]


def test_the_digest_is_of_the_readings_seen() -> None:
    readings = log(61, 50) + log(62, 50, position="edge")
    shuffled = readings[::-2] + readings[-2::-2]
    first, second = pile(readings), pile(shuffled)
    whole = verdict(EPA, first, at_h=50).readings_digest
    assert verdict(EPA, second, at_h=50).readings_digest == whole
    assert verdict(EPA, first, at_h=49).readings_digest != whole
    changed = pile([*readings[:-1], Reading("edge", at(50), 62.5)])
    assert verdict(EPA, changed, at_h=50).readings_digest != whole
    # Known answer, laid out as documented: name, zero byte, count, times, values, units, flags.
    tiny = History(series=series_of([Reading("a", datetime(1970, 1, 1, tzinfo=UTC), 1.0)]))
    layout = (
        b"a\0" + (1).to_bytes(8, "little") + bytes(8) + np.array([1.0]).astype("<f8").tobytes() + b"\x01\x01"
    )
    assert readings_digest(tiny, 0) == f"sha256:{hashlib.sha256(layout).hexdigest()}"


@pytest.mark.parametrize(
    ("ratio", "state"),
    [(25.0, "met"), (40.0, "met"), (24.99, "not_met"), (40.01, "not_met"), (None, "cannot_judge")],
)
def test_initial_carbon_to_nitrogen(ratio: float | None, state: str) -> None:
    """7 CFR 205.203(c)(2)(i): 'between 25:1 and 40:1', both ends taken as inside."""
    history = pile(log(57, 72), turn_days=(), initial_carbon_nitrogen_ratio=ratio)
    assert verdict(NOP_STATIC, history).state == state
    # Out of range cannot be cured by more heat; unknown can still be entered.
    begun = pile(log(57, 24), turn_days=(), initial_carbon_nitrogen_ratio=ratio)
    assert verdict(NOP_STATIC, begun).state == ("not_met" if state == "not_met" else "under_way")


def test_a_closed_record_with_a_gap_cannot_be_judged_and_without_one_has_failed() -> None:
    seen = [one for one in log(61, 360) if not 180 < hour_of(one.observed_at) < 210]
    assert verdict(EPA, pile(seen, closed=True)).state == "cannot_judge"
    assert (
        verdict(EPA, pile([one for one in seen if one.observed_at <= at(330)], closed=True)).state
        == "not_met"
    )


def test_a_gap_that_ends_cold_is_unknown_up_to_the_cold_reading() -> None:
    """Five days unseen before a cold reading might have been hot; the cold reading itself was not."""
    readings = [*log(57, 240), Reading("core", at(361), 40.0)]
    found = verdict("us-fda-turned", pile(readings, closed=True))
    assert found.state == "cannot_judge"
    assert lost(found) == [("gap", "core", 240.0, 361.0), ("below_threshold", "core", 361.0, 361.0)]
    assert verdict(DE, pile([*log(57, 100), Reading("core", at(220), 40.0)], closed=True)).state == "not_met"


def test_each_criterion_says_what_it_lacks() -> None:
    seen = [one for one in log(61, 360) if not 180 < hour_of(one.observed_at) < 210]

    def states(**more: object) -> dict[str, str]:
        found = verdict("us-fda-turned", pile(seen, turn_days=(2, 5, 8, 11), **more))
        return {one.name: one.state for one in found.criteria if one.kind == "process"}

    # Heat lacks only evidence, turnings lack a turning, curing has begun.
    begun = {"temperature_hold": "cannot_judge", "turnings": "under_way", "curing": "under_way"}
    assert states(cured_days=0) == begun
    ended = {"temperature_hold": "cannot_judge", "turnings": "not_met", "curing": "not_met"}
    assert states(cured_days=0, closed=True) == ended
    assert states(cured_days=None, closed=True)["curing"] == "cannot_judge"


def test_readings_taken_elsewhere_do_not_lengthen_the_record() -> None:
    bounds = {"core": (at(10), at(200))}
    found = verdict(EPA, bounded(log(61, 400), bounds), at_h=400)
    assert (found.hot_h, found.lost) == (190.0, ())
    assert [(hour_of(one.from_), hour_of(one.to)) for one in found.windows] == [(10.0, 200.0)]


def test_readings_taken_elsewhere_do_not_make_another_position_late() -> None:
    edge = [_shift(one, 50) for one in log(61, 100, position="edge")]
    found = verdict(EPA, bounded(log(61, 400) + edge, {"core": (at(10), at(200))}), at_h=400)
    assert lost(found)[:1] == [("gap", "edge", 10.0, 50.0)]
    assert lost(found)[1:] == [("gap", "edge", 150.0, 200.0), ("gap", "edge", 200.0, 400.0)]


def test_silence_after_a_cold_reading_is_a_gap_too() -> None:
    readings = [*log(57, 100), Reading("core", at(101), 40.0), *(_shift(one, 150) for one in log(57, 100))]
    found = verdict("us-fda-turned", pile(readings, closed=True))
    assert lost(found) == [("below_threshold", "core", 100.0, 101.0), ("gap", "core", 101.0, 150.0)]


def test_turnings_that_the_text_does_not_tie_to_heat_count_at_any_time() -> None:
    """21 CFR 112.54(b)(2): 'for 15 days …, with a minimum of five turnings'; no word on when."""
    readings = log(lambda hour: 57 if 100 <= hour <= 460 else 40, 600)
    found = verdict("us-fda-turned", pile(readings, turn_days=(1, 2, 8, 10, 24)))
    assert (found.state, hour_of(found.met_at)) == ("met", 576.0)
    assert verdict(EPA, pile(readings, turn_days=(1, 2, 8, 10, 24))).turns_counted == 2


def test_a_pile_left_without_a_probe_begins_again() -> None:
    found = verdict(EPA, bounded(log(61, 100), {"core": (None, at(100))}), at_h=200)
    assert hour_of(found.earliest_possible) == 200 + 360.0
