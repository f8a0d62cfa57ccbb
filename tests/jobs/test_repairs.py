"""A plan mended by what happens: a missed turn, a closed day, a hot pile, a new order; both plans stay on file."""

import time
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from sqlalchemy import text

from service.jobs.plans import look_at_plans, sweep_plans
from service.jobs.tasks import Tools
from service.operations.replanning import LOOK
from service.storage.database import Database
from tests.builders import a_line, a_pile, a_placement, a_plan, a_probe
from tests.conftest import Tenant
from tests.jobs.making import waiting
from tests.jobs.test_plans import ZONE, schedule, search, today

FOUR_TURNS = {"rest_days": 2, "turn_every_days": 3, "last_turn_day": 11, "curing_days": 3}
"""Days 2, 5, 8 and 11."""


def built_days_ago(days: int) -> str:
    """Return an instant today so many days ago, early, so that it is past whenever the test runs."""
    midnight = datetime.now(UTC).replace(hour=0, minute=0, second=1, microsecond=0)
    return (midnight - timedelta(days)).isoformat()


def a_standing_line(tenant: Tenant, tools: Tools, days_ago: int = 2, **pile: Any) -> dict[str, Any]:
    """Make a site with one pile that stands, and a plan in force."""
    site = a_line(tenant, time_zone=ZONE)
    bay = tenant.get(f"/v1/sites/{site['id']}/bays")["items"][0]
    values = {
        "label": "old",
        "bay_id": bay["id"],
        "built_at": built_days_ago(days_ago),
        "pattern": FOUR_TURNS,
    }
    a_pile(tenant, site["id"], **values | pile)
    plan = search(tools, tenant, a_plan(tenant, site["id"], piles=[{"name": "new", "volume_m3": 1.0}]))
    assert plan["state"] == "done", plan["problem"]
    return plan


def yesterday(database: Database, tenant: Tenant, plan: dict[str, Any]) -> None:
    """Let everything have been a day earlier, plan, tasks and build, so that today's work was yesterday's."""
    with database.begin(tenant.organisation_id) as session:
        for statement in (
            "update line_plan set created_at = created_at - interval '1 day' where id = :plan",
            "update plan_task set on_date = on_date - 1 where plan_id = :plan",
            (
                "update pile set built_at = built_at - interval '1 day'"
                " where site_id = (select site_id from line_plan where id = :plan)"
            ),
        ):
            session.execute(text(statement), {"plan": UUID(plan["id"])})


def repairs(tenant: Tenant, site_id: str) -> list[dict[str, Any]]:
    return [one for one in tenant.get(f"/v1/sites/{site_id}/plans")["items"] if one["follows_id"]]


def turns_of(tenant: Tenant, site_id: str, pile: str) -> dict[int, dict[str, Any]]:
    return {one["number"]: one for one in schedule(tenant, site_id, "turn") if one["pile"] == pile}


def changes(tenant: Tenant, mended: dict[str, Any]) -> dict[str, Any]:
    where = f"/v1/sites/{mended['site_id']}/plans/{mended['id']}/changes?since={mended['follows_id']}"
    found: dict[str, Any] = tenant.get(where)
    return found


