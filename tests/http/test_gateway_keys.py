"""A gateway's own keys: two live at most, one taking over from the other without a gap."""

import re
import threading
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import text

from service.storage.database import Database
from tests.builders import a_bag, a_gateway, a_probe, a_reading, a_site
from tests.conftest import Tenant
from tests.http.test_exchange import problem_of
from tests.http.test_gateways import pointers


def make_key(tenant: Tenant, gateway: dict[str, Any], **overrides: Any) -> dict[str, Any]:
    made: dict[str, Any] = tenant.post(f"/v1/gateways/{gateway['id']}/keys", {"name": "a"} | overrides)
    return made


class TestKeysOfItsOwn:
    def test_can_send_and_nothing_else(self, tenant: Tenant) -> None:
        """OWASP API Security Top 10 (2023), API5, function-level authorization: a gateway's key can't read."""
        gateway = a_gateway(tenant)
        made = make_key(tenant, gateway)
        assert (made["scopes"], made["gateway_id"]) == (["ingest"], gateway["id"])
        bag = a_bag(a_reading(a_probe(tenant)["serial"], 0))
        assert tenant.post("/v1/readings", bag, key=made["token"])["stored"] == 1
        for method, path in (
            ("GET", "/v1/piles"),
            ("GET", f"/v1/gateways/{gateway['id']}"),
            ("GET", "/v1/quarantine"),
            ("POST", "/v1/piles"),
            ("PATCH", f"/v1/gateways/{gateway['id']}"),
            ("POST", f"/v1/gateways/{gateway['id']}/keys"),
            ("POST", f"/v1/keys/{made['id']}/revoke"),
        ):
            problem_of(tenant.call(method, path, {}, key=made["token"], If_Match='"1"'), 403)

    def test_takes_no_scopes_of_the_callers_choosing(self, tenant: Tenant) -> None:
        path = f"/v1/gateways/{a_gateway(tenant)['id']}/keys"
        assert pointers(tenant.call("POST", path, {"name": "a", "scopes": ["admin"]})) == {"/scopes"}

    def test_the_token_goes_into_a_bearer_header_and_is_shown_once(self, tenant: Tenant) -> None:
        """RFC 6750, section 2.1 (from memory): a token is letters, digits and ``-._~+/``, then any ``=``."""
        gateway = a_gateway(tenant)
        answer = tenant.call("POST", f"/v1/gateways/{gateway['id']}/keys", {"name": "a"})
        token = answer.json()["token"]
        assert re.fullmatch(r"[A-Za-z0-9\-._~+/]+=*", token)
        assert answer.headers["cache-control"] == "no-store"
        others = {make_key(tenant, a_gateway(tenant))["token"] for _ in range(20)}
        secrets = {one.rsplit("_", 1)[1][:64] for one in {token, *others}}
        assert len(secrets) == 21
        assert all(len(bytes.fromhex(one)) * 8 == 256 for one in secrets)
        for path in (f"/v1/gateways/{gateway['id']}/keys", "/v1/keys"):
            assert token.rsplit("_", 1)[1] not in tenant.call("GET", path).text

    def test_carries_its_gateways_name_and_no_other(self, tenant: Tenant) -> None:
        gateway, other = a_gateway(tenant), a_gateway(tenant)
        token = make_key(tenant, gateway)["token"]
        reading = a_reading(a_probe(tenant)["serial"], 0)
        tenant.post("/v1/readings", a_bag(reading), key=token)
        assert tenant.get(f"/v1/gateways/{gateway['id']}")["last_heard_at"] is not None
        bag = a_bag(reading, gateway=other["name"])
        assert pointers(tenant.call("POST", "/v1/readings", bag, key=token)) == {"/gateway"}
        assert tenant.get(f"/v1/gateways/{other['id']}")["last_heard_at"] is None

    def test_writes_no_probe_of_another_gateway(self, tenant: Tenant) -> None:
        mine, theirs = a_probe(tenant)["serial"], a_probe(tenant)["serial"]
        token = make_key(tenant, a_gateway(tenant, serials=[mine]))["token"]
        bag = a_bag(a_reading(mine, 0), a_reading(theirs, 0))
        receipt = tenant.post("/v1/readings", bag, key=token)
        assert (receipt["stored"], [one["index"] for one in receipt["refused"]]) == (1, [1])

    def test_a_key_made_elsewhere_belongs_to_no_gateway(self, tenant: Tenant) -> None:
        body = {"name": "k", "scopes": ["ingest"]}
        assert tenant.post("/v1/keys", body)["gateway_id"] is None
        gateway_id = a_gateway(tenant)["id"]
        assert pointers(tenant.call("POST", "/v1/keys", body | {"gateway_id": gateway_id})) == {"/gateway_id"}

    def test_a_third_waits_until_the_older_is_revoked(self, tenant: Tenant) -> None:
        gateway = a_gateway(tenant)
        path = f"/v1/gateways/{gateway['id']}/keys"
        older, newer = make_key(tenant, gateway), make_key(tenant, gateway)
        detail = problem_of(tenant.call("POST", path, {"name": "c"}), 409)["detail"]
        assert {older["prefix"], newer["prefix"], f"/v1/keys/{older['id']}/revoke"} <= set(
            re.split(r"[\s,;]+", detail)
        )
        make_key(tenant, a_gateway(tenant))  # another gateway's are counted apart
        revoked = tenant.post(f"/v1/keys/{older['id']}/revoke", None)
        assert revoked["gateway_id"] == gateway["id"]
        third = make_key(tenant, gateway)
        listed = tenant.get(path)["items"]
        assert [key["id"] for key in listed] == [older["id"], newer["id"], third["id"]]
        assert [key["revoked_at"] is None for key in listed] == [False, True, True]

    def test_an_expired_one_counts_no_more_and_works_no_more(
        self, tenant: Tenant, database: Database
    ) -> None:
        gateway = a_gateway(tenant)
        soon = (datetime.now(UTC) + timedelta(days=1)).isoformat()
        first, _ = make_key(tenant, gateway, expires_at=soon), make_key(tenant, gateway)
        problem_of(tenant.call("POST", f"/v1/gateways/{gateway['id']}/keys", {"name": "c"}), 409)
        with database.begin(tenant.organisation_id) as session:
            session.execute(
                text("update api_key set expires_at = now() where id = :id"), {"id": UUID(first["id"])}
            )
        make_key(tenant, gateway)
        refused = tenant.call("POST", "/v1/readings", a_bag(), key=first["token"])
        problem_of(refused, 401)
        assert refused.headers["www-authenticate"].startswith("Bearer ")

    @pytest.mark.parametrize("expires_at", ["2026-01-01T00:00:00Z", "2199-01-01T00:00:00", 4])
    def test_an_expiry_lies_ahead(self, tenant: Tenant, expires_at: object) -> None:
        path = f"/v1/gateways/{a_gateway(tenant)['id']}/keys"
        assert pointers(tenant.call("POST", path, {"name": "a", "expires_at": expires_at})) == {"/expires_at"}

    def test_of_eight_made_at_once_two_are(self, tenant: Tenant) -> None:
        path = f"/v1/gateways/{a_gateway(tenant)['id']}/keys"
        barrier = threading.Barrier(8)
        statuses: list[int] = []

        def create(number: int) -> None:
            barrier.wait()
            statuses.append(tenant.call("POST", path, {"name": str(number)}).status_code)

        threads = [threading.Thread(target=create, args=(number,)) for number in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(statuses) == [201] * 2 + [409] * 6
        assert len(tenant.get(path)["items"]) == 2

    def test_rotation_during_a_running_loop_of_posts_fails_none(self, tenant: Tenant) -> None:
        gateway = a_gateway(tenant)
        serial = a_probe(tenant)["serial"]
        old = make_key(tenant, gateway)
        current, stop = [old["token"]], threading.Event()
        used: dict[str, threading.Event] = {old["token"]: threading.Event()}
        statuses: list[int] = []

        def post_all_day() -> None:
            while not stop.is_set():
                token = current[0]
                bag = a_bag(a_reading(serial, len(statuses) / 60))
                statuses.append(tenant.call("POST", "/v1/readings", bag, key=token).status_code)
                used[token].set()

        poster = threading.Thread(target=post_all_day)
        poster.start()
        try:
            for _ in range(4):
                new = make_key(tenant, gateway)
                used[new["token"]] = threading.Event()
                current[0] = new["token"]
                # As a person would: revoke the older only once the newer has been seen in use.
                assert used[new["token"]].wait(10)
                tenant.post(f"/v1/keys/{old['id']}/revoke", None)
                old = new
        finally:
            stop.set()
            poster.join()
        assert set(statuses) == {200}
        assert len(statuses) >= 5
        keys = tenant.get(f"/v1/gateways/{gateway['id']}/keys")["items"]
        assert [key["revoked_at"] is None for key in keys] == [False] * 4 + [True]
        assert all(key["last_used_at"] for key in keys)

    def test_a_key_for_one_site_makes_them_for_its_gateways_only(self, tenant: Tenant) -> None:
        here, there = a_site(tenant)["id"], a_site(tenant)["id"]
        admin = tenant.key_for("admin", site_id=here)
        mine = a_gateway(tenant, site_id=here)
        made = tenant.post(f"/v1/gateways/{mine['id']}/keys", {"name": "a"}, key=admin)
        assert made["site_id"] == here
        for gateway in (a_gateway(tenant, site_id=there), a_gateway(tenant)):
            path = f"/v1/gateways/{gateway['id']}/keys"
            problem_of(tenant.call("POST", path, {"name": "a"}, key=admin), 404)
            problem_of(tenant.call("GET", path, key=admin), 404)

    def test_follow_their_gateway_to_another_site(self, tenant: Tenant) -> None:
        here, there = a_site(tenant)["id"], a_site(tenant)["id"]
        gateway = a_gateway(tenant, site_id=here)
        made = make_key(tenant, gateway)
        probe = {site: a_probe(tenant, site_id=site)["serial"] for site in (here, there)}
        bag = a_bag(a_reading(probe[here], 0), a_reading(probe[there], 0))
        assert tenant.post("/v1/readings", bag, key=made["token"])["refused"][0]["index"] == 1
        tenant.call("PATCH", f"/v1/gateways/{gateway['id']}", {"site_id": there}, If_Match='"1"')
        bag = a_bag(a_reading(probe[here], 1), a_reading(probe[there], 1))
        assert tenant.post("/v1/readings", bag, key=made["token"])["refused"][0]["index"] == 0
        admins = {site: tenant.key_for("admin", site_id=site) for site in (here, there)}
        ids = {site: {k["id"] for k in tenant.get("/v1/keys", key=admins[site])["items"]} for site in admins}
        assert [made["id"] in ids[site] for site in (here, there)] == [False, True]
        problem_of(tenant.call("POST", f"/v1/keys/{made['id']}/revoke", key=admins[here]), 404)
        tenant.post(f"/v1/keys/{made['id']}/revoke", None, key=admins[there])
