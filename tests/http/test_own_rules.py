"""Rules an organisation writes itself: checked when written, versioned, judged like any other."""

import copy
from typing import Any

import pytest

from service.domain.compliance import RULES
from service.http.rules import RuleDocument
from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant

PERMIT: dict[str, Any] = RuleDocument.model_config["json_schema_extra"]["examples"][0]  # type: ignore[index,call-overload,assignment]


def permit(**changes: Any) -> dict[str, Any]:
    return copy.deepcopy(PERMIT) | changes


def test_a_pile_is_judged_by_it(tenant: Tenant) -> None:
    written = tenant.post("/v1/rules", permit())
    assert (written["number"], written["text_status"]) == (1, "read")
    probe = a_probe(tenant)
    pile = a_pile(tenant, built_at=at(0), rules=["permit-yard-3"])["id"]
    a_placement(tenant, probe["id"], pile)
    readings = [a_reading(probe["serial"], hour, 61 + hour % 4) for hour in range(50)]
    tenant.post("/v1/readings", a_bag(*readings[:48]))
    path = f"/v1/piles/{pile}"
    (before,) = tenant.get(f"{path}/compliance")["items"]
    tenant.post("/v1/readings", a_bag(*readings[48:]))
    (after,) = tenant.get(f"{path}/compliance")["items"]
    assert (before["state"], after["state"]) == ("under_way", "met")
    assert after["rule"]["version"] == written["version"]
    assert tenant.get(f"{path}/status")["verdicts"][0]["state"] == "met"
    issued = tenant.post(f"{path}/verdicts", {"rule": "permit-yard-3"})
    assert issued["verdict"]["rule"]["version"] == written["version"]


def test_its_text_is_never_edited_a_new_version_stands_beside_it(tenant: Tenant) -> None:
    first = tenant.post("/v1/rules", permit())
    same = tenant.post("/v1/rules", permit())
    assert (same["number"], same["version"]) == (1, first["version"])
    changed = permit()
    changed["holds"][0]["duration_h"] = 72
    second = tenant.post("/v1/rules", changed)
    assert (second["number"], second["version"] == first["version"]) == (2, False)
    assert tenant.get("/v1/rules/permit-yard-3")["version"] == second["version"]


@pytest.mark.parametrize(
    ("change", "pointer"),
    [
        ({"holds": []}, "/"),
        ({"id": "Not An Id"}, "/id"),
        ({"colour": "red"}, "/colour"),
        ({"text_status": "sworn"}, "/text_status"),
    ],
)
def test_one_that_does_not_fit_is_refused_by_key(
    tenant: Tenant, change: dict[str, Any], pointer: str
) -> None:
    answer = tenant.call("POST", "/v1/rules", permit(**change))
    assert answer.status_code == 422, answer.text
    assert any(error["pointer"].startswith(pointer) for error in answer.json()["errors"])


def test_a_published_rule_cannot_be_rewritten(tenant: Tenant) -> None:
    answer = tenant.call("POST", "/v1/rules", permit(id="us-nop-windrow"))
    assert answer.status_code == 409


def test_it_is_the_organisations_own(tenant: Tenant, other: Tenant) -> None:
    tenant.post("/v1/rules", permit())
    assert other.call("GET", "/v1/rules/permit-yard-3").status_code == 404
    site = a_site(other)["id"]
    refused = other.call("POST", "/v1/piles", {"site_id": site, "label": "x", "rules": ["permit-yard-3"]})
    assert refused.status_code == 422
    limited = other.key_for("write", site_id=site)
    assert other.call("POST", "/v1/rules", permit(), key=limited).status_code == 403


def test_a_schedule_is_planned_under_it(tenant: Tenant, other: Tenant) -> None:
    """The permit asks for three days between turnings; a pattern of every second day breaks it."""
    turns = {"minimum": 3, "window": "any", "spacing_h": 72}
    tenant.post("/v1/rules", permit(turns=turns))
    plan = {
        "time_zone": "Europe/Lisbon",
        "build_on": "2026-03-02",
        "work_days": ["mon", "tue", "wed", "thu", "fri", "sat", "sun"],
        "pattern": {"rest_days": 2, "turn_every_days": 2, "last_turn_day": 14},
        "rule": "permit-yard-3",
    }
    hurried = tenant.post("/v1/schedules/plan", plan)
    assert hurried["state"] == "cannot_be_kept"
    assert any("Permit 2026-17, condition 4" in one["because"] for one in hurried["misfits"])
    calm = tenant.post("/v1/schedules/plan", plan | {"pattern": plan["pattern"] | {"turn_every_days": 3}})
    assert calm["state"] == "planned"
    refused = other.call("POST", "/v1/schedules/plan", plan)
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == "/rule"


def test_every_rule_is_listed_with_how_its_text_was_read(tenant: Tenant) -> None:
    tenant.post("/v1/rules", permit())
    listed = {one["id"]: one["text_status"] for one in tenant.get("/v1/rules")["items"]}
    assert len(listed) == len(RULES) + 1 == 39
    assert listed["us-ny-windrow"] == "read"
    assert listed["us-503-pfrp-windrow"] == "unverified"
    assert listed["us-fda-turned"] == "second-hand"
    assert set(listed.values()) == {"read", "second-hand", "unverified"}


def test_a_rule_that_asks_for_no_heat_reports_none(tenant: Tenant) -> None:
    """21 CFR 112.55(b) is a laboratory's: hours asked are not 0, there are none."""
    body = {"rule": "us-fda-lab-b", "time_zone": "UTC", "readings": [], "judged_at": at(0)}
    found = tenant.post("/v1/compliance/check", body)
    figures = ("held_h", "held_days", "required_h", "required_days", "hot_h")
    assert [found[name] for name in figures] == [None] * 5
    pile = a_pile(tenant, built_at=at(0), rules=["us-fda-lab-b"])["id"]
    (standing,) = tenant.get(f"/v1/piles/{pile}/status")["verdicts"]
    assert (standing["held_days"], standing["required_days"]) == (None, None)


def test_the_mean_governs_only_where_a_plan_is_named(tenant: Tenant) -> None:
    """USDA APHIS: 'Temperature measurements from windrows may be averaged'; two hot positions hide the cold one."""
    readings = [
        {"position": position, "observed_at": at(hour), "temperature_c": value}
        for hour in range(73)
        for position, value in (("north", 61.0), ("core", 61.0), ("south", 54.0))
    ]
    body = {
        "rule": "us-503-pfrp-asp",
        "time_zone": "UTC",
        "readings": readings,
        "judged_at": at(72),
    }
    assert tenant.post("/v1/compliance/check", body)["state"] == "under_way"
    averaged = tenant.post("/v1/compliance/check", body | {"averaged_by": "plan 7"})
    assert averaged["state"] == "met"
    assert "as plan 7 permits" in averaged["note"]
