"""Small records for tests, made over HTTP as a caller would."""

import threading
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

from service.jobs.plans import plan_site_line
from service.jobs.tasks import Tools
from service.settings import Settings
from service.storage.database import Database
from service.storage.gateways import put_quarantined
from service.storage.tables import QuarantinedMessageRow
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


def a_gateway(tenant: Tenant, **overrides: Any) -> dict[str, Any]:
    body = {"name": f"gateway {uuid.uuid4().hex[:8]}"} | overrides
    gateway: dict[str, Any] = tenant.post("/v1/gateways", body)
    return gateway


def a_profile(**overrides: Any) -> dict[str, Any]:
    """Return the body of a table profile with its sample: a logger that writes as many do in Europe."""
    definition = {
        "delimiter": ";",
        "decimal_comma": True,
        "observed_at": {"columns": ["Date", "Time"]},
        "time_format": "%d.%m.%Y %H:%M",
        "time_zone": "Europe/Lisbon",
        "probe": {"constant": "PR-0042"},
        "quantity": {"constant": "temperature"},
        "unit": {"constant": "Cel"},
        "value": {"column": "Core"},
    }
    sample = "Date;Time;Core\n04.05.2026;09:00;57,2\n04.05.2026;10:00;57,9\n"
    return (
        {"name": f"logger {uuid.uuid4().hex[:8]}", "kind": "table"}
        | {
            "definition": definition,
            "sample": sample,
        }
        | overrides
    )


def a_quarantined_message(database: Database, tenant: Tenant, **overrides: Any) -> str:
    """Keep a message nobody could read, as the bridge does; there is no other way in."""
    values: dict[str, Any] = {
        "organisation_id": tenant.organisation_id,
        "gateway": "north",
        "topic": f"heapledger/{tenant.organisation_id}/north/readings",
        "media_type": "application/json",
        "body": b"\x00not json",
        "reason": "not JSON: malformed",
    } | overrides
    row = QuarantinedMessageRow(**values)
    with database.begin(tenant.organisation_id) as session:
        put_quarantined(session, row)
    return str(row.id)


def an_import(tenant: Tenant) -> dict[str, Any]:
    """Post a file of one line that is no reading, to be read later."""
    answer = tenant.call(
        "POST", "/v1/readings", {}, Prefer="respond-async", Content_Type="application/x-ndjson"
    )
    assert answer.status_code == 202, answer.text
    made: dict[str, Any] = answer.json()
    return made


def a_line(tenant: Tenant, bays: int = 2, **overrides: Any) -> dict[str, Any]:
    """Return a site with a crew every day and some bays."""
    week = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
    site = a_site(tenant, **{"work_days": week} | overrides)
    for number in range(1, bays + 1):
        a_bay(tenant, site["id"], label=f"bay {number}")
    return site


THIRD_DAYS = {"rest_days": 2, "turn_every_days": 3, "last_turn_day": 5, "curing_days": 3}
"""Turned on days 2 and 5; cool on day 8, ready on day 11."""


def a_plan(tenant: Tenant, site_id: str | None = None, **overrides: Any) -> dict[str, Any]:
    """Ask for a plan of a site's line, to be searched for by a job."""
    site_id = site_id or a_line(tenant)["id"]
    body = {
        "days": 30,
        "pattern": THIRD_DAYS,
        "piles": [{"name": "heap", "count": 2, "volume_m3": 1.0}],
        "within_s": 3,
    } | overrides
    answer = tenant.call("POST", f"/v1/sites/{site_id}/plans", body)
    assert answer.status_code == 202, answer.text
    plan: dict[str, Any] = answer.json()
    return plan


def a_network(tenant: Tenant, *site_ids: str, orders: Any = (), **site: Any) -> dict[str, Any]:
    """Ask for plans of several sites together, each with three spare piles."""
    wish = {
        "days": 30,
        "pattern": THIRD_DAYS,
        "piles": [{"name": "heap", "count": 3, "volume_m3": 1.0, "is_spare": True}],
    } | site
    sites = [{"site_id": one, **wish} for one in site_ids or [a_line(tenant)["id"]]]
    body = {"sites": sites, "shared_orders": list(orders), "within_s": 8}
    answer = tenant.call("POST", "/v1/plans", body)
    assert answer.status_code == 202, answer.text
    made: dict[str, Any] = answer.json()
    return made


def a_plan_in_force(
    database: Database, tenant: Tenant, site_id: str | None = None, **overrides: Any
) -> dict[str, Any]:
    """Ask for a plan, run its job, and return it as it is on record."""
    asked = a_plan(tenant, site_id, **overrides)
    plan_site_line(Tools(database, None, threading.Event(), Settings()), tenant.organisation_id, asked["id"])
    found: dict[str, Any] = tenant.get(f"/v1/sites/{asked['site_id']}/plans/{asked['id']}")
    assert found["state"] == "done", found["problem"]
    return found
