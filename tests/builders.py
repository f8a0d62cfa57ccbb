"""Small records for tests, made over HTTP as a caller would."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from tests.conftest import Tenant


def a_site(tenant: Tenant, **overrides: Any) -> dict[str, Any]:
    body = {"name": f"site {uuid.uuid4().hex[:8]}", "time_zone": "America/Chicago"} | overrides
    site: dict[str, Any] = tenant.post("/v1/sites", body)
    return site


def a_bay(tenant: Tenant, site_id: str, **overrides: Any) -> dict[str, Any]:
    body = {"label": f"bay {uuid.uuid4().hex[:8]}", "kind": "cage", "volume_m3": 1.5} | overrides
    bay: dict[str, Any] = tenant.post(f"/v1/sites/{site_id}/bays", body)
    return bay


def a_pile(tenant: Tenant, site_id: str | None = None, **overrides: Any) -> dict[str, Any]:
    site_id = site_id or a_site(tenant)["id"]
    body = {"site_id": site_id, "label": f"pile {uuid.uuid4().hex[:8]}"} | overrides
    pile: dict[str, Any] = tenant.post("/v1/piles", body)
    return pile


def a_probe(tenant: Tenant, **overrides: Any) -> dict[str, Any]:
    body = {"serial": f"PR-{uuid.uuid4().hex[:8]}"} | overrides
    probe: dict[str, Any] = tenant.post("/v1/probes", body)
    return probe


def a_placement(tenant: Tenant, probe_id: str, pile_id: str, **overrides: Any) -> dict[str, Any]:
    body = {"pile_id": pile_id, "position": "core-1", "from": at(0)} | overrides
    placement: dict[str, Any] = tenant.post(f"/v1/probes/{probe_id}/placements", body)
    return placement


START = datetime(2026, 5, 4, 14, tzinfo=UTC)


def at(hours: float) -> str:
    """Return an instant some hours after the tests' beginning of time."""
    return (START + timedelta(hours=hours)).isoformat()


def a_reading(serial: str, hours: float, value: float = 61.4, **overrides: Any) -> dict[str, Any]:
    return {
        "probe": serial,
        "observed_at": at(hours),
        "quantity": "temperature",
        "value": value,
        "unit": "Cel",
    } | overrides


def a_bag(*readings: dict[str, Any], **overrides: Any) -> dict[str, Any]:
    return {"readings": list(readings)} | overrides
