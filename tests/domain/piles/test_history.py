from dataclasses import replace
from uuid import UUID

import pytest

from service.domain.piles import (
    closing,
    cured_days,
    curing_since,
    current_bay,
    duty_facts,
    in_force,
    initial_carbon_nitrogen_ratio,
    released_at,
    restarts,
    started_at,
    turns,
    water_added_l,
)
from tests.domain.piles.making import BUILT, a_correction, an_event, day

ONE, TWO, OTHER = UUID(int=101), UUID(int=102), UUID(int=103)


def test_turning_by_moving_counts_and_setting_aside_does_not():
    events = [
        an_event("turn", 3),
        an_event("move", 3, purpose="turning", bay_id=str(TWO)),
        an_event("move", 6, purpose="turning"),
        an_event("move", 9, purpose="curing"),
        an_event("move", 9.5, purpose="storage"),
        an_event("move", 9.6),
        an_event("turn", 12),
    ]
    assert turns(in_force(events)) == (day(3), day(6), day(12))


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([("load", -1, {}), ("load", 0, {})], []),
        ([("load", -1, {}), ("load", 2, {})], [2]),
        ([("merge", 2, {"with_pile_id": str(OTHER)})], [2]),
        ([("merge", 2, {"into_pile_id": str(OTHER)})], []),
        ([("load", 2, {}), ("load", 2, {}), ("merge", 4, {"with_pile_id": str(OTHER)})], [2, 4]),
        ([("water", 2, {"volume_l": 9}), ("turn", 3, {}), ("cover", 4, {}), ("split", 5, {})], []),
    ],
)
def test_fresh_material_after_the_build_starts_the_count_again(events, expected):
    record = in_force([an_event(kind, at, **details) for kind, at, details in events])
    assert restarts(record, BUILT) == tuple(day(at) for at in expected)
    assert started_at(record, BUILT) == (day(expected[-1]) if expected else BUILT)
    assert restarts(record, None) == ()
    assert started_at(record, None) is None


def test_a_load_that_was_withdrawn_starts_nothing_again():
    load = an_event("load", 2)
    assert restarts(in_force([load, a_correction(load, 3, None)]), BUILT) == ()


@pytest.mark.parametrize(
    ("initial", "moves", "expected"),
    [
        (ONE, [], ONE),
        (None, [], None),
        (ONE, [{"bay_id": str(TWO)}], TWO),
        (ONE, [{"bay_id": TWO, "purpose": "curing"}], TWO),
        (ONE, [{"bay_id": str(TWO)}, {"bay_id": str(ONE)}], ONE),
        (ONE, [{"purpose": "curing"}], None),
        (ONE, [{"purpose": "storage"}, {"bay_id": str(TWO)}], TWO),
        (ONE, [{"purpose": "turning"}], ONE),
        (ONE, [{}], ONE),
    ],
)
def test_where_it_stands(initial, moves, expected):
    events = in_force([an_event("move", number, **details) for number, details in enumerate(moves)])
    assert current_bay(initial, events) == expected


@pytest.mark.parametrize(
    ("events", "since", "cured_by_day_60"),
    [
        ([], None, None),
        ([("move", 30, {"purpose": "curing"})], 30, 30.0),
        ([("move", 30, {"purpose": "curing"}), ("move", 40, {"purpose": "curing"})], 30, 30.0),
        ([("move", 30, {"purpose": "curing"}), ("load", 35, {})], None, None),
        (
            [("move", 30, {"purpose": "curing"}), ("load", 35, {}), ("move", 50, {"purpose": "curing"})],
            50,
            10.0,
        ),
        ([("load", 30, {}), ("move", 30, {"purpose": "curing"})], 30, 30.0),
        ([("move", 30, {"purpose": "curing"}), ("close", 44, {})], 30, 14.0),
        ([("move", 30, {"purpose": "curing"}), ("merge", 31, {"into_pile_id": str(OTHER)})], 30, 1.0),
        ([("move", 30, {"purpose": "storage"})], None, None),
    ],
)
def test_curing_is_counted_from_the_move_to_it(events, since, cured_by_day_60):
    record = in_force([an_event(kind, at, **details) for kind, at, details in events])
    assert curing_since(record) == (None if since is None else day(since))
    cured = cured_days(record, now=day(60))
    assert cured == (None if cured_by_day_60 is None else pytest.approx(cured_by_day_60))


