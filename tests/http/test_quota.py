"""How often a key may post: told before it is spent, refused with the time to come back."""

from collections.abc import Iterator

import http_sf
import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, Database, connect_engine
from tests.builders import a_bag, a_reading
from tests.conftest import Tenant, Urls


@pytest.fixture
def hurried(urls: Urls) -> Iterator[TestClient]:
    app = create_app(
        Settings(posts_per_minute=3), database=Database(connect_engine(urls.service, role=SERVICE_ROLE))
    )
    with TestClient(app, raise_server_exceptions=False) as opened:
        yield opened


def test_a_key_that_posts_too_often_is_told_when_to_come_back(tenant: Tenant, hurried: TestClient) -> None:
    """The fields are read by an RFC 9651 parser that is not ours."""
    headers = {"Authorization": f"Bearer {tenant.key}"}
    left = []
    for hour in range(4):
        answer = hurried.post("/v1/readings", json=a_bag(a_reading("PR-1", hour)), headers=headers)
        ((policy, parameters),) = http_sf.parse(answer.headers["RateLimit-Policy"].encode(), tltype="list")
        assert policy == "posts"
        assert (parameters["q"], parameters["w"]) == (3, 60)
        ((_, state),) = http_sf.parse(answer.headers["RateLimit"].encode(), tltype="list")
        left.append((answer.status_code, state["r"]))
    assert left == [(200, 2), (200, 1), (200, 0), (429, 0)]
    assert answer.json()["type"] == "/problems/quota-exceeded"
    assert int(answer.headers["Retry-After"]) >= state["t"]
    # What was refused was not kept; another key is not held up.
    fresh = {"Authorization": f"Bearer {tenant.key_for('ingest')}"}
    told = hurried.post("/v1/readings", json=a_bag(a_reading("PR-1", 3)), headers=fresh)
    assert told.json()["held"] == 1


def test_a_refused_post_counts_too(tenant: Tenant, hurried: TestClient) -> None:
    headers = {"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"}
    answers = [hurried.post("/v1/readings", content=b"junk", headers=headers).status_code for _ in range(4)]
    assert answers == [400, 400, 400, 429]
