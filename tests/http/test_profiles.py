"""Profiles: kept only with a sample that is read without fault, and tried without being kept."""

import uuid
from copy import deepcopy
from typing import Any

import pytest

from tests.builders import a_bag, a_pile, a_placement, a_probe, a_profile, a_site
from tests.conftest import Tenant
from tests.http.test_exchange import problem_of

SENSOR = {
    "device": "end_device_ids.device_id",
    "counter": "uplink_message.f_cnt",
    "received_at": {"expression": "uplink_message.received_at"},
    "records": "uplink_message.decoded_payload.channels",
    "quantity": {"expression": "kind", "names": {"temp": "temperature"}},
    "unit": {"constant": "Cel"},
    "value": "value",
}
UPLINK = """
{"end_device_ids": {"device_id": "PR-0042"},
 "uplink_message": {"f_cnt": 7, "received_at": "2026-05-04T14:00:00.123456789Z",
                    "decoded_payload": {"channels": [{"kind": "temp", "value": 61.4},
                                                     {"kind": "ambient_temperature", "value": 12.1}]}}}
"""


def an_uplink_profile(**overrides: Any) -> dict[str, Any]:
    return a_profile(kind="uplink", definition=deepcopy(SENSOR), sample=UPLINK) | overrides


def with_member(body: dict[str, Any], **members: Any) -> dict[str, Any]:
    """Return a body whose definition has other members; None takes one away."""
    definition = {name: one for name, one in (body["definition"] | members).items() if one is not None}
    return body | {"definition": definition}