def test_the_end_is_the_first_close_or_being_put_onto_another():
    closed = in_force([an_event("close", 40, reason="spread"), an_event("close", 50)])
    merged = in_force([an_event("merge", 20, into_pile_id=str(OTHER)), an_event("close", 40)])
    assert closing(in_force([an_event("merge", 20, with_pile_id=str(OTHER))])) is None
    end = closing(closed)
    assert (end.at, end.cause, end.reason, end.into_pile_id) == (day(40), "closed", "spread", None)
    end = closing(merged)
    assert (end.at, end.cause, end.into_pile_id) == (day(20), "merged", OTHER)


def test_fresh_material_undoes_a_release():
    release, load = an_event("release", 40, use="beds"), an_event("load", 41)
    assert released_at(in_force([release])) == day(40)
    assert released_at(in_force([release, load])) is None
    assert released_at(in_force([release, load, an_event("release", 80)])) == day(80)


def test_water_is_summed_and_corrections_hold():
    first, second = an_event("water", 1, volume_l=40), an_event("water", 2, volume_l=25.5)
    fixed = a_correction(second, 3, {"kind": "water", "at": day(2).isoformat(), "volume_l": 35.5})
    assert water_added_l(in_force([first, second])) == pytest.approx(65.5)
    assert water_added_l(in_force([first, second, fixed])) == pytest.approx(75.5)
    assert water_added_l(()) == 0


@pytest.mark.parametrize(
    ("samples", "expected"),
    [
        ([], None),
        ([(0, 28.0)], 28.0),
        ([(3, 27.0)], 27.0),
        ([(3.01, 27.0)], None),
        ([(-0.2, 31.0), (2.5, 24.0)], 31.0),
        ([(-5, 31.0), (0.5, 29.0), (20, 15.0)], 29.0),
        ([(-1, 31.0), (1, 29.0)], 29.0),
        ([(0, None), (2, 26.0)], 26.0),
    ],
)
def test_the_initial_ratio_is_that_of_the_sample_nearest_the_build(samples, expected):
    events = [
        an_event("sample", at, **({} if ratio is None else {"carbon_nitrogen_ratio": ratio}))
        for at, ratio in samples
    ]
    assert initial_carbon_nitrogen_ratio(in_force(events), BUILT) == expected
    assert initial_carbon_nitrogen_ratio(in_force(events), None) is None


def test_duty_facts_tell_what_is_on_record_and_leave_unknown_unknown():
    assert duty_facts(()) == {
        "covers": (),
        "covered": None,
        "greatest_cover_thickness_cm": None,
        "samples": (),
        "latest": {},
        "turn_methods": (),
        "screens": (),
        "curing_since": None,
        "water_l": 0,
        "without_crew": 0,
        "latest_entry_h": None,
    }
    late = replace(an_event("turn", 4, method="fork"), recorded_at=day(6), crew="Ana")
    facts = duty_facts(
        in_force(
            [
                an_event("cover", 1, covered=True, material="wood chips", thickness_cm=30),
                an_event("cover", 5, covered=False, thickness_cm=99),
                late,
                an_event("sample", 10, laboratory="North Lab", fecal_coliform_mpn_g=2000, ph=8),
                an_event("sample", 30, fecal_coliform_mpn_g=0),
                an_event("screen", 50, mesh_mm=10),
            ]
        )
    )
    assert facts["covered"] is False
    assert facts["greatest_cover_thickness_cm"] == 30
    assert [cover["thickness_cm"] for cover in facts["covers"]] == [30, None]
    assert facts["samples"][0] == {
        "at": day(10),
        "laboratory": "North Lab",
        "ph": 8.0,
        "fecal_coliform_mpn_g": 2000.0,
    }
    assert facts["latest"] == {"ph": 8.0, "fecal_coliform_mpn_g": 0.0}
    assert facts["turn_methods"] == ("fork",)
    assert facts["screens"] == ({"at": day(50), "mesh_mm": 10.0},)
    assert facts["without_crew"] == 5
    assert facts["latest_entry_h"] == pytest.approx(48)
