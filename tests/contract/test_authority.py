"""Every operation of the document, with no key, with every wrong scope, and as another organisation.

The operations come from the OpenAPI document: a new one fails here until it is in the table.
"""

from datetime import UTC, datetime
from typing import Any

import pytest

from service.app import create_app
from service.settings import Settings
from service.storage.database import Database, connect_engine
from tests.builders import (
    a_bay,
    a_network,
    a_pile,
    a_placement,
    a_plan,
    a_probe,
    a_profile,
    a_quarantined_message,
    a_site,
    an_import,
)
from tests.conftest import Tenant

PUBLIC = {"livez", "readyz", "healthz", "metrics", "explain_problem", "read_calendar_feed"}
SCOPE = {
    **dict.fromkeys(
        (
            "list_sites", "get_site", "list_bays", "get_bay", "list_feedstocks", "get_feedstock", "list_analyses",
            "get_figures",
            "list_library", "list_recipes", "get_recipe", "evaluate_recipe", "assess_compost", "get_after",
            "solve_recipe",
            "plan_schedule",
            "estimate_chances", "solve_recipe_robustly",
            "list_patterns", "check_compliance", "list_rules", "get_rule", "list_piles", "get_pile", "list_events",
            "list_readings", "list_probe_readings", "list_latest_readings", "get_status", "get_schedule",
            "get_compliance", "get_evidence", "get_evidence_pdf", "get_curve", "list_verdicts", "list_probes",
            "get_probe", "reproduce_verdict",
            "list_placements", "get_placement", "list_gateways", "get_gateway", "get_organisation",
            "list_calibrations", "list_corrections", "list_profiles", "get_profile", "try_profile", "list_quarantine",
            "get_quarantined", "list_units", "get_checkpoint", "get_proof", "get_consistency",
            "make_build_sheet", "make_build_sheet_text", "make_build_sheet_pdf", "get_build_sheet",
            "get_build_sheet_text", "get_build_sheet_pdf",
            "list_movements", "get_stock", "get_stock_outlook", "get_sizes",
            "get_today",
            "plan_line_of_piles", "get_network_plan", "list_plans", "get_plan", "get_plan_changes", "get_site_schedule",
            "remedy_pile", "get_remedy",
            "get_calendar", "get_calendar_days", "get_reliability", "get_holidays", "get_pattern",
        ),
        "read",
    ),
    **dict.fromkeys(
        (
            "create_rule", "create_site", "change_site", "create_bay", "change_bay", "create_feedstock",
            "change_feedstock",
            "create_analysis", "create_recipe", "change_recipe", "create_pile", "change_pile", "create_event",
            "issue_verdict", "create_probe", "change_probe", "create_placement", "change_placement",
            "create_gateway", "change_gateway", "create_calibration", "create_correction", "create_profile",
            "change_profile", "create_movement", "create_plan", "repair_plan", "cancel_plan", "create_network_plan",
            "cancel_network_plan",
            "complete_item", "create_today_link", "put_calendar", "create_pattern", "change_pattern",
        ),
        "write",
    ),
    "post_readings": "ingest",
    "cancel_import": "ingest",
    "get_stream": "ingest",
    **dict.fromkeys(("list_imports", "get_import", "list_import_refusals"), "read or ingest"),
    **dict.fromkeys(
        ("create_calendar_feed", "list_calendar_feeds", "revoke_calendar_feed"), "write or admin"
    ),
    **dict.fromkeys(
        (
            "change_organisation", "create_key", "list_keys", "revoke_key", "create_gateway_key", "list_gateway_keys",
        ),
        "admin",
    ),
}  # fmt: skip
UNPAGED = {"list_library", "list_patterns", "list_rules", "list_units"}
"""What the service ships, whole."""
SCOPES = ("read", "write", "ingest", "admin")


def _operations() -> list[tuple[str, str, str, dict[str, Any]]]:
    nowhere = Database(connect_engine("postgresql://nobody@localhost:1/none"))
    document = create_app(Settings(), database=nowhere).openapi()
    return [
        (operation["operationId"], method.upper(), path, operation)
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
    ]


OPERATIONS = _operations()
KEYED = [(name, method, path) for name, method, path, _ in OPERATIONS if name not in PUBLIC]


def test_every_operation_is_in_the_table() -> None:
    assert {name for name, *_ in OPERATIONS} == PUBLIC | set(SCOPE)


def test_operation_ids_are_unique() -> None:
    names = [name for name, *_ in OPERATIONS]
    assert len(names) == len(set(names))


@pytest.mark.parametrize(("name", "method", "path", "operation"), OPERATIONS, ids=[o[0] for o in OPERATIONS])
def test_the_document_says_which_need_a_key_and_how_each_refuses(
    name: str, method: str, path: str, operation: dict[str, Any]
) -> None:
    assert bool(operation.get("security")) == (name not in PUBLIC), (method, path)
    assert "422" not in operation["responses"]
    for status in ("4XX", "5XX"):
        assert "application/problem+json" in operation["responses"][status]["content"]
    if method == "GET" and name.startswith("list_") and name not in UNPAGED:
        assert {"limit", "after"} <= {parameter["name"] for parameter in operation["parameters"]}


