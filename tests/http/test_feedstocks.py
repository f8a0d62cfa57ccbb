"""Feedstocks and their analyses over time: which figure holds where and when, and where each came from."""

import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.builders import a_site
from tests.conftest import Tenant

DRIED = {"wet_kg": 0.014, "dry_kg": 0.0063, "container_kg": 0.004}
"""Cornell Waste Management Institute, "Moisture content": 77 %."""


def a_feedstock(tenant: Tenant, **overrides: Any) -> dict[str, Any]:
    body = {"code": f"bedding-{uuid.uuid4().hex[:8]}", "name": "Stable bedding"} | overrides
    made: dict[str, Any] = tenant.post("/v1/feedstocks", body)
    return made


def analysed(tenant: Tenant, feedstock: dict[str, Any], **body: Any) -> dict[str, Any]:
    made: dict[str, Any] = tenant.post(
        f"/v1/feedstocks/{feedstock['id']}/analyses", {"sampled_on": "2026-05-04"} | body
    )
    return made


def figures(tenant: Tenant, feedstock: dict[str, Any], query: str = "") -> dict[str, Any]:
    found: dict[str, Any] = tenant.get(f"/v1/feedstocks/{feedstock['id']}/figures{query}")["figures"]
    return found


def refused(answer: Any, pointer: str, *words: str) -> None:
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    found = {error["pointer"]: error["detail"] for error in answer.json()["errors"]}
    assert pointer in found, found
    for word in words:
        assert word in found[pointer]


class TestLibrary:
    def test_shows_what_is_doubtful(self, tenant: Tenant) -> None:
        rows = {row["code"]: row for row in tenant.get("/v1/feedstocks/library")["items"]}
        assert len(rows) == 126
        husk = rows["coffee-husk"]
        assert husk["is_low_confidence"]
        assert husk["figures"]["nitrogen_pct"]["status"] == "low confidence"
        assert rows["straw"]["figures"]["nitrogen_pct"]["status"] == "from memory"
        ratio = rows["grass-clippings"]["figures"]["carbon_nitrogen_ratio"]
        assert (ratio["low"], ratio["value"], ratio["high"]) == (9, 17, 25)
        assert [one["low"] for one in ratio["others"]] == [12, 19, 15]
        assert rows["straw-wheat"]["figures"]["lignin_pct"]["method"] == "klason"


