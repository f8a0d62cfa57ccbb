"""Plans of a site's line from its record: what they are made from, what is refused, who may; and of several sites."""

import threading
import uuid
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from service.jobs.plans import plan_site_line, plan_sites_together
from service.jobs.tasks import Tools
from service.settings import Settings
from service.storage.database import Database
from tests.builders import a_bay, a_line, a_network, a_pile, a_plan, a_plan_in_force, a_site
from tests.conftest import Tenant


def today() -> date:
    return datetime.now(UTC).date()


def ago(days: int) -> str:
    midnight = datetime.now(UTC).replace(hour=0, minute=0, second=1, microsecond=0)
    return (midnight - timedelta(days)).isoformat()


@pytest.fixture
def tools(database: Database) -> Tools:

    return Tools(database, None, threading.Event(), Settings())


def made(tools: Tools, tenant: Tenant, site_id: str, **wish: Any) -> dict[str, Any]:
    """Ask for a plan, let the job make it, and return it."""
    return a_plan_in_force(tools.database, tenant, site_id, **wish)


class TestFromTheRecord:
    def test_piles_that_stand_hold_their_bays_and_go_on_being_turned(
        self, tenant: Tenant, tools: Tools
    ) -> None:
        site = a_line(tenant, bays=1, time_zone="UTC")
        bay = tenant.get(f"/v1/sites/{site['id']}/bays")["items"][0]["id"]
        pile = a_pile(tenant, site["id"], label="old", bay_id=bay, built_at=ago(4), rules=["us-nop-windrow"])
        tenant.post(f"/v1/piles/{pile['id']}/events", {"kind": "turn", "at": ago(2)})
        plan = made(tools, tenant, site["id"], piles=[{"name": "new", "volume_m3": 1.0}])["plan"]
        old, new = (next(one for one in plan["piles"] if one["name"] == name) for name in ("old", "new"))
        turns = [one for one in plan["tasks"] if one["pile"] == "old" and one["task"] == "turn"]
        assert turns[0]["number"] == 2
        assert turns[-1]["number"] >= 5, "7 CFR 205.203(c)(2)(iii): turned five times at least"
        assert new["build_on"] >= old["hot_until"]

    def test_a_pile_set_aside_leaves_its_bay(self, tenant: Tenant, tools: Tools) -> None:
        site = a_line(tenant, bays=1, time_zone="UTC")
        bay = tenant.get(f"/v1/sites/{site['id']}/bays")["items"][0]["id"]
        pile = a_pile(tenant, site["id"], label="old", bay_id=bay, built_at=ago(4))
        tenant.post(f"/v1/piles/{pile['id']}/events", {"kind": "move", "at": ago(1), "purpose": "curing"})
        plan = made(tools, tenant, site["id"], piles=[{"name": "new", "volume_m3": 1.0}])["plan"]
        assert {one["name"]: one["build_on"] for one in plan["piles"]}["new"] == str(today())

    def test_one_without_a_pattern_is_named_and_its_bay_left_to_it(
        self, tenant: Tenant, tools: Tools
    ) -> None:
        site = a_line(tenant, bays=2, time_zone="UTC")
        bay = tenant.get(f"/v1/sites/{site['id']}/bays")["items"][0]
        a_pile(tenant, site["id"], label="old", bay_id=bay["id"], built_at=ago(4))
        piles = [{"name": "new", "volume_m3": 1.0, "pattern_code": "eighteen-days"}]
        plan = made(tools, tenant, site["id"], piles=piles, pattern=None)["plan"]
        assert "".join(plan["notes"]) == (
            f"pile 'old' has no pattern and is not planned, and its bay '{bay['label']}' is taken to be held"
            " throughout; give it a turning pattern"
        )
        (new,) = plan["piles"]
        assert new["bay"] != bay["label"]

    def test_stock_and_arrivals_limit_what_is_built(self, tenant: Tenant, tools: Tools) -> None:
        """Each pile takes 500 kg of straw: one lies there, the other's comes in ten days."""
        site = a_line(tenant, time_zone="UTC")
        piles = [{"name": "heap", "count": 2, "volume_m3": 1.0, "needs_kg": {"straw": 500}}]
        comes = str(today() + timedelta(10))
        arrivals = [{"feedstock": "straw", "on": comes, "kg": 500}]
        plan = made(tools, tenant, site["id"], piles=piles, stock_kg={"straw": 600}, arrivals=arrivals)[
            "plan"
        ]
        assert [one["build_on"] for one in plan["piles"]] == [str(today()), comes]

    def test_the_stock_book_is_read_and_a_recipe_tells_what_a_pile_takes(
        self, tenant: Tenant, tools: Tools
    ) -> None:
        site = a_line(tenant, time_zone="UTC")
        recipe = tenant.post(
            "/v1/recipes",
            {"name": "manure alone", "ingredients": [{"feedstock": "horse-manure", "mass_kg": 100}]},
        )
        tenant.post(
            f"/v1/sites/{site['id']}/stock/movements",
            {"kind": "count", "feedstock": "horse-manure", "at": ago(0), "mass_kg": 1},
        )
        piles = [{"name": "new", "volume_m3": 1.0, "recipe_id": recipe["id"]}]
        found = made(tools, tenant, site["id"], piles=piles)
        assert found["asked"]["wish"]["piles"][0]["needs_kg"]["horse-manure"] > 100
        (misfit,) = found["plan"]["misfits"]
        assert "of horse-manure and less than that arrives" in misfit["because"]

    def test_names_go_past_those_that_are_taken(self, tenant: Tenant, tools: Tools) -> None:
        site = a_line(tenant)
        a_pile(tenant, site["id"], label="heap 1")
        plan = made(tools, tenant, site["id"])
        assert [one["name"] for one in plan["plan"]["piles"]] == ["heap 2", "heap 3"]