@pytest.fixture
def ids(tenant: Tenant, database: Database) -> dict[str, str]:
    """One record of everything."""
    site = a_site(tenant)
    bay = a_bay(tenant, site["id"])
    pile = a_pile(tenant, site["id"])
    probe = a_probe(tenant)
    placement = a_placement(tenant, probe["id"], pile["id"])
    feedstock = tenant.post("/v1/feedstocks", {"code": "leaves", "name": "Leaves"})
    recipe = tenant.post(
        "/v1/recipes", {"name": "mix", "ingredients": [{"feedstock": "leaves", "mass_kg": 10}]}
    )
    gateway = tenant.post("/v1/gateways", {"name": "north"})
    profile = tenant.post("/v1/profiles", a_profile())
    return {
        "site_id": site["id"],
        "bay_id": bay["id"],
        "pile_id": pile["id"],
        "verdict_id": tenant.post(f"/v1/piles/{pile['id']}/verdicts", {"rule": "us-nop-windrow"})["id"],
        "probe_id": probe["id"],
        "placement_id": placement["id"],
        "feedstock_id": feedstock["id"],
        "recipe_id": recipe["id"],
        "gateway_id": gateway["id"],
        "profile_id": profile["id"],
        "import_id": an_import(tenant)["id"],
        "message_id": a_quarantined_message(database, tenant),
        "key_id": tenant.get("/v1/keys")["items"][0]["id"],
        "plan_id": a_plan(tenant)["id"],
        "network_id": a_network(tenant)["id"],
        "item_id": f"{datetime.now(UTC).date()}.check.{pile['id'].replace('-', '')}",
        "rule_id": "us-nop-windrow",
        "feed_id": tenant.post(f"/v1/sites/{site['id']}/calendar-feeds", {"label": "phone"})["id"],
        "key": "spring",
        "pattern_id": tenant.post(
            "/v1/schedules/patterns",
            {
                "code": "weekly",
                "title": "Weekly",
                "pattern": {"rest_days": 7, "turn_every_days": 7, "last_turn_day": 28},
            },
        )["id"],
    }


@pytest.mark.parametrize(("name", "method", "path"), KEYED, ids=[o[0] for o in KEYED])
def test_no_operation_answers_without_its_scope(
    name: str, method: str, path: str, ids: dict[str, str], tenant: Tenant
) -> None:
    where = path.format(**ids)
    body = None if method == "GET" else {}
    assert tenant.client.request(method, where, json=body).status_code == 401
    made_up = tenant.call(method, where, body, key="hlk_1_0000000000_" + "0" * 72)
    assert made_up.status_code == 401
    for scope in SCOPES:
        answer = tenant.call(method, where, body, key=tenant.key_for(scope), If_Match='"999"')
        is_refused = scope not in SCOPE[name].split(" or ")
        assert (answer.status_code == 403) == is_refused, (scope, answer.status_code, answer.text)


VALID = {
    "change_site": {"climate": "dry"},
    "create_bay": {"label": "x", "kind": "cage", "volume_m3": 1},
    "change_bay": {"label": "y"},
    "change_feedstock": {"name": "y"},
    "create_analysis": {"sampled_on": "2026-05-04", "method": "oven", "moisture_pct": 40},
    "change_recipe": {"name": "y"},
    "change_pile": {"label": "y"},
    "create_event": {"kind": "turn", "at": "2026-05-04T09:00:00Z"},
    "issue_verdict": {"rule": "us-nop-windrow"},
    "change_probe": {"note": "y"},
    "change_placement": {"position": "y"},
    "change_gateway": {"name": "y"},
    "create_gateway_key": {"name": "y"},
    "change_profile": {"name": "y"},
    "create_calibration": {
        "calibrated_at": "2026-05-04T09:00:00Z",
        "method": "ice_bath",
        "reference_c": 0,
        "shown_c": 0.4,
    },
    "create_correction": {
        "kind": "exclude",
        "from": "2026-05-04T09:00:00Z",
        "to": "2026-05-05T09:00:00Z",
        "reason": "x",
    },
    "create_movement": {
        "kind": "delivery",
        "feedstock": "horse-manure",
        "at": "2026-05-04T09:00:00Z",
        "mass_kg": 100,
    },
    "create_plan": {"days": 30},
    "repair_plan": {},
    "put_calendar": {"week": {"mon": [{"people": 2, "hours": 3}]}},
    "change_pattern": {"title": "y"},
    "complete_item": {"at": "2026-05-04T09:00:00Z"},
    "create_today_link": {},
    "revoke_key": None,
    "create_calendar_feed": {"label": "y"},
    "revoke_calendar_feed": None,
}
QUERY = {
    "get_stock_outlook": "?recipe_id={recipe_id}&on=2126-05-04",
    "get_calendar_days": "?from=2026-03-02&to=2026-03-09",
    "get_reliability": "?from=2026-03-02&to=2026-03-09",
    "get_plan_changes": "?since={plan_id}",
    "get_site_schedule": "?from=2026-03-02&to=2026-03-09",
    "get_remedy": "?symptom=too_dry",
}
BY_ID = [(name, method, path) for name, method, path in KEYED if "{" in path and "{rule_id}" not in path]


@pytest.mark.parametrize(("name", "method", "path"), BY_ID, ids=[o[0] for o in BY_ID])
def test_another_organisations_record_is_as_good_as_absent(
    name: str, method: str, path: str, ids: dict[str, str], other: Tenant
) -> None:
    if name == "create_placement":
        VALID[name] = {"pile_id": ids["pile_id"], "position": "x", "from": "2026-05-04T09:00:00Z"}
    where = (path + QUERY.get(name, "")).format(**ids)
    answer = other.call(method, where, VALID.get(name), If_Match='"1"')
    assert answer.status_code == 404, answer.text
    assert answer.json()["type"] == "/problems/not-found"


@pytest.mark.parametrize("name", [name for name in SCOPE if name.startswith("list_")])
def test_lists_show_ones_own(name: str, ids: dict[str, str], other: Tenant) -> None:
    """An organisation with nothing sees nothing, whatever others have."""
    path = next(path for one, _, path in KEYED if one == name)
    if "{" in path or name in UNPAGED:
        return
    items = other.get(path)["items"]
    assert not {item["id"] for item in items} & set(ids.values())