class TestAMissedTurn:
    def test_is_found_by_the_sweep_and_mended_within_two_seconds(
        self, tenant: Tenant, tools: Tools, owned: Tools, database: Database
    ) -> None:
        plan = a_standing_line(tenant, tools)
        site_id = plan["site_id"]
        before = turns_of(tenant, site_id, "old")
        assert before[1]["on_date"] == str(today())
        yesterday(database, tenant, plan)
        sweep_plans(owned)
        assert len(waiting(database, LOOK, tenant.organisation_id)) == 1
        look_at_plans(tools, tenant.organisation_id)
        (asked,) = repairs(tenant, site_id)
        missed = today() - timedelta(1)
        assert set(asked["because"].split("; ")) == {
            f"old: turn 1 of {missed} was not done",
            f"new: build of {missed} was not done",
        }
        began = time.perf_counter()
        mended = search(tools, tenant, asked)
        assert time.perf_counter() - began < 2
        after = turns_of(tenant, site_id, "old")
        assert (after[1]["id"], after[1]["on_date"]) == (before[1]["id"], str(today()))
        assert (after[1]["sequence"], after[1]["state"]) == (1, "planned")
        assert [after[number]["on_date"] for number in (2, 3, 4)] == [
            str(today() + timedelta(day)) for day in (2, 5, 8)
        ], "the other turns stay where crews were told they are"
        assert mended["plan"]["state"] == "planned"
        told = tenant.get(f"/v1/sites/{site_id}/plans/{plan['id']}")
        assert told["plan"] == plan["plan"], "the plan before stays on file as it was"

    def test_is_asked_for_once(self, tenant: Tenant, tools: Tools, database: Database) -> None:
        plan = a_standing_line(tenant, tools)
        yesterday(database, tenant, plan)
        for _ in range(3):
            look_at_plans(tools, tenant.organisation_id)
        (asked,) = repairs(tenant, plan["site_id"])
        search(tools, tenant, asked)
        look_at_plans(tools, tenant.organisation_id)
        assert len(repairs(tenant, plan["site_id"])) == 1

    def test_without_anything_missed_nothing_is_asked_for(self, tenant: Tenant, tools: Tools) -> None:
        plan = a_standing_line(tenant, tools)
        look_at_plans(tools, tenant.organisation_id)
        assert repairs(tenant, plan["site_id"]) == []


class TestARecordedTurn:
    def test_on_its_day_asks_for_nothing(self, tenant: Tenant, tools: Tools) -> None:
        plan = a_standing_line(tenant, tools)
        pile = schedule(tenant, plan["site_id"], "turn")[0]["pile_id"]
        tenant.post(f"/v1/piles/{pile}/events", {"kind": "turn", "at": datetime.now(UTC).isoformat()})
        assert repairs(tenant, plan["site_id"]) == []

    def test_on_another_day_has_the_plan_mended(self, tenant: Tenant, tools: Tools) -> None:
        plan = a_standing_line(tenant, tools, days_ago=1)
        before = turns_of(tenant, plan["site_id"], "old")
        assert before[1]["on_date"] == str(today() + timedelta(1))
        pile = before[1]["pile_id"]
        tenant.post(f"/v1/piles/{pile}/events", {"kind": "turn", "at": datetime.now(UTC).isoformat()})
        (asked,) = repairs(tenant, plan["site_id"])
        assert asked["because"] == f"old was turned on {today()} instead of {today() + timedelta(1)}"
        search(tools, tenant, asked)
        after = turns_of(tenant, plan["site_id"], "old")
        assert after[1]["state"] == "done"
        assert [after[number]["on_date"] for number in (2, 3, 4)] == [
            before[number]["on_date"] for number in (2, 3, 4)
        ], "turns to come stay where crews were told they are"


class TestAClosedDay:
    def test_moves_that_days_turn_and_no_other(self, tenant: Tenant, tools: Tools) -> None:
        plan = a_standing_line(tenant, tools)
        site_id = plan["site_id"]
        before = turns_of(tenant, site_id, "old")
        site = tenant.call("GET", f"/v1/sites/{site_id}")
        closed = before[2]["on_date"]
        answer = tenant.call(
            "PATCH", f"/v1/sites/{site_id}", {"closures": [closed]}, If_Match=site.headers["ETag"]
        )
        assert answer.status_code == 200, answer.text
        (asked,) = repairs(tenant, site_id)
        mended = search(tools, tenant, asked)
        after = turns_of(tenant, site_id, "old")
        assert closed not in {one["on_date"] for one in after.values()}
        moved = [number for number in before if before[number]["on_date"] != after[number]["on_date"]]
        assert moved == [2]
        told = [one for one in changes(tenant, mended)["moved"] if one["pile"] == "old"]
        assert [(one["task"], one["number"], one["from_date"]) for one in told] == [("turn", 2, closed)]
        assert "the site's days were changed" in told[0]["because"]
        assert any("turn moved from" in one and closed in one for one in mended["plan"]["moves"])


