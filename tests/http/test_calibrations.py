"""Calibrations: added to and never changed, and no reading is altered by them."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.exc import ProgrammingError

from service.storage.database import Database
from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant
from tests.http.test_exchange import NO_ONE, problem_of

ICE = {"calibrated_at": at(0), "method": "ice_bath", "reference_c": 0, "shown_c": 0.4}
BOILING = {"calibrated_at": at(1), "method": "boiling_water", "reference_c": 99.6, "shown_c": 99.9}


def path_of(probe: dict[str, Any]) -> str:
    return f"/v1/probes/{probe['id']}/calibrations"


class TestRecording:
    def test_derives_the_offset(self, tenant: Tenant) -> None:
        path = path_of(a_probe(tenant))
        made = tenant.post(path, ICE | {"accuracy_c": 0.1, "note": "bucket by the tap"})
        assert made["offset_c"] == -0.4
        assert (made["accuracy_c"], made["note"], made["cautions"]) == (0.1, "bucket by the tap", [])
        assert datetime.fromisoformat(made["calibrated_at"]) == datetime.fromisoformat(at(0))
        assert tenant.get(path)["items"] == [made]

    def test_says_that_boiling_water_scalds(self, tenant: Tenant) -> None:
        assert "scald" in tenant.post(path_of(a_probe(tenant)), BOILING)["cautions"][0]

    @pytest.mark.parametrize(
        ("change", "pointer", "said"),
        [
            ({"reference_c": 32}, "/reference_c", "degrees Celsius"),
            ({"method": "boiling_water", "reference_c": 212}, "/reference_c", "air pressure"),
            ({"method": "boiling_water", "reference_c": 80}, "/reference_c", "85 to 101"),
            ({"method": "hot_water"}, "/method", "boiling_water"),
            ({"shown_c": 400}, "/shown_c", "300"),
            ({"shown_c": "0.4"}, "/shown_c", "number"),
            ({"accuracy_c": 0}, "/accuracy_c", "greater than 0"),
            ({"calibrated_at": "2026-05-04T09:00:00"}, "/calibrated_at", "offset"),
            ({"calibrated_at": "2150-05-04T09:00:00Z"}, "/calibrated_at", "lies ahead"),
            ({"offset_c": 0.4}, "/offset_c", "not a known field"),
        ],
        ids=str,
    )
    def test_names_what_cannot_be(
        self, tenant: Tenant, change: dict[str, Any], pointer: str, said: str
    ) -> None:
        path = path_of(a_probe(tenant))
        (error,) = problem_of(tenant.call("POST", path, ICE | change), 422)["errors"]
        assert error["pointer"] == pointer
        assert said in error["detail"]
        assert tenant.get(path)["items"] == []

    def test_keeps_that_a_probe_is_broken(self, tenant: Tenant) -> None:
        assert tenant.post(path_of(a_probe(tenant)), ICE | {"shown_c": 61.4})["offset_c"] == -61.4

    def test_is_repeatable(self, tenant: Tenant) -> None:
        path = path_of(a_probe(tenant))
        key = uuid.uuid4().hex
        first = tenant.call("POST", path, ICE, Idempotency_Key=key)
        again = tenant.call("POST", path, ICE, Idempotency_Key=key)
        assert (first.status_code, first.json()) == (201, again.json())
        assert len(tenant.get(path)["items"]) == 1

    def test_stays_on_record(self, tenant: Tenant, database: Database) -> None:
        tenant.post(path_of(a_probe(tenant)), ICE)
        for statement in ("update calibration set shown_c = 0", "delete from calibration"):
            with (
                pytest.raises(ProgrammingError, match="permission denied"),
                database.begin(tenant.organisation_id) as session,
            ):
                session.execute(text(statement))

    def test_alters_no_reading(self, tenant: Tenant) -> None:
        pile, probe = a_pile(tenant), a_probe(tenant)
        a_placement(tenant, probe["id"], pile["id"])
        tenant.post("/v1/readings", a_bag(a_reading(probe["serial"], 0, 61.4)))
        before = tenant.get(f"/v1/piles/{pile['id']}/readings")
        tenant.post(path_of(probe), ICE)
        assert tenant.get(f"/v1/piles/{pile['id']}/readings") == before

    def test_a_key_for_another_site_sees_no_such_probe(self, tenant: Tenant) -> None:
        here = a_site(tenant)["id"]
        key = tenant.key_for("read", "write", site_id=here)
        assert tenant.post(path_of(a_probe(tenant, site_id=here)), ICE, key=key)["offset_c"] == -0.4
        for path in (path_of(a_probe(tenant)), path_of({"id": NO_ONE})):
            problem_of(tenant.call("POST", path, ICE, key=key), 404)
            problem_of(tenant.call("GET", path, key=key), 404)


class TestTheProbeShowsItsLatest:
    def test_by_when_it_was_done(self, tenant: Tenant) -> None:
        probe, other = a_probe(tenant), a_probe(tenant)
        assert probe["calibration"] is None
        tenant.post(path_of(probe), BOILING | {"calibrated_at": at(9), "accuracy_c": 0.2})
        tenant.post(path_of(probe), ICE)  # done earlier, recorded later
        latest = {
            "calibrated_at": "2026-05-04T23:00:00Z",
            "method": "boiling_water",
            "offset_c": -0.3,
            "accuracy_c": 0.2,
        }
        found = {one["id"]: one["calibration"] for one in tenant.get("/v1/probes")["items"]}
        assert found == {probe["id"]: latest, other["id"]: None}
        assert tenant.get(f"/v1/probes/{probe['id']}")["calibration"] == latest
        changed = tenant.call("PATCH", f"/v1/probes/{probe['id']}", {"note": "x"}, If_Match='"1"').json()
        assert changed["calibration"] == latest

    def test_of_one_instant_what_was_recorded_last(self, tenant: Tenant) -> None:
        probe = a_probe(tenant)
        for shown_c in (0.4, 0.5):
            tenant.post(path_of(probe), ICE | {"shown_c": shown_c})
        assert tenant.get(f"/v1/probes/{probe['id']}")["calibration"]["offset_c"] == -0.5

    def test_pages(self, tenant: Tenant) -> None:
        path = path_of(a_probe(tenant))
        start = datetime(2026, 5, 4, tzinfo=UTC)
        made = [
            tenant.post(path, ICE | {"calibrated_at": (start - timedelta(days=day)).isoformat()})["id"]
            for day in range(3)
        ]
        first = tenant.get(f"{path}?limit=2")
        rest = tenant.get(f"{path}?limit=2&after={first['next']}")
        assert [one["id"] for one in first["items"] + rest["items"]] == made
        assert rest["next"] is None
