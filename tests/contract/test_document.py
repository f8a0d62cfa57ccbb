"""The OpenAPI document: valid, as committed, with working examples."""

import json
from pathlib import Path
from typing import Any

import pytest
from openapi_spec_validator import validate

from service.app import create_app
from service.settings import Settings
from service.storage.database import Database, connect_engine

COMMITTED = Path(__file__).parents[2] / "openapi-examples" / "openapi.json"


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    nowhere = Database(connect_engine("postgresql://nobody@localhost:1/none"))
    made: dict[str, Any] = create_app(Settings(), database=nowhere).openapi()
    return json.loads(json.dumps(made))  # type: ignore[no-any-return]


def test_is_valid_openapi_3_1(document: dict[str, Any]) -> None:
    """Outside check: openapi-spec-validator against the OpenAPI Initiative's own schema."""
    assert document["openapi"].startswith("3.1")
    validate(document)


def test_is_the_committed_one(document: dict[str, Any]) -> None:
    """A change of the contract is seen in review: renew with ``heapledger openapi``."""
    assert json.loads(COMMITTED.read_text()) == document


def test_says_what_each_answer_is(document: dict[str, Any]) -> None:
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            good = [status for status in operation["responses"] if status.startswith("2")]
            assert good, (path, method)
            for status in good:
                for media in operation["responses"][status]["content"].values():
                    assert media.get("schema"), (path, method, status)