class TestAHotPile:
    def test_is_turned_on_the_next_crew_day(self, tenant: Tenant, tools: Tools) -> None:
        slow = {"rest_days": 10, "turn_every_days": 7, "last_turn_day": 24}
        plan = a_standing_line(tenant, tools, days_ago=4, pattern=slow)
        assert turns_of(tenant, plan["site_id"], "old")[1]["on_date"] == str(today() + timedelta(6))
        pile = turns_of(tenant, plan["site_id"], "old")[1]["pile_id"]
        probe = a_probe(tenant)
        a_placement(tenant, probe["id"], pile, **{"from": built_days_ago(4)})
        now = datetime.now(UTC)
        readings = [
            {
                "probe": probe["serial"],
                "observed_at": (now - timedelta(hours=hours)).isoformat(),
                "quantity": "temperature",
                "value": 73.5 - hours / 10,
                "unit": "Cel",
            }
            for hours in range(12)
        ]
        tenant.post("/v1/readings", {"readings": readings})
        look_at_plans(tools, tenant.organisation_id)
        (asked,) = repairs(tenant, plan["site_id"])
        assert asked["because"] == "old: it runs too hot"
        search(tools, tenant, asked)
        first = turns_of(tenant, plan["site_id"], "old")[1]
        assert first["on_date"] == str(today())
        assert "it runs too hot" in first["reason"]
        look_at_plans(tools, tenant.organisation_id)
        assert len(repairs(tenant, plan["site_id"])) == 1


class TestOnRequest:
    def test_a_new_order_is_planned_beside_the_old_ones(self, tenant: Tenant, tools: Tools) -> None:
        site = a_line(tenant, time_zone=ZONE)
        spare = [{"name": "spare", "count": 3, "volume_m3": 1.0, "is_spare": True}]
        first = search(tools, tenant, a_plan(tenant, site["id"], piles=spare))
        assert first["plan"]["piles"] == []
        by = str(today() + timedelta(20))
        body = {
            "because": "the school wants some",
            "orders": [{"name": "school", "volume_m3": 0.3, "by": by}],
        }
        answer = tenant.call("POST", f"/v1/sites/{site['id']}/plans/repair", body)
        assert answer.status_code == 202, answer.text
        mended = search(tools, tenant, answer.json())
        assert [one["name"] for one in mended["plan"]["piles"]] == ["spare 1"]
        assert {(one["task"], one["pile"]) for one in changes(tenant, mended)["new"]} == {
            ("build", "spare 1"),
            ("turn", "spare 1"),
            ("move", "spare 1"),
        }

    def test_a_site_without_a_plan_has_none_to_mend(self, tenant: Tenant) -> None:
        site = a_line(tenant)
        answer = tenant.call("POST", f"/v1/sites/{site['id']}/plans/repair", {})
        assert answer.status_code == 409
        assert "POST /v1/sites/" in answer.json()["detail"]

    def test_an_order_that_is_past_is_refused(self, tenant: Tenant, tools: Tools) -> None:
        plan = a_standing_line(tenant, tools)
        body = {"orders": [{"name": "x", "volume_m3": 1, "by": str(today() - timedelta(1))}]}
        answer = tenant.call("POST", f"/v1/sites/{plan['site_id']}/plans/repair", body)
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["pointer"] == "/orders/0/by"
        assert repairs(tenant, plan["site_id"]) == []

    def test_what_is_no_longer_planned_is_taken_back_and_what_is_done_stays(
        self, tenant: Tenant, tools: Tools
    ) -> None:
        plan = a_standing_line(tenant, tools)
        site_id = plan["site_id"]
        pile = turns_of(tenant, site_id, "old")[1]["pile_id"]
        now = datetime.now(UTC).isoformat()
        tenant.post(f"/v1/piles/{pile}/events", {"kind": "turn", "at": now})
        tenant.post(f"/v1/piles/{pile}/events", {"kind": "close", "at": now})
        (asked,) = repairs(tenant, site_id)
        search(tools, tenant, asked)
        left = turns_of(tenant, site_id, "old")
        assert {number: one["state"] for number, one in left.items()} == {1: "done"}
