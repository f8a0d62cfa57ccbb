"""Each example of a request body in the OpenAPI document is sent to the service and taken."""

import json
from typing import Any

import pytest

from service.app import create_app
from service.settings import Settings
from service.storage.database import Database, connect_engine
from tests.builders import a_line, a_plan_in_force
from tests.conftest import Tenant

NOWHERE = "01890a5d-ac96-774b-bcce-b302099a8057"
"""The id that stands in examples for one of the caller's own."""


def _examples() -> list[tuple[str, Any]]:
    nowhere = Database(connect_engine("postgresql://nobody@localhost:1/none"))
    document = create_app(Settings(), database=nowhere).openapi()
    found = []
    for path, methods in document["paths"].items():
        body = methods.get("post", {}).get("requestBody", {}).get("content", {}).get("application/json", {})
        name = body.get("schema", {}).get("$ref", "").rsplit("/", 1)[-1]
        found += [(path, one) for one in document["components"]["schemas"].get(name, {}).get("examples", ())]
    return found


EXAMPLES = _examples()


def test_the_main_bodies_have_examples() -> None:
    assert {path for path, _ in EXAMPLES} >= {
        "/v1/recipes/evaluate", "/v1/recipes/solve", "/v1/schedules/plan", "/v1/compliance/check", "/v1/readings",
        "/v1/sites", "/v1/feedstocks", "/v1/recipes", "/v1/gateways", "/v1/probes", "/v1/keys",
    }  # fmt: skip


@pytest.mark.parametrize(("path", "body"), EXAMPLES, ids=[path for path, _ in EXAMPLES])
def test_is_taken(path: str, body: Any, tenant: Tenant, database: Database) -> None:
    """An address or a body that names a site names one that has bays; what mends a plan finds one to mend."""
    if "site_id" in f"{path} {body}":
        site_id = a_line(tenant)["id"]
        if path.endswith("/repair"):
            a_plan_in_force(database, tenant, site_id)
        path = path.replace("{site_id}", site_id)
        body = json.loads(json.dumps(body).replace(NOWHERE, site_id))
    assert "{" not in path, "say in this test what such an address is to name"
    answer = tenant.call("POST", path, body)
    assert answer.status_code in {200, 201, 202}, answer.text