class TestKeeping:
    def test_a_table_profile_shows_what_its_sample_gave(self, tenant: Tenant) -> None:
        made = tenant.call("POST", "/v1/profiles", a_profile(name="logger"))
        assert made.status_code == 201
        gave = made.json()["sample_gave"]
        assert {name: gave[name] for name in ("received", "usable", "refused", "refusals")} == {
            "received": 2,
            "usable": 2,
            "refused": 0,
            "refusals": [],
        }
        # Lisbon keeps summer time in May: one hour ahead of UTC.
        assert gave["readings"][0] == {
            "index": 0,
            "probe": "PR-0042",
            "observed_at": "2026-05-04T08:00:00Z",
            "quantity": "temperature",
            "value": 57.2,
            "unit": "Cel",
        }
        path = made.headers["location"]
        found = tenant.call("GET", path)
        assert found.headers["etag"] == made.headers["etag"]
        kept = {name: one for name, one in made.json().items() if name != "sample_gave"}
        assert found.json() == kept
        assert tenant.get("/v1/profiles")["items"] == [kept]

    def test_an_uplink_profile_too(self, tenant: Tenant) -> None:
        gave = tenant.post("/v1/profiles", an_uplink_profile())["sample_gave"]
        assert [(one["quantity"], one["value"]) for one in gave["readings"]] == [
            ("temperature", 61.4),
            ("ambient_temperature", 12.1),
        ]
        assert {one["observed_at"] for one in gave["readings"]} == {"2026-05-04T14:00:00.123457Z"}

    @pytest.mark.parametrize("kind", ["table", "uplink"])
    def test_is_what_readings_are_then_read_by(self, tenant: Tenant, kind: str) -> None:
        body = a_profile() if kind == "table" else an_uplink_profile()
        tenant.post("/v1/profiles", body | {"name": "mine"})
        pile, probe = a_pile(tenant), a_probe(tenant, serial="PR-0042")
        a_placement(tenant, probe["id"], pile["id"], **{"from": "2026-05-01T00:00:00Z"})
        media_type = "text/csv" if kind == "table" else "application/json"
        answer = tenant.client.post(
            "/v1/readings?profile=mine",
            content=body["sample"],
            headers={"Authorization": f"Bearer {tenant.key}", "Content-Type": media_type},
        )
        assert answer.json()["stored"] == 2, answer.text
        items = tenant.get(f"/v1/piles/{pile['id']}/readings")["items"]
        assert 57.2 in [one["value"] for one in items] or 61.4 in [one["value"] for one in items]

    @pytest.mark.parametrize(
        ("body", "pointer", "said"),
        [
            (with_member(a_profile(), value={"column": "Coer"}), "/definition/value", "'Coer' is not in"),
            (with_member(a_profile(), time_zone=None), "/definition/time_zone", "carry no offset"),
            (with_member(a_profile(), colour="red"), "/definition/colour", "not a known member"),
            (with_member(a_profile(), delimiter=","), "/definition/value", "set delimiter"),
            (with_member(a_profile(), unit={"constant": "%"}), "/definition/unit", "is not told in %"),
            (with_member(a_profile(), header="yes"), "/definition/header", "true or false"),
            (a_profile(definition={}), "/definition/observed_at", "is not in the header"),
            (a_profile(sample="Date;Time;Core\n"), "/sample", "no reading comes out"),
            (a_profile(sample="\n"), "/sample", "empty"),
            (a_profile(sample='Date;Time;Core\n"04.05.2026;09:00;57,2\n'), "/sample", "line 2"),
            (a_profile(sample="Date;Time;Core\n31.02.2026;09:00;57,2\n"), "/sample", "line 2"),
            (a_profile(sample="Date;Time;Core\n04.05.2026;09:00;57.2\n"), "/sample", "decimal_comma"),
            (
                a_profile(sample="Date;Time;Core\n" + "04.05.2026;09:00;57,2\n" * 1001),
                "/sample",
                "more than 1000 readings",
            ),
            (a_profile(sample=""), "/sample", "at least 1 character"),
            (a_profile(sample="a\x00b"), "/sample", "match pattern"),
            (a_profile(kind="picture"), "/kind", "'table' or 'uplink'"),
            (a_profile(definition=[]), "/definition", "valid dictionary"),
            (with_member(a_profile(), **{"a\x00": 1}), "/definition", "NUL"),
            (with_member(a_profile(), time_format="%H\x00"), "/definition", "NUL"),
            (with_member(a_profile(), missing=[[[[[[[[[1]]]]]]]]]), "/definition", "deeper than"),
            (with_member(an_uplink_profile(), records="a[?"), "/definition/records", ""),
            (with_member(an_uplink_profile(), records=None), "/definition/records", "is missing"),
            (with_member(an_uplink_profile(), received_at=None), "/definition/received_at", "is missing"),
            (with_member(an_uplink_profile(), value="kind"), "/sample", "must find a JSON number"),
            (an_uplink_profile(sample="{"), "/sample", "not JSON"),
            (an_uplink_profile(sample="{}"), "/sample", "no reading comes out"),
        ],
        ids=lambda case: case if isinstance(case, str) else "",
    )
    def test_is_refused_with_the_place_of_the_fault(
        self, tenant: Tenant, body: dict[str, Any], pointer: str, said: str
    ) -> None:
        for path in ("/v1/profiles", "/v1/profiles/try"):
            answer = tenant.call("POST", path, body)
            if path.endswith("try") and answer.status_code == 200:
                # Trying says what became of each reading, and only refuses what cannot be read at all.
                assert pointer == "/sample"
                assert answer.json()["usable"] == 0
                continue
            errors = problem_of(answer, 422)["errors"]
            assert any(one["pointer"] == pointer and said in one["detail"] for one in errors), errors
            assert all(one["in"] == "body" for one in errors)
        assert tenant.get("/v1/profiles")["items"] == []

    def test_half_a_character_is_refused(self, tenant: Tenant) -> None:
        for members in (r'{"\ud800": 1}', r'{"missing": ["\ud800"]}', r'{"time_format": "\ud800"}'):
            answer = tenant.client.post(
                "/v1/profiles",
                content='{"name": "a", "kind": "table", "sample": "x", "definition": ' + members + "}",
                headers={"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"},
            )
            assert problem_of(answer, 422)["errors"][0]["pointer"] == "/definition"

    def test_a_name_is_used_once(self, tenant: Tenant, other: Tenant) -> None:
        for one in (tenant, other):
            one.post("/v1/profiles", a_profile(name="logger"))
        again = tenant.call("POST", "/v1/profiles", an_uplink_profile(name="logger"))
        assert "use another name" in problem_of(again, 409)["detail"]

    def test_is_repeatable(self, tenant: Tenant) -> None:
        body, key = a_profile(), uuid.uuid4().hex
        first = tenant.call("POST", "/v1/profiles", body, Idempotency_Key=key)
        again = tenant.call("POST", "/v1/profiles", body, Idempotency_Key=key)
        assert (first.status_code, first.json()) == (201, again.json())
        assert len(tenant.get("/v1/profiles")["items"]) == 1


