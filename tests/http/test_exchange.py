"""What all records share: versions, repeatable creation, pages, problems, keys for one site."""

import threading
import uuid
from typing import Any

import pytest
from sqlalchemy import text

from service.domain import errors
from service.domain.errors import DomainError
from service.http.problems import STATUS
from service.storage.database import Database
from tests.builders import a_bay, a_pile, a_placement, a_probe, a_site, at
from tests.conftest import Tenant

NO_ONE = "00000000-0000-7000-8000-000000000000"
SITE = {"name": "hillside", "time_zone": "Europe/Lisbon"}


def problem_of(answer: Any, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    body: dict[str, Any] = answer.json()
    assert body["status"] == status
    assert body["type"].startswith("/problems/")
    assert body["detail"]
    return body


class TestVersions:
    def test_a_change_needs_the_version_it_is_meant_for(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        path = f"/v1/sites/{site['id']}"
        problem_of(tenant.call("PATCH", path, {"climate": "wet"}), 428)
        read = tenant.call("GET", path)
        changed = tenant.call("PATCH", path, {"climate": "wet"}, If_Match=read.headers["etag"])
        assert changed.status_code == 200
        assert changed.headers["etag"] != read.headers["etag"]
        problem_of(tenant.call("PATCH", path, {"climate": "dry"}, If_Match=read.headers["etag"]), 412)
        assert tenant.get(path)["climate"] == "wet"

    @pytest.mark.parametrize("etag", ["*", "3", 'W/"1"', '"one"', '"1", "2"'])
    def test_another_tag_is_refused_by_name(self, tenant: Tenant, etag: str) -> None:
        site = a_site(tenant)
        body = problem_of(tenant.call("PATCH", f"/v1/sites/{site['id']}", {}, If_Match=etag), 422)
        assert body["errors"][0]["pointer"] == "/If-Match"

    def test_fields_left_out_stay_and_null_is_not_absent(self, tenant: Tenant) -> None:
        site = a_site(tenant, climate="wet", latitude_deg=41.2)
        path = f"/v1/sites/{site['id']}"
        changed = tenant.call("PATCH", path, {"climate": None}, If_Match='"1"').json()
        assert (changed["climate"], changed["latitude_deg"]) == (None, 41.2)
        problem_of(tenant.call("PATCH", path, {"name": None}, If_Match='"2"'), 422)

    def test_of_eight_changes_at_once_one_wins(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        barrier = threading.Barrier(8)
        statuses: list[int] = []

        def change(number: int) -> None:
            barrier.wait()
            answer = tenant.call("PATCH", f"/v1/sites/{site['id']}", {"climate": str(number)}, If_Match='"1"')
            statuses.append(answer.status_code)

        threads = [threading.Thread(target=change, args=(number,)) for number in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(statuses) == [200] + [412] * 7


class TestRepeatableCreation:
    def test_the_same_key_and_body_give_the_first_answer(self, tenant: Tenant) -> None:
        key = uuid.uuid4().hex
        first = tenant.call("POST", "/v1/sites", SITE, Idempotency_Key=key)
        again = tenant.call("POST", "/v1/sites", SITE, Idempotency_Key=f'"{key}"')
        assert first.status_code == again.status_code == 201
        assert first.json() == again.json()
        assert again.headers["idempotency-replayed"] == "true"
        assert again.headers["etag"] == first.headers["etag"]
        assert len(tenant.get("/v1/sites")["items"]) == 1

    def test_the_same_key_with_another_body_is_refused(self, tenant: Tenant) -> None:
        tenant.call("POST", "/v1/sites", SITE, Idempotency_Key="k1")
        body = problem_of(tenant.call("POST", "/v1/sites", SITE | {"name": "x"}, Idempotency_Key="k1"), 422)
        assert body["errors"][0]["pointer"] == "/Idempotency-Key"

    def test_a_refusal_is_not_kept(self, tenant: Tenant) -> None:
        a_site(tenant, name="taken")
        body = {"name": "taken", "time_zone": "Europe/Lisbon"}
        problem_of(tenant.call("POST", "/v1/sites", body, Idempotency_Key="k2"), 409)
        other = tenant.call("POST", "/v1/sites", body | {"name": "free"}, Idempotency_Key="k2")
        assert other.status_code == 201

    def test_keys_of_two_callers_do_not_meet(self, tenant: Tenant, other: Tenant) -> None:
        for one in (tenant, other):
            assert one.call("POST", "/v1/sites", SITE, Idempotency_Key="same").status_code == 201

    def test_eight_at_once_create_one(self, tenant: Tenant) -> None:
        barrier = threading.Barrier(8)
        answers: list[Any] = []

        def create() -> None:
            barrier.wait()
            answers.append(tenant.call("POST", "/v1/sites", SITE, Idempotency_Key="race"))

        threads = [threading.Thread(target=create) for _ in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert {answer.status_code for answer in answers} == {201}
        assert len({answer.json()["id"] for answer in answers}) == 1
        assert len(tenant.get("/v1/sites")["items"]) == 1

    def test_old_keys_are_forgotten(self, tenant: Tenant, database: Database) -> None:
        tenant.call("POST", "/v1/sites", SITE, Idempotency_Key="old")
        with database.begin(tenant.organisation_id) as session:
            session.execute(text("update idempotent_answer set created_at = now() - interval '8 days'"))
        answer = tenant.call("POST", "/v1/sites", SITE | {"name": "new"}, Idempotency_Key="old")
        assert answer.status_code == 201

    @pytest.mark.parametrize("key", ["", "a b", "x" * 201, '"'])
    def test_a_key_must_be_usable(self, tenant: Tenant, key: str) -> None:
        problem_of(tenant.call("POST", "/v1/sites", SITE, Idempotency_Key=key), 422)


class TestPages:
    def test_walk_through_everything_once(self, tenant: Tenant) -> None:
        made = [a_site(tenant)["id"] for _ in range(7)]
        seen: list[str] = []
        after = ""
        while True:
            page = tenant.get(f"/v1/sites?limit=3{after}")
            seen += [site["id"] for site in page["items"]]
            if page["next"] is None:
                break
            after = f"&after={page['next']}"
        assert seen == made

    @pytest.mark.parametrize("limit", ["0", "501", "-1", "many", "1.5"])
    def test_a_limit_out_of_range_is_named(self, tenant: Tenant, limit: str) -> None:
        body = problem_of(tenant.call("GET", f"/v1/sites?limit={limit}"), 422)
        assert body["errors"][0]["pointer"] == "/limit"
        assert body["errors"][0]["in"] == "query"

    @pytest.mark.parametrize(
        "cursor", ["x", "", "W10", "WyJhIl0", "bnVsbA", "eyJhIjoxfQ", "W10=", "%00", "WyJcdTAwMDAiXQ"]
    )
    def test_a_made_up_cursor_is_refused(self, tenant: Tenant, cursor: str) -> None:
        body = problem_of(tenant.call("GET", f"/v1/sites?after={cursor}"), 422)
        assert body["errors"][0]["pointer"] == "/after"


class TestProblems:
    def test_every_refusal_has_a_status(self) -> None:
        kinds = {
            kind
            for kind in vars(errors).values()
            if isinstance(kind, type) and issubclass(kind, DomainError) and kind is not DomainError
        }
        assert kinds == set(STATUS)

    @pytest.mark.parametrize("kind", list(STATUS))
    def test_every_type_is_explained(self, tenant: Tenant, kind: type[DomainError]) -> None:
        answer = tenant.client.get(f"/problems/{kind.code}")
        assert answer.status_code == 200
        assert kind.title in answer.text

    def test_an_unknown_address(self, tenant: Tenant) -> None:
        assert problem_of(tenant.call("GET", "/v1/nowhere"), 404)["type"] == "/problems/no-such-address"

    def test_a_method_an_address_does_not_take(self, tenant: Tenant) -> None:
        for path in ("/v1/sites", "/v1/readings"):
            answer = tenant.call("DELETE", path)
            problem_of(answer, 405)
            assert "POST" in answer.headers["allow"]

    def test_a_body_that_is_not_json(self, tenant: Tenant) -> None:
        for raw in (b"{", b"", b"\xff", b'{"name": NaN'):
            answer = tenant.client.post(
                "/v1/sites",
                content=raw,
                headers={"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"},
            )
            assert answer.status_code in {400, 422}
            assert answer.headers["content-type"] == "application/problem+json"

    def test_a_body_nested_out_of_reason(self, tenant: Tenant) -> None:
        answer = tenant.client.post(
            "/v1/sites",
            content=b"[" * 200_000,
            headers={"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"},
        )
        problem_of(answer, 400)

    def test_names_field_value_and_remedy(self, tenant: Tenant) -> None:
        body = problem_of(tenant.call("POST", "/v1/sites", SITE | {"latitude_deg": 91, "colour": "red"}), 422)
        found = {error["pointer"]: error["detail"] for error in body["errors"]}
        assert "91" in found["/latitude_deg"]
        assert "leave it out" in found["/colour"]

    def test_an_id_that_is_none(self, tenant: Tenant) -> None:
        problem_of(tenant.call("GET", f"/v1/sites/{uuid.uuid4()}"), 404)
        assert problem_of(tenant.call("GET", "/v1/sites/seven"), 422)["errors"][0]["in"] == "path"


EACH_FIELD_WRONG = [
    ("/v1/sites", SITE, "name", [None, 3, "", " ", "x" * 201, "a\x00b", "\ud800"]),
    ("/v1/sites", SITE, "time_zone", [None, "Mars/Olympus", "", "../etc", 5]),
    ("/v1/sites", SITE, "latitude_deg", ["41", 90.01, True, [], 1e309]),
    ("/v1/sites", SITE, "work_days", [["monday"], "mon", [1], ["mon"] * 8]),
    ("/v1/sites", SITE, "closures", [["2026-02-30"], ["tomorrow"], [20260301], "2026-03-01"]),
    ("/v1/sites", SITE, "crews", [[""], "blue", [None]]),
    ("/v1/probes", {"serial": "PR-1"}, "serial", [None, "", "two words", 42, "x" * 101, "é"]),
    ("/v1/probes", {"serial": "PR-1"}, "accuracy_c", [0, -1, "0.5", 21]),
    ("/v1/probes", {"serial": "PR-1"}, "site_id", ["x", NO_ONE, 7]),
    ("/v1/gateways", {"name": "g"}, "name", [None, "", 5]),
    ("/v1/feedstocks", {"code": "leaves", "name": "Leaves"}, "code", [None, "", "a b", "-x", "é", "x" * 64]),
    ("/v1/feedstocks", {"code": "leaves", "name": "Leaves"}, "moisture_pct", [-0.1, 100.1, "50", True]),
    ("/v1/feedstocks", {"code": "leaves", "name": "Leaves"}, "bulk_density_kg_m3", [0, 5001, "x"]),
    ("/v1/keys", {"name": "k", "scopes": ["read"]}, "scopes", [[], ["rule"], "read", None]),
    ("/v1/keys", {"name": "k", "scopes": ["read"]}, "expires_at", ["2020-01-01T00:00:00Z", "soon", 5]),
]


@pytest.mark.parametrize(
    ("path", "body", "field", "value"),
    [(path, body, field, value) for path, body, field, values in EACH_FIELD_WRONG for value in values],
    ids=str,
)
def test_each_field_wrong_in_turn_is_named(
    tenant: Tenant, path: str, body: dict[str, Any], field: str, value: Any
) -> None:
    raw = _json_with(body | {field: value})
    answer = tenant.client.post(
        path,
        content=raw,
        headers={"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"},
    )
    found = problem_of(answer, 422)["errors"]
    assert any(error["pointer"].startswith(f"/{field}") for error in found), found


def _json_with(body: dict[str, Any]) -> bytes:
    import json

    return json.dumps(body).replace("Infinity", "1e309").encode("utf-8")


class TestPilesAndTheirEvents:
    def test_each_wrong_reference_is_named(self, tenant: Tenant, other: Tenant) -> None:
        site = a_site(tenant)
        elsewhere = a_bay(tenant, a_site(tenant)["id"])
        theirs = a_site(other)
        for change, pointer in (
            ({"site_id": theirs["id"]}, "/site_id"),
            ({"bay_id": elsewhere["id"]}, "/bay_id"),
            ({"recipe_id": NO_ONE}, "/recipe_id"),
            ({"rules": ["us-nop-windrow", "no-such-rule"]}, "/rules/1"),
            ({"pattern": {"rest_days": 3, "last_turn_day": 10}}, "/pattern"),
            ({"built_at": "2026-05-04T09:00:00"}, "/built_at"),
            ({"design_volume_m3": 0}, "/design_volume_m3"),
        ):
            body = {"site_id": site["id"], "label": "A"} | change
            found = problem_of(tenant.call("POST", "/v1/piles", body), 422)["errors"]
            assert any(error["pointer"].startswith(pointer) for error in found), found

    @pytest.mark.parametrize(
        ("event", "pointer"),
        [
            ({"kind": "dance", "at": at(0)}, ""),
            ({"at": at(0)}, ""),
            ({"kind": "turn"}, "/at"),
            ({"kind": "turn", "at": "2026-05-04T09:00:00"}, "/at"),
            ({"kind": "turn", "at": "2199-01-01T00:00:00Z"}, "/at"),
            ({"kind": "turn", "at": at(0), "height_m": -1}, "/height_m"),
            ({"kind": "water", "at": at(0), "volume_l": 0}, "/volume_l"),
            ({"kind": "load", "at": at(0), "mass_kg": "ten"}, "/mass_kg"),
            ({"kind": "move", "at": at(0), "bay_id": NO_ONE}, "/bay_id"),
            ({"kind": "merge", "at": at(0), "with_pile_id": NO_ONE}, "/with_pile_id"),
            ({"kind": "split", "at": at(0), "into_pile_ids": [NO_ONE]}, "/into_pile_ids/0"),
            ({"kind": "screen", "at": at(0), "mesh_mm": 0}, "/mesh_mm"),
            ({"kind": "observe", "at": at(0), "smell": "lovely"}, "/smell"),
            ({"kind": "sample", "at": at(0), "ph": 15}, "/ph"),
            ({"kind": "correct", "at": at(0), "reason": "typo"}, "/corrects"),
            ({"kind": "correct", "at": at(0), "corrects": NO_ONE, "reason": "typo"}, "/corrects"),
            ({"kind": "turn", "at": at(0), "colour": "red"}, "/colour"),
        ],
        ids=str,
    )
    def test_each_wrong_event_is_named(self, tenant: Tenant, event: dict[str, Any], pointer: str) -> None:
        pile = a_pile(tenant)
        found = problem_of(tenant.call("POST", f"/v1/piles/{pile['id']}/events", event), 422)["errors"]
        assert any(error["pointer"].startswith(pointer) for error in found), found
        assert tenant.get(f"/v1/piles/{pile['id']}/events")["items"] == []

    @pytest.mark.parametrize(
        "kind",
        [
            "load",
            "water",
            "cover",
            "turn",
            "move",
            "merge",
            "split",
            "observe",
            "sample",
            "screen",
            "release",
            "close",
        ],
    )
    def test_one_tap_is_enough(self, tenant: Tenant, kind: str) -> None:
        """A crew member with wet gloves says what was done and when; the rest stays unknown, not nought."""
        pile = a_pile(tenant)
        made = tenant.post(f"/v1/piles/{pile['id']}/events", {"kind": kind, "at": at(0)})
        assert made["kind"] == kind
        assert tenant.get(f"/v1/piles/{pile['id']}/status")["stage"]

    def test_a_correction_stands_beside_what_it_corrects(self, tenant: Tenant) -> None:
        pile = a_pile(tenant)
        path = f"/v1/piles/{pile['id']}/events"
        turn = tenant.post(path, {"kind": "turn", "at": at(0), "crew": "Tuesday"})
        correction = tenant.post(
            path,
            {
                "kind": "correct",
                "at": at(5),
                "corrects": turn["id"],
                "reason": "it was Wednesday",
                "replacement": {"kind": "turn", "at": at(24)},
            },
        )
        items = tenant.get(path)["items"]
        assert [item["kind"] for item in items] == ["turn", "correct"]
        assert items[0]["at"] == turn["at"]
        problem_of(
            tenant.call(
                "POST",
                path,
                {"kind": "correct", "at": at(6), "corrects": correction["id"], "reason": "again"},
            ),
            422,
        )

    def test_a_changed_build_instant_leaves_a_trace(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=at(0))
        tenant.call("PATCH", f"/v1/piles/{pile['id']}", {"built_at": at(24)}, If_Match='"1"')
        (trace,) = tenant.get(f"/v1/piles/{pile['id']}/events")["items"]
        assert trace["kind"] == "observe"
        assert trace["details"]["built_at_was"].startswith("2026-05-04T14:00")


class TestPlacements:
    def test_a_probe_is_in_one_place_at_a_time(self, tenant: Tenant) -> None:
        first, second = a_pile(tenant), a_pile(tenant)
        probe = a_probe(tenant)
        path = f"/v1/probes/{probe['id']}/placements"
        placed = a_placement(tenant, probe["id"], first["id"])
        overlapping = {"pile_id": second["id"], "position": "core", "from": at(10)}
        assert "end the earlier" in problem_of(tenant.call("POST", path, overlapping), 409)["detail"]
        tenant.call("PATCH", f"{path}/{placed['id']}", {"to": at(10)}, If_Match='"1"')
        assert tenant.call("POST", path, overlapping).status_code == 201

    def test_a_stay_must_end_after_it_starts(self, tenant: Tenant) -> None:
        probe = a_probe(tenant)
        body = {"pile_id": a_pile(tenant)["id"], "position": "core", "from": at(10), "to": at(10)}
        found = problem_of(tenant.call("POST", f"/v1/probes/{probe['id']}/placements", body), 422)["errors"]
        assert found[0]["pointer"] == "/to"


class TestAKeyForOneSite:
    def test_sees_and_touches_that_site_only(self, tenant: Tenant) -> None:
        here, there = a_site(tenant), a_site(tenant)
        mine, theirs = a_pile(tenant, here["id"]), a_pile(tenant, there["id"])
        key = tenant.key_for("read", "write", "admin", site_id=here["id"])
        assert [site["id"] for site in tenant.get("/v1/sites", key=key)["items"]] == [here["id"]]
        assert [pile["id"] for pile in tenant.get("/v1/piles", key=key)["items"]] == [mine["id"]]
        for method, path, body in (
            ("GET", f"/v1/sites/{there['id']}", None),
            ("GET", f"/v1/sites/{there['id']}/bays", None),
            ("POST", f"/v1/sites/{there['id']}/bays", {"label": "x", "kind": "cage", "volume_m3": 1}),
            ("GET", f"/v1/piles/{theirs['id']}", None),
            ("GET", f"/v1/piles/{theirs['id']}/events", None),
            ("POST", f"/v1/piles/{theirs['id']}/events", {"kind": "turn", "at": at(0)}),
            ("GET", f"/v1/piles/{theirs['id']}/readings", None),
            ("GET", f"/v1/piles/{theirs['id']}/compliance", None),
            ("GET", f"/v1/piles/{theirs['id']}/status", None),
        ):
            problem_of(tenant.call(method, path, body, key=key), 404)
        problem_of(tenant.call("POST", "/v1/sites", SITE, key=key), 403)
        problem_of(tenant.call("POST", "/v1/feedstocks", {"code": "x", "name": "x"}, key=key), 403)
        problem_of(tenant.call("POST", "/v1/piles", {"site_id": there["id"], "label": "x"}, key=key), 422)
        problem_of(tenant.call("POST", "/v1/probes", {"serial": "PR-9"}, key=key), 422)
        problem_of(tenant.call("POST", "/v1/keys", {"name": "k", "scopes": ["read"]}, key=key), 422)

    def test_cannot_revoke_a_wider_key(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        key = tenant.key_for("admin", site_id=site["id"])
        wide = tenant.get("/v1/keys")["items"][0]
        problem_of(tenant.call("POST", f"/v1/keys/{wide['id']}/revoke", key=key), 404)


class TestKeys:
    def test_are_shown_once_and_can_be_revoked(self, tenant: Tenant) -> None:
        made = tenant.post("/v1/keys", {"name": "gateway", "scopes": ["ingest", "read"]})
        assert tenant.get("/v1/sites", key=made["token"])["items"] == []
        assert all("token" not in key for key in tenant.get("/v1/keys")["items"])
        tenant.post(f"/v1/keys/{made['id']}/revoke", None)
        problem_of(tenant.call("GET", "/v1/sites", key=made["token"]), 401)

    def test_are_kept_as_a_digest(self, tenant: Tenant, database: Database) -> None:
        with database.begin(tenant.organisation_id) as session:
            rows = session.execute(text("select * from api_key")).mappings().all()
        secret = tenant.key.rsplit("_", 1)[1]
        assert all(secret not in str(dict(row)) for row in rows)
        assert len(rows[0]["digest"]) == 32

    @pytest.mark.parametrize(
        "spoil",
        [
            lambda k: k[:-1],
            lambda k: k[:-1] + ("1" if k[-1] == "0" else "0"),
            lambda k: "x" + k,
            lambda _: "hlk_",
        ],
    )
    def test_mistyped_are_told_from_unknown(self, tenant: Tenant, spoil: Any) -> None:
        body = problem_of(tenant.call("GET", "/v1/sites", key=spoil(tenant.key)), 401)
        assert "mistyped" in body["detail"]
