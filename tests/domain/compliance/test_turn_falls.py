"""Falls and turnings, and silences, where an unfair judge would be easy to write."""

from dataclasses import replace

import pytest

from service.domain.compliance import Reading, series_of
from tests.domain.compliance.piles import at, dips, hour_of, log, pile, verdict

EPA, NOP, STATIC = "us-503-pfrp-windrow", "us-nop-windrow", "us-503-pfrp-asp"


def test_a_log_that_flickers_hours_after_a_turning_keeps_its_run() -> None:
    """40 CFR 503 App. B orders five turnings of what is 'maintained at 55 degrees'; 15-minute log, turned at h 144."""
    flicker = dips(57, (153, 153.5, 54.9), (154, 154.25, 54.9), (155.5, 156, 54.9))
    readings = log(flicker, 363, every_h=0.25)
    found = verdict(EPA, pile(readings, turn_days=(3, 6, 9, 12, 15)), at_h=363)
    assert (found.state, hour_of(found.met_at)) == ("met", 360 + 0.75 + 0.5 + 0.75)
    assert {one.cause for one in found.lost} == {"turn_transient"}
    unturned = verdict(EPA, pile(readings, turn_days=(3, 9, 12, 15)), at_h=363)
    assert {one.cause for one in unturned.lost} == {"below_threshold"}


@pytest.mark.parametrize(
    ("silent", "state"),
    [
        # Turned at h 110. Nobody saw when it went cold: it may have been the turning. Under 24 h unseen, and over.
        ((100, 120), "cannot_judge"),
        ((80, 120), "cannot_judge"),
        # Cold readings before the turning show that it was not.
        ((100, 106), "not_met"),
    ],
)
def test_a_turning_inside_a_silence_whose_far_side_is_cold(silent: tuple[float, float], state: str) -> None:
    """'Maintained … for 15 days' (40 CFR 503 App. B): what nobody saw is neither held nor failed."""
    start, end = silent
    curve = dips(60, (start + 0.5, 132, 45.0))
    readings = [one for one in log(curve, 420) if not start < hour_of(one.observed_at) < end]
    history = pile(readings, turn_days=(2, 110 / 24, 8, 11, 14), closed=True)
    assert verdict(EPA, history, at_h=420).state == state


def test_one_long_silence_is_not_two_short_ones_because_a_probe_was_changed() -> None:
    """14 CCR 17868.3 asks for readings daily; 40 h unseen, the probe changed half way."""

    def placed(position: str, since: float, until: float):
        (one,) = series_of(log(60, until - since, start=at(since), position=position))
        return one

    old = replace(placed("old", 0, 40), required_until=at(60))
    new = replace(placed("new", 80, 200), required_from=at(60))
    changed = replace(pile([], turn_days=()), series=(old, new))
    found = verdict(STATIC, changed, at_h=115)
    assert (found.state, found.held_h) == ("cannot_judge", 35.0)
    assert ("gap", None, 40.0, 80.0) in [
        (one.cause, one.position, hour_of(one.from_), hour_of(one.to)) for one in found.lost
    ]


def test_planned_turnings_are_what_the_earliest_date_rests_on() -> None:
    """7 CFR 205.203(c)(2)(iii): five turnings; two made, three planned on days 17, 20 and 23."""
    history = pile(
        log(61, 360), turn_days=(11, 14), planned_turns=tuple(at(24 * day) for day in (17, 20, 23))
    )
    assert hour_of(verdict(EPA, history).earliest_possible) == 23 * 24
    assert hour_of(verdict(EPA, replace(history, planned_turns=())).earliest_possible) == 360 + 24.0


def test_a_fall_after_a_turning_must_be_made_good_in_time() -> None:
    """40 CFR 503 App. B is silent on the fall after a turning: a day, as a careful inspector reads it."""
    cold = pile(log(dips(61, (145, 999, 48.0)), 150), turn_days=(3, 6))
    found = verdict(EPA, cold, at_h=150)
    assert [(one.what, hour_of(one.at), one.position) for one in found.at_risk if one.what == "recovery"] == [
        ("recovery", 168.0, "core")
    ]
    late = verdict(EPA, cold, at_h=169)
    assert [one for one in late.at_risk if one.what == "recovery"] == []
    assert late.held_h == verdict(EPA, cold, at_h=150).held_h


def test_a_mean_hides_no_hour_without_one() -> None:
    """USDA APHIS guidance lets windrow readings be averaged; where one probe was silent there is no mean."""
    both = [*log(58, 100, position="a"), *log(57, 100, position="b")]
    partly = [one for one in both if one.position == "a" or not 30 < hour_of(one.observed_at) < 60]
    averaged = pile(partly, turn_days=(), averaged_by="plan 7")
    found = verdict(STATIC, averaged, at_h=100)
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [("gap", 30.0, 60.0)]
    one_place = pile(
        [*log(58, 80, position="a"), Reading("b", at(0), 40.0)], turn_days=(), averaged_by="plan 7"
    )
    assert verdict(STATIC, one_place, at_h=80).state != "met"
