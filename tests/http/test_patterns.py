"""Patterns of one's own, and plans and piles that use one by its code."""

from typing import Any

import pytest

from tests.builders import a_pile, a_site
from tests.conftest import Tenant
from tests.http.test_exchange import problem_of

PATH = "/v1/schedules/patterns"
WEEKLY = {"rest_days": 7, "turn_every_days": 7, "last_turn_day": 28}
COVER = {"kind": "cover", "with_task": "build", "say": "Cover it."}


def own(tenant: Tenant, code: str = "weekly", **more: Any) -> Any:
    return tenant.post(PATH, {"code": code, "title": "Weekly", "pattern": WEEKLY} | more)


def named(tenant: Tenant, **query: str) -> dict[str, Any]:
    asked = "&".join(f"{name}={value}" for name, value in query.items())
    return {one["code"]: one for one in tenant.get(f"{PATH}?{asked}")["items"]}


class TestOwnPatterns:
    def test_stand_beside_those_that_come_with_the_service(self, tenant: Tenant, other: Tenant) -> None:
        made = own(tenant, source="five seasons", pattern=WEEKLY | {"reminders": [COVER], "screen": True})
        found = named(tenant)
        assert found["weekly"] | {"created_at": made["created_at"]} == made
        assert (made["status"], made["source"], made["pattern"]["screen"]) == ("own", "five seasons", True)
        shipped = found["week-then-mon-wed-fri"]
        assert (shipped["id"], shipped["status"]) == (None, "common practice, no source")
        assert (shipped["pattern"]["curing_days"], shipped["curing_status"]) == (
            28,
            "common practice, no source",
        )
        assert {one["kind"] for one in shipped["pattern"]["reminders"]} == {"cover", "wet"}
        assert "weekly" not in named(other)
        assert tenant.get(f"{PATH}/{made['id']}") == made

    def test_are_changed_under_their_version(self, tenant: Tenant) -> None:
        made = own(tenant)
        path = f"{PATH}/{made['id']}"
        answer = tenant.call("PATCH", path, {"pattern": WEEKLY | {"last_turn_day": 35}}, If_Match='"1"')
        assert (answer.status_code, answer.headers["ETag"]) == (200, '"2"')
        assert tenant.get(path)["pattern"]["last_turn_day"] == 35
        problem_of(tenant.call("PATCH", path, {"title": "x"}, If_Match='"1"'), 412)
        problem_of(tenant.call("PATCH", path, {"title": "x"}), 428)

    def test_have_a_code_of_their_own(self, tenant: Tenant) -> None:
        own(tenant)
        body = {"code": "weekly", "title": "x", "pattern": WEEKLY}
        assert "another code" in problem_of(tenant.call("POST", PATH, body), 409)["detail"]
        body["code"] = "eighteen-days"
        assert "ships" in problem_of(tenant.call("POST", PATH, body), 409)["detail"]

    def test_of_one_site_are_for_that_site(self, tenant: Tenant) -> None:
        site, other = a_site(tenant), a_site(tenant)
        made = own(tenant, "hill", site_id=site["id"])
        own(tenant)
        assert {"hill", "weekly"} <= set(named(tenant, site_id=site["id"]))
        assert "hill" not in named(tenant, site_id=other["id"])
        a_pile(tenant, site["id"], pattern_code="hill")
        body = {"site_id": other["id"], "label": "x", "pattern_code": "hill"}
        assert (
            problem_of(tenant.call("POST", "/v1/piles", body), 422)["errors"][0]["pointer"] == "/pattern_code"
        )
        key = tenant.key_for("read", "write", site_id=other["id"])
        problem_of(tenant.call("GET", f"{PATH}/{made['id']}", key=key), 404)
        for_all = {"code": "mine", "title": "x", "pattern": WEEKLY}
        assert (
            problem_of(tenant.call("POST", PATH, for_all, key=key), 422)["errors"][0]["pointer"] == "/site_id"
        )
        weekly = named(tenant)["weekly"]["id"]
        problem_of(tenant.call("PATCH", f"{PATH}/{weekly}", {"title": "x"}, key=key, If_Match='"1"'), 403)

    @pytest.mark.parametrize(
        ("pattern", "pointer", "said"),
        [
            (WEEKLY | {"last_turn_day": 6}, "/pattern/last_turn_day", "inside the rest"),
            (WEEKLY | {"turn_on": ["mon"]}, "/pattern/turn_every_days", "leave one out"),
            ({"rest_days": 7, "last_turn_day": 28}, "/pattern/turn_on", "never turns"),
            (WEEKLY | {"rest_days": 0}, "/pattern/rest_days", "building is not a turn"),
            (WEEKLY | {"min_spacing_days": 8}, "/pattern/min_spacing_days", "give 7 or less"),
            (WEEKLY | {"done_on_day": 20}, "/pattern/done_on_day", "give 29 to 366"),
            (WEEKLY | {"reminders": [COVER | {"with_task": None}]}, "/pattern/reminders/0", "never comes"),
            (WEEKLY | {"reminders": [COVER | {"kind": "sing"}]}, "/pattern/reminders/0/kind", "sing"),
        ],
    )
    def test_one_that_cannot_be_turned_by_is_refused_with_the_reason(
        self, tenant: Tenant, pattern: dict[str, Any], pointer: str, said: str
    ) -> None:
        for method, path, body, headers in (
            ("POST", PATH, {"code": "odd", "title": "x", "pattern": pattern}, {}),
            ("PATCH", f"{PATH}/{own(tenant)['id']}", {"pattern": pattern}, {"If_Match": '"1"'}),
        ):
            problem = problem_of(tenant.call(method, path, body, **headers), 422)
            found = {error["pointer"]: error["detail"] for error in problem["errors"]}
            assert said in found[pointer]
        assert "odd" not in named(tenant)
        assert named(tenant)["weekly"]["pattern"]["last_turn_day"] == 28


class TestPilesByCode:
    def test_a_pile_takes_the_pattern_and_keeps_it_as_it_was(self, tenant: Tenant) -> None:
        made = own(tenant, pattern=WEEKLY | {"reminders": [COVER]})
        site = a_site(tenant, work_days=["mon", "tue", "wed", "thu", "fri", "sat", "sun"])
        pile = a_pile(tenant, site["id"], pattern_code="weekly")
        assert pile["pattern"] == made["pattern"]
        tenant.call(
            "PATCH", f"{PATH}/{made['id']}", {"pattern": WEEKLY | {"last_turn_day": 35}}, If_Match='"1"'
        )
        path = f"/v1/piles/{pile['id']}"
        assert tenant.get(path)["pattern"]["last_turn_day"] == 28
        assert [one["reminder"]["say"] for one in tenant.get(f"{path}/schedule")["reminders"]] == [
            "Cover it."
        ]
        changed = tenant.call("PATCH", path, {"pattern_code": "eighteen-days"}, If_Match='"1"')
        assert changed.json()["pattern"]["turn_every_days"] == 2

    @pytest.mark.parametrize(
        "more", [{"pattern_code": "nobodys"}, {"pattern_code": "eighteen-days", "pattern": WEEKLY}]
    )
    def test_an_unknown_code_or_two_patterns_are_refused(self, tenant: Tenant, more: dict[str, Any]) -> None:
        body = {"site_id": a_site(tenant)["id"], "label": "x"} | more
        problem = problem_of(tenant.call("POST", "/v1/piles", body), 422)
        assert problem["errors"][0]["pointer"] == "/pattern_code"
        assert tenant.get("/v1/piles")["items"] == []
