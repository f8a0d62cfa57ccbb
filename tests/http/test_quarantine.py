"""Messages nobody could read: listed with their beginning, one by one whole."""

import base64
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.storage.database import Database
from tests.builders import a_quarantined_message, a_site
from tests.conftest import Tenant
from tests.http.test_exchange import problem_of
from tests.http.test_gateways import pointers

SECOND = timedelta(seconds=1)


class TestQuarantine:
    def test_shows_messages_as_they_came_and_in_that_order(self, tenant: Tenant, database: Database) -> None:
        start = datetime(2026, 5, 4, tzinfo=UTC)
        ids = [
            a_quarantined_message(
                database, tenant, received_at=start + number * SECOND, body=bytes([number, 0, 255])
            )
            for number in range(5)
        ]
        seen: list[dict[str, Any]] = []
        after = ""
        while True:
            found = tenant.get(f"/v1/quarantine?limit=2{after}")
            seen += found["items"]
            if found["next"] is None:
                break
            after = f"&after={found['next']}"
        assert [one["id"] for one in seen] == ids
        assert [base64.b64decode(one["body"], validate=True) for one in seen] == [
            bytes([number, 0, 255]) for number in range(5)
        ]
        assert {one["reason"] for one in seen} == {"not JSON: malformed"}
        assert tenant.get(f"/v1/quarantine/{ids[3]}") == seen[3]

    def test_a_long_one_is_whole_only_by_itself(self, tenant: Tenant, database: Database) -> None:
        body = bytes(range(256)) * 1000
        message = a_quarantined_message(database, tenant, body=body)
        (listed,) = tenant.get("/v1/quarantine")["items"]
        assert base64.b64decode(listed["body"]) == body[:65_536]
        assert listed["body_bytes"] == len(body)
        assert base64.b64decode(tenant.get(f"/v1/quarantine/{message}")["body"]) == body

    def test_of_one_gateway(self, tenant: Tenant, database: Database) -> None:
        a_quarantined_message(database, tenant, gateway="north")
        south = a_quarantined_message(database, tenant, gateway="south")
        assert [one["id"] for one in tenant.get("/v1/quarantine?gateway=south")["items"]] == [south]

    def test_is_the_whole_organisations_and_nobody_elses(
        self, tenant: Tenant, other: Tenant, database: Database
    ) -> None:
        message = a_quarantined_message(database, tenant)
        key = tenant.key_for("read", site_id=a_site(tenant)["id"])
        for path in ("/v1/quarantine", f"/v1/quarantine/{message}"):
            problem_of(tenant.call("GET", path, key=key), 403)
        assert other.get("/v1/quarantine")["items"] == []
        problem_of(other.call("GET", f"/v1/quarantine/{message}"), 404)

    @pytest.mark.parametrize("query", ["limit=101", "limit=0", "after=x"])
    def test_a_wrong_query_is_named(self, tenant: Tenant, query: str) -> None:
        assert pointers(tenant.call("GET", f"/v1/quarantine?{query}")) == {"/" + query.partition("=")[0]}
