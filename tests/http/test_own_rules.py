"""Rules an organisation writes itself: checked when written, versioned, judged like any other."""

import copy
from typing import Any

import pytest

from service.http.compliance import RuleDocument
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
