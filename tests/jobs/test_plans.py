"""Plans as jobs: searched for, put into force, cancelled, taken up again after a restart, mended."""

import threading
import time
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest

from service.jobs.plans import plan_site_line
from service.jobs.tasks import Interrupted, Tools
from service.operations import plans as operations
from service.storage import plans as stored
from service.storage.database import Database
from service.storage.tables import LinePlanRow
from tests.builders import a_line, a_plan
from tests.conftest import Tenant, Urls
from tests.jobs.making import waiting, work_off

ZONE = "UTC"


def today() -> date:
    return datetime.now(UTC).date()


def search(tools: Tools, tenant: Tenant, plan: dict[str, Any]) -> dict[str, Any]:
    """Run the job, and return the plan on record."""
    plan_site_line(tools, tenant.organisation_id, plan["id"])
    found: dict[str, Any] = tenant.get(f"/v1/sites/{plan['site_id']}/plans/{plan['id']}")
    return found


def schedule(tenant: Tenant, site_id: str, *tasks: str) -> list[dict[str, Any]]:
    path = f"/v1/sites/{site_id}/schedule?from={today() - timedelta(60)}&to={today() + timedelta(300)}"
    items: list[dict[str, Any]] = tenant.get(path)["items"]
    return [one for one in items if not tasks or one["task"] in tasks]


class TestAPlan:
    def test_is_searched_for_by_a_job_and_becomes_the_schedule(self, tenant: Tenant, tools: Tools) -> None:
        plan = a_plan(tenant, a_line(tenant, time_zone=ZONE)["id"])
        assert (plan["state"], plan["progress_pct"]) == ("waiting", 0)
        done = search(tools, tenant, plan)
        assert (done["state"], done["progress_pct"], done["problem"]) == ("done", 100, None)
        assert done["plan"]["state"] == "planned"
        assert done["plan"]["ended_by"] == "proof"
        builds = schedule(tenant, plan["site_id"], "build")
        assert [one["pile"] for one in builds] == ["heap 1", "heap 2"]
        assert {one["on_date"] for one in builds} <= {str(today()), str(today() + timedelta(1))}
        turns = schedule(tenant, plan["site_id"], "turn")
        assert sorted((one["pile"], one["number"]) for one in turns) == [
            (f"heap {pile}", turn) for pile in (1, 2) for turn in (1, 2)
        ]
        assert all(one["sequence"] == 0 and one["state"] == "planned" for one in (*builds, *turns))

    def test_says_who_works_how_long(self, tenant: Tenant, tools: Tools) -> None:
        plan = search(tools, tenant, a_plan(tenant, a_line(tenant, time_zone=ZONE, crews=["Year 9"])["id"]))
        told = plan["plan"]
        for work in told["crew_work"]:
            that_day = [one for one in told["tasks"] if one["date"] == work["date"]]
            assert work["planned_min"] == sum(one["minutes"] for one in that_day)
            assert work["each_min"] == pytest.approx(work["planned_min"] / work["people"])
        assert {share["crew"] for task in told["tasks"] for share in task["crews"]} == {"Year 9"}

    def test_run_twice_changes_nothing(self, tenant: Tenant, tools: Tools) -> None:
        plan = a_plan(tenant)
        first = search(tools, tenant, plan)
        tasks = schedule(tenant, plan["site_id"])
        assert search(tools, tenant, plan) == first
        assert schedule(tenant, plan["site_id"]) == tasks

    def test_is_run_by_a_worker(self, tenant: Tenant, tools: Tools, urls: Urls) -> None:
        plan = a_plan(tenant)
        work_off(urls, tools)
        assert tenant.get(f"/v1/sites/{plan['site_id']}/plans/{plan['id']}")["state"] == "done"
        assert waiting(tools.database, operations.TASK, tenant.organisation_id) == []


HARD = {
    "days": 300,
    "pattern": {"rest_days": 4, "turn_every_days": 2, "last_turn_day": 16, "curing_days": 30, "screen": True},
    "piles": [{"name": "heap", "count": 24, "volume_m3": 1.4}],
    "within_s": 60,
}


def a_long_search(tenant: Tenant) -> dict[str, Any]:
    """Ask for a plan that cannot be proven soon: few hands, few bays, many piles."""
    return a_plan(
        tenant, a_line(tenant, bays=3, time_zone=ZONE, work_days=["mon", "wed", "sat"])["id"], **HARD
    )


def until(database: Database, tenant: Tenant, plan: dict[str, Any], test: Any) -> LinePlanRow:
    for _ in range(300):
        with database.begin(tenant.organisation_id) as session:
            row = stored.find_plan(session, tenant.organisation_id, None, UUID(plan["id"]))
            if test(row):
                return row
        time.sleep(0.1)
    raise AssertionError("it did not come to that")


class TestALongSearch:
    def test_tells_how_far_it_is_and_is_cancelled(
        self, tenant: Tenant, tools: Tools, database: Database
    ) -> None:
        plan = a_long_search(tenant)
        job = threading.Thread(target=plan_site_line, args=(tools, tenant.organisation_id, plan["id"]))
        job.start()
        until(database, tenant, plan, lambda row: (row.answer or {}).get("so_far"))
        where = f"/v1/sites/{plan['site_id']}/plans/{plan['id']}"
        seen = tenant.get(where)
        assert seen["state"] == "running"
        assert 0 < seen["progress_pct"] < 100
        assert seen["aim"] in {"broken wishes", "readiness", "busiest day"}
        assert tenant.call("POST", f"{where}/cancel").json()["is_cancel_asked"]
        asked_at = time.monotonic()
        job.join(20)
        assert time.monotonic() - asked_at < 10
        over = tenant.get(where)
        assert over["state"] == "cancelled"
        assert over["plan"]["ended_by"] == "caller"
        assert schedule(tenant, plan["site_id"]) == []
        assert tenant.call("POST", f"{where}/cancel").status_code == 409

    def test_goes_on_where_it_was_after_a_restart(
        self, tenant: Tenant, tools: Tools, database: Database
    ) -> None:
        plan = a_long_search(tenant)
        faults: list[BaseException] = []

        def work() -> None:
            try:
                plan_site_line(tools, tenant.organisation_id, plan["id"])
            except Interrupted as fault:
                faults.append(fault)

        job = threading.Thread(target=work)
        job.start()
        until(database, tenant, plan, lambda row: (row.answer or {}).get("so_far"))
        tools.stopping.set()
        job.join(20)
        assert [type(one) for one in faults] == [Interrupted]
        row = until(database, tenant, plan, lambda row: row.state == "running")
        assert row.answer is not None
        kept = row.answer["so_far"]
        assert len(kept) == 24
        tools.stopping.clear()
        with database.begin(tenant.organisation_id) as session:
            begun = operations.start(session, tenant.organisation_id, UUID(plan["id"]), now=datetime.now(UTC))
        assert begun is not None
        assert {name: one.build_on.isoformat() for name, one in begun.begun.items()} == {
            name: one["build_on"] for name, one in kept.items()
        }