class TestChanging:
    def test_the_whole_must_still_read_its_sample(self, tenant: Tenant) -> None:
        made = tenant.post("/v1/profiles", a_profile())
        path = f"/v1/profiles/{made['id']}"
        other_header = made["sample"].replace("Core", "Kern")
        refused = tenant.call("PATCH", path, {"sample": other_header}, If_Match='"1"')
        assert problem_of(refused, 422)["errors"][0]["pointer"] == "/definition/value"
        assert tenant.get(path)["sample"] == made["sample"]
        both = with_member(made, value={"column": "Kern"})["definition"]
        changed = tenant.call("PATCH", path, {"sample": other_header, "definition": both}, If_Match='"1"')
        assert changed.status_code == 200, changed.text
        assert changed.json()["sample_gave"]["usable"] == 2
        assert changed.headers["etag"] == '"2"'

    def test_takes_the_version_it_is_meant_for(self, tenant: Tenant) -> None:
        path = f"/v1/profiles/{tenant.post('/v1/profiles', a_profile())['id']}"
        problem_of(tenant.call("PATCH", path, {"name": "x"}), 428)
        assert tenant.call("PATCH", path, {"name": "x"}, If_Match='"1"').json()["name"] == "x"
        problem_of(tenant.call("PATCH", path, {"name": "y"}, If_Match='"1"'), 412)
        problem_of(tenant.call("PATCH", path, {"kind": "uplink"}, If_Match='"2"'), 422)
        problem_of(tenant.call("PATCH", path, {"definition": None}, If_Match='"2"'), 422)

    def test_a_name_that_is_taken_is_refused(self, tenant: Tenant) -> None:
        taken = tenant.post("/v1/profiles", a_profile())["name"]
        path = f"/v1/profiles/{tenant.post('/v1/profiles', a_profile())['id']}"
        problem_of(tenant.call("PATCH", path, {"name": taken}, If_Match='"1"'), 409)


class TestTrying:
    def test_says_what_becomes_of_each_reading_and_keeps_nothing(self, tenant: Tenant) -> None:
        sample = "Date;Time;Core\n04.05.2026;09:00;57,2\n04.05.2026;10:00;hot\n04.05.2026;11:00\n"
        key = tenant.key_for("read")
        gave = tenant.post("/v1/profiles/try", a_profile(sample=sample), key=key)
        assert (gave["received"], gave["usable"], gave["refused"]) == (3, 1, 2)
        assert [one["index"] for one in gave["readings"]] == [0]
        assert [(one["index"], one["line"], one["member"], one["type"]) for one in gave["refusals"]] == [
            (1, 3, "value", "/problems/reading-bad-value"),
            (2, 4, "", "/problems/reading-wrong-cell-count"),
        ]
        assert "'hot'" in gave["refusals"][0]["detail"]
        assert tenant.get("/v1/profiles")["items"] == []

    def test_needs_no_name(self, tenant: Tenant) -> None:
        body = {name: one for name, one in a_profile().items() if name != "name"}
        assert tenant.post("/v1/profiles/try", body)["usable"] == 2
        problem_of(tenant.call("POST", "/v1/profiles", body), 422)

    def test_lists_twenty_of_many(self, tenant: Tenant) -> None:
        lines = "".join(f"04.05.2026;{n // 60:02}:{n % 60:02};57,2\n" for n in range(900))
        gave = tenant.post("/v1/profiles/try", a_profile(sample="Date;Time;Core\n" + lines))
        assert (gave["usable"], len(gave["readings"])) == (900, 20)

    def test_other_methods_are_told_apart_from_a_profiles_address(self, tenant: Tenant) -> None:
        answer = tenant.call("GET", "/v1/profiles/try")
        problem_of(answer, 405)
        assert answer.headers["allow"] == "POST"


def test_profiles_are_the_whole_organisations(tenant: Tenant, other: Tenant) -> None:
    made = tenant.post("/v1/profiles", a_profile())
    path = f"/v1/profiles/{made['id']}"
    key = tenant.key_for("read", "write", site_id=a_site(tenant)["id"])
    assert tenant.get(path, key=key)["id"] == made["id"]
    problem_of(tenant.call("POST", "/v1/profiles", a_profile(), key=key), 403)
    problem_of(tenant.call("PATCH", path, {"name": "x"}, key=key, If_Match='"1"'), 403)
    problem_of(other.call("GET", path), 404)
    problem_of(other.call("PATCH", path, {"name": "x"}, If_Match='"1"'), 404)
    assert other.get("/v1/profiles")["items"] == []
    answer = other.client.post(
        f"/v1/readings?profile={made['name']}",
        json=a_bag(),
        headers={"Authorization": f"Bearer {other.key}", "Content-Type": "application/json"},
    )
    assert problem_of(answer, 422)["errors"][0]["pointer"] == "/profile"