class TestWhatIsRefused:
    @pytest.mark.parametrize(
        ("changes", "pointer"),
        [
            ({"days": 0}, "/days"),
            ({"days": 367}, "/days"),
            ({"pattern": None}, "/pattern_code"),
            ({"pattern_code": "eighteen-days"}, "/pattern_code"),
            ({"piles": [{"name": "a", "volume_m3": 1, "pattern_code": "nothing"}]}, "/piles/0/pattern_code"),
            ({"piles": [{"name": "a", "volume_m3": 1, "rule": "nothing"}]}, "/piles/0/rule"),
            (
                {"piles": [{"name": "a", "volume_m3": 1, "recipe_id": str(uuid.uuid4())}]},
                "/piles/0/recipe_id",
            ),
            ({"piles": [{"name": "a", "count": 150, "volume_m3": 1}] * 2}, "/piles"),
            ({"orders": [{"name": "x", "volume_m3": 1, "by": "2020-01-01"}]}, "/orders/0/by"),
        ],
    )
    def test_is_named_and_nothing_is_written(
        self, tenant: Tenant, changes: dict[str, Any], pointer: str
    ) -> None:
        site = a_line(tenant)
        body = {
            "days": 30,
            "pattern": {"rest_days": 2, "turn_every_days": 3, "last_turn_day": 5},
            "piles": [{"name": "a", "volume_m3": 1}],
        }
        answer = tenant.call("POST", f"/v1/sites/{site['id']}/plans", body | changes)
        assert answer.status_code == 422, answer.text
        assert answer.json()["errors"][0]["pointer"] == pointer
        assert tenant.get(f"/v1/sites/{site['id']}/plans")["items"] == []

    def test_a_site_without_work_days_or_bays(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        answer = tenant.call("POST", f"/v1/sites/{site['id']}/plans", {"days": 30})
        assert {one["pointer"] for one in answer.json()["errors"]} == {"/crew_min", "/bays"}

    def test_two_piles_that_stand_in_one_bay(self, tenant: Tenant) -> None:
        site = a_line(tenant, time_zone="UTC")
        bay = tenant.get(f"/v1/sites/{site['id']}/bays")["items"][0]
        for label in ("a", "b"):
            a_pile(tenant, site["id"], label=label, bay_id=bay["id"], built_at=ago(2))
        body = {"days": 30, "pattern_code": "eighteen-days"}
        answer = tenant.call("POST", f"/v1/sites/{site['id']}/plans", body)
        assert answer.status_code == 422
        assert f"'b' and 'a' both stand in bay '{bay['label']}'" in answer.json()["errors"][0]["detail"]


class TestAsking:
    def test_twice_under_one_key_is_asking_once(self, tenant: Tenant) -> None:
        site = a_line(tenant)
        body = {"days": 30}
        asked = [
            tenant.call("POST", f"/v1/sites/{site['id']}/plans", body, Idempotency_Key="once")
            for _ in range(2)
        ]
        assert [one.status_code for one in asked] == [202, 202]
        assert asked[0].json() == asked[1].json()
        assert asked[0].headers["Location"] == f"/v1/sites/{site['id']}/plans/{asked[0].json()['id']}"
        assert len(tenant.get(f"/v1/sites/{site['id']}/plans")["items"]) == 1

    def test_takes_write_and_a_key_of_that_site(self, tenant: Tenant) -> None:
        site, other = a_line(tenant), a_line(tenant)
        where = f"/v1/sites/{site['id']}/plans"
        assert tenant.call("POST", where, {"days": 9}, key=tenant.key_for("read")).status_code == 403
        elsewhere = tenant.key_for("read", "write", site_id=other["id"])
        assert tenant.call("POST", where, {"days": 9}, key=elsewhere).status_code == 404
        here = tenant.key_for("read", "write", site_id=site["id"])
        assert tenant.call("POST", where, {"days": 9}, key=here).status_code == 202
        assert tenant.call("GET", where, key=elsewhere).status_code == 404

    def test_one_that_waits_is_cancelled_at_once(self, tenant: Tenant, tools: Tools) -> None:
        plan = a_plan(tenant)
        where = f"/v1/sites/{plan['site_id']}/plans/{plan['id']}"
        assert tenant.post(f"{where}/cancel", None)["state"] == "cancelled"
        plan_site_line(tools, tenant.organisation_id, plan["id"])
        assert tenant.get(where)["plan"] is None

    def test_plans_that_are_not_done_cannot_be_compared(self, tenant: Tenant) -> None:
        plan = a_plan(tenant)
        where = f"/v1/sites/{plan['site_id']}/plans/{plan['id']}/changes?since={plan['id']}"
        assert tenant.call("GET", where).status_code == 409

    def test_a_schedule_of_no_days_is_refused(self, tenant: Tenant) -> None:
        site = a_line(tenant)
        answer = tenant.call("GET", f"/v1/sites/{site['id']}/schedule?from=2026-03-02&to=2026-03-02")
        assert answer.json()["errors"][0]["pointer"] == "/to"


class TestSeveralSites:
    def test_share_an_order_and_keep_their_parts_in_a_repair(self, tenant: Tenant, tools: Tools) -> None:
        """1.2 m3 of one-cubic-metre piles, 40 % left: three piles, of which no site has room for more than two."""
        sites = [a_line(tenant, bays=2, time_zone="UTC")["id"] for _ in range(2)]
        by = str(today() + timedelta(12))
        network = a_network(tenant, *sites, orders=[{"name": "garden", "volume_m3": 1.2, "by": by}])
        assert network["state"] == "waiting"
        plan_sites_together(tools, tenant.organisation_id, network["id"])
        done = tenant.get(f"/v1/plans/{network['id']}")
        assert (done["state"], done["unmet_m3"]) == ("done", {"garden": pytest.approx(0, abs=1e-6)})
        assert sum(one["volume_m3"] for one in done["parts"]) == pytest.approx(1.2)
        assert {one["site"] for one in done["parts"]} == set(sites)
        assert (done["gap_pct"], done["unmet_gap_pct"]) == (0, pytest.approx(0, abs=1e-6))
        assert "A linear programme gives the shared orders" in done["how"]
        asked = tenant.call("POST", f"/v1/sites/{sites[0]}/plans/repair", {}).json()
        plan_site_line(tools, tenant.organisation_id, asked["id"])
        mended = tenant.get(f"/v1/sites/{sites[0]}/plans/{asked['id']}")
        assert [one["name"] for one in mended["asked"]["wish"]["orders"]] == ["shared: garden"]
        assert mended["plan"]["moves"] == []

    def test_name_the_site_that_does_not_fit_and_write_nothing(self, tenant: Tenant) -> None:
        good, bad = a_line(tenant), a_site(tenant)
        a_bay(tenant, bad["id"])
        body = {"sites": [{"site_id": one["id"], "days": 30} for one in (good, bad)]}
        answer = tenant.call("POST", "/v1/plans", body)
        assert [one["pointer"] for one in answer.json()["errors"]] == ["/sites/1/crew_min"]
        assert tenant.get(f"/v1/sites/{good['id']}/plans")["items"] == []

    def test_are_named_once(self, tenant: Tenant) -> None:
        site = a_line(tenant)
        body = {"sites": [{"site_id": site["id"], "days": 30}] * 2}
        assert tenant.call("POST", "/v1/plans", body).json()["errors"][0]["pointer"] == "/sites/1/site_id"

    def test_an_order_that_is_past_is_refused(self, tenant: Tenant) -> None:
        order = {"name": "x", "volume_m3": 1, "by": "2020-01-01"}
        body = {"sites": [{"site_id": a_line(tenant)["id"], "days": 30}], "shared_orders": [order]}
        answer = tenant.call("POST", "/v1/plans", body)
        assert answer.json()["errors"][0]["pointer"] == "/shared_orders/0/by"

    def test_are_cancelled_together(self, tenant: Tenant) -> None:
        network = a_network(tenant)
        assert tenant.post(f"/v1/plans/{network['id']}/cancel", None)["state"] == "cancelled"
        assert tenant.call("POST", f"/v1/plans/{network['id']}/cancel").status_code == 409