class TestAnalyses:
    def test_an_oven_tells_moisture_and_keeps_its_weights(self, tenant: Tenant) -> None:
        feedstock = a_feedstock(tenant)
        made = analysed(tenant, feedstock, kind="oven_drying", oven=DRIED, plus_minus={"moisture_pct": 2})
        assert made["moisture_pct"] == pytest.approx(77)
        assert (made["raw"], made["plus_minus"], made["method"]) == (
            DRIED,
            {"moisture_pct": 2},
            "oven drying",
        )
        held = figures(tenant, feedstock)["moisture_pct"]
        assert held["value"] == pytest.approx(77)
        assert (held["low"], held["high"]) == (pytest.approx(75), pytest.approx(79))
        assert (held["from"], held["status"], held["analysis_id"]) == ("analysis", "measured", made["id"])
        assert "2026-05-04" in held["source"]

    def test_a_bucket_in_either_measures(self, tenant: Tenant) -> None:
        """Eawag/Sandec after Cooperband 2002: 9 kg in 20 L; and the same bucket in gallons and pounds."""
        feedstock = a_feedstock(tenant)
        metric = analysed(
            tenant,
            feedstock,
            kind="bucket",
            bucket={"bucket_l": 20, "empty_kg": 1, "full_kg": 10, "drops": 30},
        )
        us = {"bucket_gal": 20 / 3.785411784, "empty_lb": 1 / 0.45359237, "full_lb": 10 / 0.45359237}
        assert metric["bulk_density_kg_m3"] == pytest.approx(450)
        assert analysed(tenant, feedstock, kind="bucket", bucket=us)["bulk_density_kg_m3"] == pytest.approx(
            450
        )

    def test_a_squeeze_is_ten_points_wide(self, tenant: Tenant) -> None:
        feedstock = a_feedstock(tenant)
        analysed(tenant, feedstock, kind="squeeze", squeeze={"feel": "right"})
        held = figures(tenant, feedstock)["moisture_pct"]
        assert (held["low"], held["value"], held["high"], held["plus_minus"]) == (45, 55, 65, 10)

    def test_as_is_figures_become_dry_ones(self, tenant: Tenant) -> None:
        """Fidanza et al., mushroom compost: nitrogen 1.12 % as is, 2.65 % dry, at 57.7 % moisture; read."""
        feedstock = a_feedstock(tenant)
        made = analysed(tenant, feedstock, basis="as_is", nitrogen_pct=1.12, moisture_pct=57.7)
        assert made["nitrogen_pct"] == pytest.approx(2.65, abs=0.005)
        assert made["raw"]["nitrogen_pct"] == 1.12
        held = figures(tenant, feedstock)
        assert "as it lies" in held["nitrogen_pct"]["note"]
        assert held["moisture_pct"]["note"] == ""

    def test_the_newest_of_each_figure_wins(self, tenant: Tenant) -> None:
        feedstock = a_feedstock(tenant, moisture_pct=50, nitrogen_pct=1.0, source="asked the stable")
        analysed(tenant, feedstock, sampled_on="2026-04-01", moisture_pct=60, nitrogen_pct=1.5, carbon_pct=45)
        analysed(tenant, feedstock, sampled_on="2026-05-01", moisture_pct=70)
        analysed(tenant, feedstock, sampled_on="2026-03-01", moisture_pct=40)
        held = figures(tenant, feedstock)
        assert {name: one["value"] for name, one in held.items()} == {
            "moisture_pct": 70,
            "nitrogen_pct": 1.5,
            "carbon_pct": 45,
            "carbon_nitrogen_ratio": 30,
        }
        assert held["carbon_nitrogen_ratio"]["from"] == "derived"
        assert figures(tenant, feedstock, "?on=2026-04-15")["moisture_pct"]["value"] == 60
        assert figures(tenant, feedstock, "?on=2026-03-15")["moisture_pct"]["value"] == 40
        first = figures(tenant, feedstock, "?on=2026-01-01")
        assert first["moisture_pct"]["value"] == 50
        assert (first["moisture_pct"]["from"], first["moisture_pct"]["source"]) == (
            "feedstock",
            "asked the stable",
        )
        assert "carbon_pct" not in first

    def test_one_of_the_same_day_wins_by_when_it_was_recorded(self, tenant: Tenant) -> None:
        feedstock = a_feedstock(tenant)
        for moisture in (40, 60, 50):
            analysed(tenant, feedstock, moisture_pct=moisture)
        assert figures(tenant, feedstock)["moisture_pct"]["value"] == 50

    def test_the_library_is_the_fallback(self, tenant: Tenant) -> None:
        feedstock = a_feedstock(tenant, code="leaves", name="Park leaves")
        analysed(tenant, feedstock, moisture_pct=20)
        held = figures(tenant, feedstock)
        assert (held["moisture_pct"]["from"], held["moisture_pct"]["value"]) == ("analysis", 20)
        assert (held["nitrogen_pct"]["from"], held["nitrogen_pct"]["value"]) == ("library", 0.9)
        assert "NRAES-54" in held["nitrogen_pct"]["source"]

    def test_one_that_ran_out_counts_no_more(self, tenant: Tenant) -> None:
        feedstock = a_feedstock(tenant, moisture_pct=50)
        analysed(tenant, feedstock, moisture_pct=70, valid_until="2026-05-10")
        assert figures(tenant, feedstock, "?on=2026-05-10")["moisture_pct"]["value"] == 70
        assert figures(tenant, feedstock, "?on=2026-05-11")["moisture_pct"]["value"] == 50
        today = datetime.now(UTC).date()
        analysed(tenant, feedstock, moisture_pct=80, valid_until=(today + timedelta(days=2)).isoformat())
        assert figures(tenant, feedstock)["moisture_pct"]["value"] == 80

    def test_one_that_was_withdrawn_counts_no_more(self, tenant: Tenant) -> None:
        feedstock = a_feedstock(tenant)
        right = analysed(tenant, feedstock, sampled_on="2026-04-01", moisture_pct=60)
        wrong = analysed(tenant, feedstock, moisture_pct=16)
        path = f"/v1/feedstocks/{feedstock['id']}/analyses"
        entry = {"kind": "withdraw", "withdraws": wrong["id"], "note": "the scale was in ounces"}
        withdrawal = tenant.post(path, entry)
        held = figures(tenant, feedstock)["moisture_pct"]
        assert (held["value"], held["analysis_id"]) == (60, right["id"])
        listed = {one["id"]: one for one in tenant.get(path)["items"]}
        assert len(listed) == 3
        assert listed[wrong["id"]]["withdrawn_by"] == withdrawal["id"]
        assert listed[wrong["id"]]["moisture_pct"] == 16
        assert listed[right["id"]]["withdrawn_by"] is None
        assert listed[withdrawal["id"]]["note"] == "the scale was in ounces"
        assert tenant.call("POST", path, entry).status_code == 409
        refused(
            tenant.call("POST", path, entry | {"withdraws": withdrawal["id"]}), "/withdraws", "no analysis"
        )
        refused(
            tenant.call("POST", path, entry | {"withdraws": str(uuid.uuid4())}), "/withdraws", "no analysis"
        )
        elsewhere = f"/v1/feedstocks/{a_feedstock(tenant)['id']}/analyses"
        refused(
            tenant.call("POST", elsewhere, entry | {"withdraws": right["id"]}), "/withdraws", "no analysis"
        )

    @pytest.mark.parametrize(
        ("body", "pointer", "words"),
        [
            ({"moisture_pct": 40}, "/sampled_on", "missing"),
            ({"sampled_on": "2026-05-04"}, "", "measures nothing"),
            (
                {"sampled_on": "2026-05-04", "moisture_pct": 40, "valid_until": "2026-05-03"},
                "/valid_until",
                "before",
            ),
            ({"sampled_on": "2026-05-04", "moisture_pct": 140}, "/moisture_pct", "100"),
            ({"sampled_on": "2026-05-04", "moisture_pct": -1}, "/moisture_pct", "0"),
            (
                {
                    "sampled_on": "2026-05-04",
                    "nitrogen_pct": 2,
                    "carbon_pct": 40,
                    "carbon_nitrogen_ratio": 30,
                },
                "/carbon_nitrogen_ratio",
                "contradicts",
            ),
            (
                {"sampled_on": "2026-05-04", "nitrogen_pct": 0, "carbon_nitrogen_ratio": 30},
                "/carbon_nitrogen_ratio",
                "undefined",
            ),
            ({"sampled_on": "2026-05-04", "kind": "bucket"}, "/bucket", "needs it"),
            (
                {"sampled_on": "2026-05-04", "kind": "oven_drying", "oven": {"wet_kg": 1, "dry_kg": 2}},
                "/oven/dry_kg",
                "not between",
            ),
            (
                {"sampled_on": "2026-05-04", "nitrogen_pct": 1, "basis": "as_is"},
                "/moisture_pct",
                "same sample",
            ),
            (
                {"sampled_on": "2026-05-04", "lignin_method": "klason", "moisture_pct": 4},
                "/lignin_method",
                "lignin_pct",
            ),
            (
                {"sampled_on": "2026-05-04", "moisture_pct": 4, "site_id": str(uuid.uuid4())},
                "/site_id",
                "site",
            ),
            ({"kind": "withdraw", "note": "why"}, "/withdraws", "id"),
            ({"kind": "withdraw", "withdraws": str(uuid.uuid4())}, "/note", "why"),
            (
                {"kind": "withdraw", "withdraws": str(uuid.uuid4()), "note": "x", "moisture_pct": 4},
                "/moisture_pct",
                "leave it out",
            ),
            (
                {"sampled_on": "2026-05-04", "moisture_pct": 4, "withdraws": str(uuid.uuid4())},
                "/withdraws",
                "kind withdraw",
            ),
            ({"sampled_on": "2026-05-04", "kind": "guess", "moisture_pct": 4}, "/kind", "laboratory"),
        ],
    )
    def test_what_is_refused(self, tenant: Tenant, body: dict[str, Any], pointer: str, words: str) -> None:
        feedstock = a_feedstock(tenant)
        path = f"/v1/feedstocks/{feedstock['id']}/analyses"
        refused(tenant.call("POST", path, body), pointer, words)
        assert tenant.get(path)["items"] == []

    def test_of_another_organisation_is_absent(self, tenant: Tenant, other: Tenant) -> None:
        feedstock = a_feedstock(other)
        for path in ("figures", "analyses"):
            assert tenant.call("GET", f"/v1/feedstocks/{feedstock['id']}/{path}").status_code == 404


