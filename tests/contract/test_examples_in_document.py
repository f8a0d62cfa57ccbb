"""Each example of a request body in the OpenAPI document is sent to the service and taken."""

from typing import Any

import pytest

from service.app import create_app
from service.settings import Settings
from service.storage.database import Database, connect_engine
from tests.conftest import Tenant


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
def test_is_taken(path: str, body: Any, tenant: Tenant) -> None:
    answer = tenant.call("POST", path, body)
    assert answer.status_code in {200, 201}, answer.text
