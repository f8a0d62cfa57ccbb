"""POST /v1/schedules/line: a line planned as asked, and what is refused."""

from typing import Any

import pytest

from tests.conftest import Tenant

EVERY_DAY = {
    day: [{"crew": "Year 9", "people": 2, "hours": 2}] for day in ("mon", "tue", "wed", "thu", "fri")
}
LINE: dict[str, Any] = {
    "first": "2026-03-02",
    "days": 30,
    "calendar": {"week": EVERY_DAY},
    "bays": [{"name": "cage 1", "volume_m3": 1.5}],
    "pattern": {"rest_days": 2, "turn_every_days": 3, "last_turn_day": 5, "curing_days": 3},
    "piles": [{"name": "first", "volume_m3": 1.5}, {"name": "second", "volume_m3": 1.5}],
    "within_s": 2,
}
WHERE = "/v1/schedules/line"


def test_two_piles_in_one_bay_follow_one_another(tenant: Tenant) -> None:
    plan = tenant.post(WHERE, LINE)
    assert (plan["state"], plan["ended_by"], plan["gap_pct"]) == ("planned", "proof", 0)
    first, second = plan["piles"]
    assert first["build_on"] == "2026-03-02"
    assert first["hot_until"] <= second["build_on"]
    assert {stage["aim"]: stage["is_proven"] for stage in plan["stages"]}["readiness"]
    assert 0 < plan["took_s"] < 2
    on = {load["date"]: load for load in plan["loads"]}
    for work in plan["crew_work"]:
        assert (work["planned_min"], work["crew_min"]) == (on[work["date"]]["planned_min"], 240)
        assert work["each_min"] == work["planned_min"] / 2
    assert "longest task goes first" in plan["how_shared"]


def test_two_crews_share_a_day_and_each_task_says_who(tenant: Tenant) -> None:
    """A build of 1.5 m3 at 1 m3/h is ninety person-minutes: more than either of two crews of an hour has."""
    week = {"mon": [{"crew": name, "people": 1, "hours": 1} for name in ("A", "B")]} | {
        day: EVERY_DAY[day] for day in ("tue", "wed", "thu", "fri")
    }
    plan = tenant.post(WHERE, LINE | {"calendar": {"week": week}, "piles": LINE["piles"][:1]})
    (build,) = [one for one in plan["tasks"] if one["task"] == "build"]
    assert (build["date"], build["minutes"]) == ("2026-03-02", 90)
    assert build["crews"] == [{"crew": "A", "minutes": 60}, {"crew": "B", "minutes": 30}]


def test_what_cannot_be_kept_names_what_would_mend_it(tenant: Tenant) -> None:
    """0.6 m3 of a pile of 1.5 m3 are left: one pile less than the order takes."""
    body = LINE | {"orders": [{"name": "beds", "volume_m3": 1.8, "by": "2026-05-20"}]}
    plan = tenant.post(WHERE, body)
    assert plan["state"] == "cannot_be_kept"
    (misfit,) = plan["misfits"]
    assert (misfit["wish"], misfit["kind"], misfit["short_m3"]) == ("beds", "order", pytest.approx(0.6))
    assert [(one["kind"], one["piles"]) for one in misfit["changes"]] == [("extra_pile", 1)]


def test_the_same_body_gives_the_same_plan(tenant: Tenant) -> None:
    first, second = tenant.post(WHERE, LINE), tenant.post(WHERE, LINE)
    assert {**first, "took_s": 0} == {**second, "took_s": 0}


def standing(name: str, **changes: Any) -> dict[str, Any]:
    return {"name": name, "volume_m3": 1.5, "bays": ["cage 1"], "built_on": "2026-02-28"} | changes


@pytest.mark.parametrize(
    ("changes", "pointer", "says"),
    [
        ({"calendar": {"week": {}}}, "/calendar/week", "no crew comes on any day"),
        (
            {"calendar": {"week": {"mon": [{"people": 0, "hours": 2}]}}},
            "/calendar/week/mon/0/people",
            "0 people do no work",
        ),
        (
            {
                "days": 3,
                "calendar": {
                    "week": EVERY_DAY,
                    "closures": [{"date": f"2026-03-0{day}", "reason": "flood"} for day in (2, 3, 4)],
                },
            },
            "/calendar",
            "shorten the closures",
        ),
        (
            {"pattern": {"rest_days": 4, "last_turn_day": 16}},
            "/piles/0/pattern/turn_on",
            "the pattern never turns",
        ),
        (
            {"pattern": {"rest_days": 9, "turn_every_days": 2, "last_turn_day": 4}},
            "/piles/0/pattern/last_turn_day",
            "lies inside the rest",
        ),
        ({"pattern": None}, "/piles/0/pattern", "no turning pattern is given"),
        ({"bays": LINE["bays"] * 2}, "/bays/1/name", "'cage 1' stands twice"),
        ({"bays": []}, "/bays", "no bay is given"),
        ({"piles": [standing("a"), standing("b")]}, "/piles/1/bays/0", "both stand in bay 'cage 1'"),
        ({"piles": [standing("a", bays=["cage 9"])]}, "/piles/0/bays/0", "'cage 9' is no bay"),
        ({"piles": [{"name": "a", "volume_m3": 9}]}, "/piles/0/volume_m3", "fits no bay"),
        ({"piles": [{"name": "a", "volume_m3": 1, "rule": "x"}]}, "/piles/0/rule", "not a rule"),
        (
            {"orders": [{"name": "beds", "volume_m3": 1, "by": "2026-03-01"}]},
            "/orders/0/by",
            "2026-03-01 is past; give 2026-03-02 or later",
        ),
        (
            {"orders": [{"name": "b", "volume_m3": 1, "by": "2026-04-01", "grade": "x"}]},
            "/orders/0/grade",
            "no grade",
        ),
        ({"days": 400}, "/days", "give 1 to 366"),
        ({"days": 0}, "/days", "give 1 to 366"),
        ({"reliability": {"mon": 2}}, "/reliability/mon", "give 0 to 1"),
        ({"within_s": 11}, "/within_s", "10"),
        ({"kept_pct": 0}, "/kept_pct", "above 0"),
        ({"arrivals": [{"feedstock": "x", "on": "2026-03-02", "kg": -1}]}, "/arrivals/0/kg", "below 0"),
    ],
)
def test_what_does_not_fit_is_named(tenant: Tenant, changes: dict[str, Any], pointer: str, says: str) -> None:
    answer = tenant.call("POST", WHERE, LINE | changes)
    assert answer.status_code == 422, answer.text
    error = answer.json()["errors"][0]
    assert (error["pointer"], says in error["detail"]) == (pointer, True), error


def test_it_takes_the_scope_read(tenant: Tenant) -> None:
    assert tenant.call("POST", WHERE, LINE, key=tenant.key_for("write")).status_code == 403
    assert tenant.call("POST", WHERE, LINE, key=tenant.key_for("read")).status_code == 200