class TestSites:
    def test_a_sites_analysis_wins_there_alone(self, tenant: Tenant) -> None:
        north, south = a_site(tenant)["id"], a_site(tenant)["id"]
        feedstock = a_feedstock(tenant)
        analysed(tenant, feedstock, sampled_on="2026-04-01", moisture_pct=40, site_id=north)
        analysed(tenant, feedstock, sampled_on="2026-05-01", moisture_pct=60)
        assert figures(tenant, feedstock, f"?site_id={north}")["moisture_pct"]["value"] == 40
        assert figures(tenant, feedstock, f"?site_id={south}")["moisture_pct"]["value"] == 60
        assert figures(tenant, feedstock)["moisture_pct"]["value"] == 60
        assert (
            tenant.call("GET", f"/v1/feedstocks/{feedstock['id']}/figures?site_id={uuid.uuid4()}").status_code
            == 404
        )

    def test_a_key_of_one_site_writes_for_that_site_alone(self, tenant: Tenant) -> None:
        north, south = a_site(tenant)["id"], a_site(tenant)["id"]
        key = tenant.key_for("read", "write", site_id=north)
        everywhere = a_feedstock(tenant)
        path = f"/v1/feedstocks/{everywhere['id']}/analyses"
        body = {"sampled_on": "2026-05-04", "moisture_pct": 40}
        assert tenant.call("POST", path, body, key=key).status_code == 403
        refused(tenant.call("POST", path, body | {"site_id": south}, key=key), "/site_id")
        made = tenant.post(path, body | {"site_id": north}, key=key)
        assert made["site_id"] == north
        # the key's own site is asked for when none is named
        held = tenant.get(f"/v1/feedstocks/{everywhere['id']}/figures", key=key)
        assert (held["site_id"], held["figures"]["moisture_pct"]["value"]) == (north, 40)
        assert figures(tenant, everywhere) == {}

    def test_a_feedstock_of_one_site(self, tenant: Tenant) -> None:
        north, south = a_site(tenant)["id"], a_site(tenant)["id"]
        key = tenant.key_for("read", "write", site_id=north)
        assert tenant.call("POST", "/v1/feedstocks", {"code": "x", "name": "x"}, key=key).status_code == 403
        own = tenant.post("/v1/feedstocks", {"code": "reed", "name": "Reed", "site_id": north}, key=key)
        assert own["site_id"] == north
        path = f"/v1/feedstocks/{own['id']}/analyses"
        body = {"sampled_on": "2026-05-04", "moisture_pct": 12}
        tenant.post(path, body, key=key)
        refused(tenant.call("POST", path, body | {"site_id": south}), "/site_id", "another site")
        assert figures(tenant, own)["moisture_pct"]["value"] == 12
        foreign = tenant.key_for("read", "write", site_id=south)
        patch = f"/v1/feedstocks/{own['id']}"
        assert tenant.call("PATCH", patch, {"name": "Y"}, key=foreign, If_Match='"1"').status_code in {
            404,
            422,
        }
        assert tenant.call("PATCH", patch, {"name": "Reeds"}, key=key, If_Match='"1"').status_code == 200
