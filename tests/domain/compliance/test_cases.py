"""The worked cases of the published texts, judged; and what each verdict shows beside its state."""

import pytest

from service.domain.compliance import History
from service.domain.quantities import Unit
from tests.domain.compliance.book_cases import BOOK_CASES
from tests.domain.compliance.case import CA, DE, EPA, EU, FDA, NOP, NY, UK, Case
from tests.domain.compliance.cases import CASES
from tests.domain.compliance.histories import (
    CLOCKS_FORWARD,
    COLD_TURN,
    DIP,
    GAP,
    NEW_YORK,
    SAME_DAY,
    SPRING,
    STEADY,
    THREE_PROBES,
    TURN_DIP,
    WEEKDAYS_ONLY,
)
from tests.domain.compliance.piles import at, hour_of, log, pile, verdict


@pytest.mark.parametrize(
    ("case", "rule"),
    [
        pytest.param(case, rule, id=f"{case.name}-{rule}")
        for case in [*CASES, *BOOK_CASES]
        for rule in case.expected
    ],
)
def test_published_case(case: Case, rule: str) -> None:
    state, met_h = case.expected[rule]
    found = verdict(
        rule, case.history, at_h=case.at_h, start=case.start, zone=case.zone, reading=case.reading
    )
    assert found.state == state, case.text
    assert found.readings_of_the_text[found.interpretation] == state
    if met_h is None:
        assert found.met_at is None
    else:
        assert hour_of(found.met_at, case.start) == pytest.approx(met_h, abs=1e-9)
    # A plain pass carries no reservation; a pass under reserve always says so.
    assert (found.note is not None) == (rule in case.noted)


# What the law calls a failure: the same pile once its process has ended.
FAILURES = [
    ("T01 never 60 °C", UK, STEADY, 360.0, "min. temperature 60 °C (WSI 2006/1293 Sch. 1)"),
    (
        "T05 literal",
        NY,
        TURN_DIP,
        369.25,
        "'not less than 55 °C' for '15 consecutive days' (6 NYCRR 361-3.7)",
    ),
    ("T09 spacing", UK, SAME_DAY, 360.0, "'no less than 2 days intervals' (WSI 2006/1293 Sch. 1)"),
    ("T21 spacing", UK, pile(log(61, 192), turn_days=(2, 3.5, 6)), 192.0, "'no less than 2 days intervals'"),
    ("T04 dip", NY, DIP, 360.0, "'15 consecutive days' (6 NYCRR 361-3.7)"),
]


@pytest.mark.parametrize(
    ("name", "rule", "history", "at_h", "text"), FAILURES, ids=[one[0] for one in FAILURES]
)
def test_a_failure_is_curable_until_the_process_ends(
    name: str, rule: str, history: History, at_h: float, text: str
) -> None:
    reading = "literal" if name.endswith("literal") else "inspector"
    ended = History(
        series=history.series,
        turns=history.turns,
        initial_carbon_nitrogen_ratio=30.0,
        cured_days=30.0,
        closed=True,
    )
    assert verdict(rule, history, at_h=at_h, reading=reading).state == "under_way", text
    closed = verdict(rule, ended, at_h=at_h, reading=reading)
    assert closed.state == "not_met", text
    assert closed.earliest_possible is None
    assert "process has ended" in closed.next


def test_t04_figures() -> None:
    """15-minute log: runs of 199.75 h and 158 h, 357.75 h in all; NY can pass at h 562."""
    found = verdict(NY, DIP, at_h=360)
    assert (found.held_h, found.hot_h) == (158.0, 357.75)
    assert hour_of(found.earliest_possible) == 562.0
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [
        ("below_threshold", 199.75, 202.0)
    ]
    assert "54 °C" in found.lost[0].detail
    assert verdict(EPA, DIP, at_h=360, reading="cumulative").held_h == 357.75
    assert hour_of(verdict(FDA, DIP, at_h=360).earliest_possible) == 362.25


def test_t04_california_prints_the_dip_it_passes_over() -> None:
    found = verdict(CA, DIP, at_h=360)
    assert [one.cause for one in found.lost] == ["below_threshold"]
    assert (found.held_h, found.held_days) == (357.75, 15.0)


def test_t05_new_york_names_the_question() -> None:
    found = verdict(NY, TURN_DIP, at_h=369.25)
    assert found.readings_of_the_text == {"inspector": "met", "literal": "under_way", "cumulative": "met"}
    assert [one.amb for one in found.differences] == ["AMB-05"]
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [
        ("turn_transient", 143.75, 153.0)
    ]


def test_t06_names_the_cold_probe() -> None:
    found = verdict(EPA, THREE_PROBES, at_h=360)
    assert {one.position for one in found.lost} == {"south"}
    assert found.held_h == 192.0
    assert "54.2 °C" in found.lost[0].detail


def test_t07_turning_duty_of_cmc_3() -> None:
    """CMC 3: 'regularly and thoroughly moved and turned or subject to forced ventilation'."""
    turned = verdict(EU, pile(log(57, 360), turn_days=(2, 5, 8, 11)))
    assert "turned_or_forced_air" not in turned.duties_open
    still = verdict(EU, pile(log(57, 360), turn_days=()))
    assert still.state == "met"
    assert "turned_or_forced_air" in still.duties_open
    blown = verdict(EU, pile(log(57, 360), turn_days=(), duties_recorded=frozenset({"forced_ventilation"})))
    assert "turned_or_forced_air" not in blown.duties_open


