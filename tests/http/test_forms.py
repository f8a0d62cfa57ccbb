"""The same readings in each of the forms, over HTTP: kept alike, told apart by nothing afterwards."""

import json
from datetime import datetime
from typing import Any

import cbor2
import polars as pl
import pytest

from tests.builders import a_pile, a_placement, a_probe, at
from tests.conftest import Tenant

HOURS = (0.0, 0.25, 0.5, 1.5)
VALUES = (55.0, 61.4, 61.45, 58.9)


def post(tenant: Tenant, body: bytes, media_type: str, path: str = "/v1/readings", **headers: str) -> Any:
    sent = {"Authorization": f"Bearer {tenant.key}", "Content-Type": media_type} | headers
    return tenant.client.post(path, content=body, headers=sent)


def second(hours: float) -> int:
    return int(datetime.fromisoformat(at(hours)).timestamp())


def bag(serial: str) -> bytes:
    readings = [
        {"probe": serial, "observed_at": at(h), "quantity": "temperature", "value": v, "unit": "Cel"}
        for h, v in zip(HOURS, VALUES, strict=True)
    ]
    return json.dumps({"readings": readings}).encode()


def records(serial: str) -> list[dict[str, Any]]:
    base = {"bn": f"{serial}/", "bt": second(0), "bu": "Cel"}
    rest = [
        {"n": "temperature", "t": second(h) - second(0), "v": v} for h, v in zip(HOURS, VALUES, strict=True)
    ]
    return [base | rest[0], *rest[1:]]


_LABELS = {"bn": -2, "bt": -3, "bu": -4, "n": 0, "t": 6, "v": 2}


def cbor(serial: str) -> bytes:
    return cbor2.dumps([{_LABELS[name]: value for name, value in one.items()} for one in records(serial)])


def table(serial: str) -> bytes:
    """Written by another library."""
    frame = pl.DataFrame(
        {
            "probe": [serial] * 4,
            "observed_at": [at(h) for h in HOURS],
            "quantity": ["temperature"] * 4,
            "value": VALUES,
            "unit": ["Cel"] * 4,
        }
    )
    return frame.write_csv().encode()


def lines(serial: str) -> bytes:
    return b"\n".join(json.dumps(one).encode() for one in json.loads(bag(serial))["readings"])


FORMS = {
    "application/json": bag,
    "application/senml+json": lambda serial: json.dumps(records(serial)).encode(),
    "application/senml+cbor": cbor,
    "text/csv": table,
    "application/x-ndjson": lines,
}


@pytest.mark.parametrize("first", FORMS)
def test_every_form_says_the_same(tenant: Tenant, first: str) -> None:
    """What was kept from one form is a duplicate in each other: same probe, instant and value, to the bit."""
    probe, pile = a_probe(tenant), a_pile(tenant)
    a_placement(tenant, probe["id"], pile["id"])
    serial = probe["serial"]
    answer = post(tenant, FORMS[first](serial), first)
    assert answer.status_code == 200, answer.text
    assert answer.json()["stored"] == 4
    for media_type, write in FORMS.items():
        told = post(tenant, write(serial), media_type).json()
        assert (told["received"], told["duplicate"], told["disputed"]) == (4, 4, 0), media_type
    found = tenant.get(f"/v1/piles/{pile['id']}/readings")["items"]
    assert [(one["value"], one["unit"]) for one in found] == [(value, "Cel") for value in VALUES]


