"""An organisation as its own keys see it, and how long it keeps readings."""

from typing import Any

import pytest

from tests.builders import a_site
from tests.conftest import Tenant

PATH = "/v1/organisation"


def test_it_is_ones_own(tenant: Tenant, other: Tenant) -> None:
    shown = tenant.get(PATH)
    assert (shown["organisation_id"], shown["name"]) == (tenant.organisation_id, tenant.name)
    assert shown["keep_readings_months"] is None
    assert shown["created_at"].endswith("Z")
    assert other.get(PATH)["organisation_id"] == other.organisation_id


def test_the_policy_is_changed_and_taken_back(tenant: Tenant, other: Tenant) -> None:
    before = tenant.get(PATH)
    changed = tenant.call("PATCH", PATH, {"keep_readings_months": 12})
    assert changed.status_code == 200
    assert changed.json() == tenant.get(PATH) == before | {"keep_readings_months": 12}
    assert tenant.call("PATCH", PATH, {}).json()["keep_readings_months"] == 12
    assert tenant.call("PATCH", PATH, {"keep_readings_months": None}).json() == before
    assert other.get(PATH)["keep_readings_months"] is None


@pytest.mark.parametrize("value", [11, 0, -12, 12.5, "12", True, 1201, 10**12])
def test_too_short_or_no_number_is_refused_by_name(tenant: Tenant, value: Any) -> None:
    answer = tenant.call("PATCH", PATH, {"keep_readings_months": value})
    assert answer.status_code == 422, answer.text
    assert answer.json()["errors"][0]["pointer"] == "/keep_readings_months"
    assert tenant.get(PATH)["keep_readings_months"] is None


@pytest.mark.parametrize("member", ["name", "organisation_id", "created_at", "keep_months"])
def test_nothing_else_is_changed(tenant: Tenant, member: str) -> None:
    answer = tenant.call("PATCH", PATH, {member: 24})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == f"/{member}"


def test_a_key_for_one_site_reads_and_changes_nothing(tenant: Tenant) -> None:
    key = tenant.key_for("read", "admin", site_id=a_site(tenant)["id"])
    assert tenant.get(PATH, key=key)["name"] == tenant.name
    answer = tenant.call("PATCH", PATH, {"keep_readings_months": 12}, key=key)
    assert answer.status_code == 403
    assert "whole organisation" in answer.json()["detail"]
    assert tenant.get(PATH)["keep_readings_months"] is None