def test_t08_counts_the_turnings_of_the_best_window() -> None:
    found = verdict(NOP, pile(log(57, 17 * 24), turn_days=(0.5, 4, 8, 12, 16)))
    assert found.turns_counted == 4
    assert [
        (hour_of(one.at), "stretch of the rule's length" in one.reason) for one in found.turns_not_counted
    ] == [(12.0, True)]
    # The next turning 12 h after the last: 16.5 d, and the first still counted was at 4 d.
    assert hour_of(found.earliest_possible) == 17 * 24


def test_t09_five_turnings_count_as_one() -> None:
    found = verdict(EPA, SAME_DAY)
    assert (found.turns_counted, len(found.turns_not_counted)) == (1, 4)
    assert [one.amb for one in found.differences] == ["AMB-06"]
    assert found.readings_of_the_text["literal"] == "met"


def test_t10_the_turning_in_the_cold_spell_is_named() -> None:
    found = verdict(EPA, COLD_TURN, at_h=190, reading="cumulative")
    assert (hour_of(found.turns_not_counted[0].at), found.turns_counted) == (168.0, 2)
    assert "1 h before it, was not at the temperature asked" in found.turns_not_counted[0].reason


def test_t11_the_gap_is_lost_not_failed() -> None:
    found = verdict(EPA, GAP, at_h=360)
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [("gap", 180.0, 210.0)]
    assert (found.hot_h, found.held_h) == (330.0, 150.0)
    german = verdict(DE, GAP, at_h=360)
    duties = {one.name: one.state for one in german.criteria if one.kind == "duty"}
    # § 3(6): measured 'ständig'; where the authority permits it, 'mindestens ein Mal pro Werktag'.
    assert (duties["continuous_recording"], duties["reading_each_working_day"]) == ("not_met", "met")


def test_t11_a_new_run_proves_it_in_the_end() -> None:
    seen = [one for one in log(57, 570) if not 180 < hour_of(one.observed_at) < 210]
    found = verdict(EPA, pile(seen, turn_days=(9, 12, 15, 18, 21)))
    assert (found.state, hour_of(found.met_at)) == ("met", 570.0)


def test_t12_saturday_is_a_werktag_and_every_day_is_a_day() -> None:
    """14 CCR 17868.3 'Daily'; BioAbfV § 3(6) 'mindestens ein Mal pro Werktag', Monday to Saturday."""
    for rule, duty in ((CA, "daily_reading"), (DE, "reading_each_working_day")):
        found = verdict(rule, WEEKDAYS_ONLY)
        criterion = next(one for one in found.criteria if one.name == duty)
        assert criterion.state == "not_met"
        assert "2026-05-09 at core" in criterion.detail
        assert ("2026-05-10" in criterion.detail) == (rule == CA)


def test_t12_sunday_may_be_missed_in_germany() -> None:
    readings = [one for one in log(57, 20 * 24, every_h=24) if one.observed_at.weekday() != 6]
    found = verdict(DE, pile(readings))
    assert (found.state, hour_of(found.met_at)) == ("met", 336.0)
    assert next(one for one in found.criteria if one.name == "reading_each_working_day").state == "met"


def test_t15_the_ceiling_parts_the_readings() -> None:
    found = verdict(NOP, pile(log(lambda hour: 172 if 120 <= hour < 128 else 140, 369, unit=Unit.DEG_F)))
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [
        ("above_limit", 119.0, 128.0)
    ]
    assert "172 °F" in found.lost[0].detail
    # Not counted, the 9 h cost 9 h; as a break they cost the run.
    assert found.readings_of_the_text == {"inspector": "under_way", "literal": "met", "cumulative": "met"}
    assert "AMB-14" in [one.amb for one in found.differences]
    assert [one.level for one in found.cautions] == ["red"]


def test_t16_hours_and_days() -> None:
    found = verdict(CA, CLOCKS_FORWARD, start=SPRING, zone=NEW_YORK)
    assert (found.held_h, found.held_days) == (359.0, 15.0)


def test_t21_second_barrier_stays_open() -> None:
    """Second barrier: meat excluded and 18 days of storage, or a second treatment (WSI 2006/1293 Sch. 1)."""
    history = pile(log(61, 192), turn_days=(2, 4, 6))
    assert "second_barrier" in verdict(UK, history).duties_open
    stored = pile(
        log(61, 192),
        turn_days=(2, 4, 6),
        duties_recorded=frozenset({"meat_excluded_and_stored_18_days", "particle_size", "housed"}),
    )
    found = verdict(UK, stored)
    assert found.duties_open == ()
    assert found.next.startswith("This rule asks for nothing more")


def test_t24_the_lost_heat_is_named() -> None:
    found = verdict(EPA, pile(log(57, 300), restarts=(at(168), at(24))))
    assert [(one.cause, hour_of(one.from_), hour_of(one.to)) for one in found.lost] == [
        ("restarted_by_addition", 0.0, 168.0)
    ]
    assert found.held_h == 132.0
    assert {one.reason for one in found.turns_not_counted} == {
        "fresh material was added after it, and the count began again"
    }
    assert len(found.turns_not_counted) == 2


def test_t28_the_record_is_all_that_lacks() -> None:
    found = verdict(FDA, pile(log(57, 360), cured_days=None))
    states = {one.name: one.state for one in found.criteria if one.kind == "process"}
    assert states == {"temperature_hold": "met", "turnings": "met", "curing": "cannot_judge"}
    assert found.met_at is None
    assert "curing record" in found.next