class TestASenmlPack:
    def test_with_times_relative_to_now_is_for_live_senders(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        pack = json.dumps([{"n": f"{serial}/temperature", "u": "Cel", "v": 61.4, "t": -30}]).encode()
        refused = post(tenant, pack, "application/senml+json")
        assert refused.status_code == 207
        assert refused.json()["refused"][0]["type"] == "/problems/reading-relative-time-in-backfill"
        assert refused.json()["refused"][0]["pointer"] == "/0/t"
        assert post(tenant, pack, "application/senml+json", "/v1/readings?live=true").json()["stored"] == 1

    def test_that_demands_what_nobody_knows_is_refused_whole(self, tenant: Tenant) -> None:
        pack = [*records("PR-1"), {"n": "temperature", "v": 1, "must_": 1}]
        answer = post(tenant, json.dumps(pack).encode(), "application/senml+json")
        assert answer.status_code == 422
        assert "must_" in answer.json()["detail"]

    def test_that_is_no_cbor_is_unreadable(self, tenant: Tenant) -> None:
        assert post(tenant, b"\x9f\x9f\x9f", "application/senml+cbor").status_code == 400

    def test_promises_when_its_gateway_speaks_again(self, tenant: Tenant) -> None:
        gateway = tenant.post("/v1/gateways", {"name": "north"})
        made = tenant.post(f"/v1/gateways/{gateway['id']}/keys", {"name": "k"})
        pack = records("PR-1")
        pack[0]["ut"] = 900
        headers = {"Authorization": f"Bearer {made['token']}"}
        answer = post(tenant, json.dumps(pack).encode(), "application/senml+json", **headers)
        assert answer.json()["held"] == 4
        told = tenant.get(f"/v1/gateways/{gateway['id']}")
        assert told["silence"]["expected_from"] == "promise"
        assert told["last_heard_at"] is not None


class TestAGatewaysKey:
    def test_speaks_for_its_probes_only(self, tenant: Tenant) -> None:
        mine, other = a_probe(tenant)["serial"], a_probe(tenant)["serial"]
        gateway = tenant.post("/v1/gateways", {"name": "north", "serials": [mine]})
        key = tenant.post(f"/v1/gateways/{gateway['id']}/keys", {"name": "k"})["token"]
        told = post(
            tenant, lines(mine) + b"\n" + lines(other), "application/x-ndjson", Authorization=f"Bearer {key}"
        )
        assert told.status_code == 207
        assert (told.json()["stored"], told.json()["refused_count"]) == (4, 4)
        assert {one["type"] for one in told.json()["refused"]} == {"/problems/reading-not-this-gateway"}
        assert [one["line"] for one in told.json()["refused"]] == [5, 6, 7, 8]

    def test_speaks_in_its_own_name(self, tenant: Tenant) -> None:
        gateway = tenant.post("/v1/gateways", {"name": "north"})
        key = tenant.post(f"/v1/gateways/{gateway['id']}/keys", {"name": "k"})["token"]
        body = json.loads(bag("PR-1")) | {"gateway": "south"}
        answer = post(tenant, json.dumps(body).encode(), "application/json", Authorization=f"Bearer {key}")
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["pointer"] == "/gateway"

    def test_knows_its_own_names_for_probes(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        aliases = {"urn:dev:ow:10e2073a01080063": f"{serial}/temperature"}
        gateway = tenant.post("/v1/gateways", {"name": "north", "aliases": aliases})
        key = tenant.post(f"/v1/gateways/{gateway['id']}/keys", {"name": "k"})["token"]
        pack = [{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1, "t": second(0)}]
        told = post(
            tenant, json.dumps(pack).encode(), "application/senml+json", Authorization=f"Bearer {key}"
        )
        assert told.json()["stored"] == 1


class TestATable:
    def test_of_local_times_needs_its_zone(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        body = f"probe,observed_at,quantity,value,unit\n{serial},2026-05-04 09:00:00,temperature,131,[degF]\n"
        answer = post(tenant, body.encode(), "text/csv")
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["pointer"] == "/time_zone"
        told = post(tenant, body.encode(), "text/csv", "/v1/readings?time_zone=America/Chicago")
        assert told.json()["stored"] == 1

    def test_names_each_bad_line(self, tenant: Tenant) -> None:
        rows = [
            "probe,observed_at,quantity,value,unit",
            f"P,{at(0)},temperature,61.4,Cel",
            f"P,{at(1)},temperature,hot,Cel",
        ]
        told = post(tenant, "\r\n".join(rows).encode(), "text/csv", "/v1/readings?dry_run=true").json()
        assert (told["dry_run"], told["usable"], told["would_be_held"]) == (True, 1, 1)
        assert told["unknown_probes"] == ["P"]
        assert [(one["line"], one["index"]) for one in told["refused"]] == [(3, 1)]

    def test_is_read_by_the_profile_it_names(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        definition = {
            "probe": {"constant": serial},
            "quantity": {"constant": "temperature"},
            "unit": {"constant": "[degF]"},
            "value": {"column": "T"},
            "observed_at": {"column": "when"},
            "time_format": "%d.%m.%Y %H:%M",
            "time_zone": "Europe/Lisbon",
            "delimiter": ";",
            "decimal_comma": True,
        }
        sample = "when;T\n04.05.2026 09:00;131,5\n"
        tenant.post(
            "/v1/profiles", {"name": "card", "kind": "table", "definition": definition, "sample": sample}
        )
        told = post(tenant, sample.encode(), "text/csv", "/v1/readings?profile=card")
        assert told.json()["stored"] == 1, told.text
        assert post(tenant, sample.encode(), "text/csv", "/v1/readings?profile=none").status_code == 422


def test_an_uplink_is_read_by_its_profile(tenant: Tenant) -> None:
    serial = a_probe(tenant)["serial"]
    definition = {
        "device": "device.name",
        "records": "payload.samples",
        "value": "celsius",
        "quantity": {"constant": "temperature"},
        "unit": {"constant": "Cel"},
        "received_at": {"expression": "heard_at", "form": "rfc3339"},
        "observed_at": {"seconds_ago": "age"},
    }
    uplink = {
        "device": {"name": serial},
        "heard_at": at(1),
        "payload": {"samples": [{"celsius": 61.4, "age": 900}, {"celsius": 61.9, "age": 0}]},
    }
    sample = json.dumps(uplink)
    tenant.post("/v1/profiles", {"name": "net", "kind": "uplink", "definition": definition, "sample": sample})
    told = post(tenant, sample.encode(), "application/json", "/v1/readings?profile=net")
    assert told.json()["stored"] == 2, told.text


def test_unknown_parameters_are_named(tenant: Tenant) -> None:
    answer = post(tenant, b"{}", "application/json", "/v1/readings?profil=x&live=maybe")
    assert {one["pointer"] for one in answer.json()["errors"]} == {"/profil", "/live"}
