"""Full size, every time, over HTTP: what a crew records becomes a chart, a finding and its price."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.builders import a_bag, a_bay, a_pile, a_probe, a_site
from tests.conftest import Tenant
from tests.http.test_exchange import NO_ONE, problem_of

FIRST = datetime(2026, 3, 2, 9, tzinfo=UTC)
STEADY = [1.0, 0.97, 1.02, 0.99, 1.01, 0.98]


def build(
    tenant: Tenant, site: dict[str, Any], number: int, told: dict[str, Any], **more: Any
) -> dict[str, Any]:
    """Build a pile on a Monday; ``told`` is what the crew says of it an hour later."""
    built = FIRST + timedelta(days=7 * number)
    crew = more.pop("crew", None)
    load = {
        "kind": "load",
        "at": (built - timedelta(hours=1)).isoformat(),
        "volume_m3": more.pop("loaded_m3", None),
    }
    pile = a_pile(tenant, site["id"], label=f"P{number}", built_at=built.isoformat(), **more)
    path = f"/v1/piles/{pile['id']}/events"
    tenant.post(path, load | {"crew": crew})
    if told:
        tenant.post(path, {"kind": "observe", "at": (built + timedelta(hours=1)).isoformat()} | told)
    return pile


def sizes(tenant: Tenant, site: dict[str, Any], **query: Any) -> Any:
    asked = "&".join(f"{name}={value}" for name, value in query.items())
    return tenant.get(f"/v1/sites/{site['id']}/sizes?{asked}")


class TestChart:
    def test_a_drift_with_its_day_its_words_and_its_price(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        for number, ratio in enumerate([*STEADY, *STEADY, *[0.7 * r for r in STEADY]]):
            build(tenant, site, number, {"volume_m3": 1.5 * ratio}, design_volume_m3=1.5)
        told = sizes(tenant, site, ambient_c=12)
        drift = told["drift"]
        assert (drift["state"], drift["since_label"]) == ("smaller", "P12")
        assert datetime.fromisoformat(drift["since"]) == FIRST + timedelta(days=84)
        assert "30% smaller" in drift["text"]
        assert len(told["chart"]["moving_ranges"]) == len(told["chart"]["ratios"]) - 1 == 17
        assert any(one["side"] == "low" for one in told["chart"]["signals"])
        assert told["newest"]["pile"]["label"] == "P17"
        cost = told["newest"]["cost"]
        assert (
            cost["hot_hours_loss"]["low"] < cost["hot_hours_loss"]["likely"] < cost["hot_hours_loss"]["high"]
        )
        assert told["newest"]["ambient_from"] == "as asked"
        assert "provisional" in told["cautions"][0]

    def test_too_few_say_so(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        empty = sizes(tenant, site)
        assert (empty["drift"]["state"], empty["newest"], empty["piles"]) == ("too_few", None, [])
        build(tenant, site, 0, {"volume_m3": 1.2}, design_volume_m3=1.5)
        told = sizes(tenant, site)
        assert (told["drift"]["state"], told["chart"]) == ("too_few", None)
        assert told["newest"]["cost"] is None
        assert "ambient_c" in told["newest"]["because"]

    def test_what_a_size_rests_on(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        bay = a_bay(tenant, site["id"], volume_m3=2.0, height_m=1.6)
        build(tenant, site, 0, {"volume_m3": 1.8, "height_m": 1.1}, bay_id=bay["id"])
        build(tenant, site, 1, {"height_m": 1.2}, bay_id=bay["id"])
        build(tenant, site, 2, {"height_m": 1.2}, design_volume_m3=3.0, design_height_m=1.5)
        build(tenant, site, 3, {}, bay_id=bay["id"], loaded_m3=1.9)
        build(tenant, site, 4, {"height_m": 1.2})
        build(tenant, site, 5, {}, bay_id=bay["id"])
        told = sizes(tenant, site)
        assert [(one["label"], one["basis"], one["ratio"]) for one in told["piles"]] == [
            ("P0", "measured", pytest.approx(0.9)),
            ("P1", "height", pytest.approx(0.75)),
            ("P2", "height", pytest.approx(0.8)),
        ]
        reasons = {one["label"]: one["reason"] for one in told["left_out"]}
        assert "another way" in reasons["P3"]
        assert "no design volume" in reasons["P4"]
        assert "not known" in reasons["P5"]

    def test_each_crew_has_its_own(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        for number in range(20):
            crew = "A" if number % 2 else "B"
            ratio = STEADY[number % 6] * (0.7 if crew == "A" and number > 10 else 1)
            build(tenant, site, number, {"volume_m3": 1.5 * ratio}, design_volume_m3=1.5, crew=crew)
        one, other = (sizes(tenant, site, crew=crew) for crew in "AB")
        assert (one["drift"]["state"], other["drift"]["state"]) == ("smaller", "steady")
        assert {pile["crews"][0] for pile in one["piles"]} == {"A"}
        states = {crew["crew"]: crew["state"] for crew in sizes(tenant, site)["crews"]}
        assert states == {"A": "smaller", "B": "steady"}
        assert sizes(tenant, site, crew="nobody")["drift"]["state"] == "too_few"

    def test_the_air_is_the_sites_own(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        pile = build(tenant, site, 0, {"volume_m3": 0.9}, design_volume_m3=1.5)
        probe = a_probe(tenant, site_id=site["id"])
        readings = [
            {
                "probe": probe["serial"],
                "observed_at": (
                    datetime.fromisoformat(pile["built_at"]) + timedelta(hours=6 * n)
                ).isoformat(),
                "quantity": "ambient_temperature",
                "value": 8 + n % 2 * 4,
                "unit": "Cel",
            }
            for n in range(20)
        ]
        tenant.post("/v1/readings", a_bag(*readings))
        newest = sizes(tenant, site)["newest"]
        assert (newest["ambient_c"], newest["ambient_from"]) == (10, "measured at the site")
        assert newest["cost"]["hot_hours_loss"]["likely"] > 0

    def test_bad_input_is_named(self, tenant: Tenant, other: Tenant) -> None:
        site = a_site(tenant)
        for field in ("design_volume_m3", "design_height_m"):
            body = {"site_id": site["id"], "label": "x", field: 0}
            problem = problem_of(tenant.call("POST", "/v1/piles", body), 422)
            assert problem["errors"][0]["pointer"] == f"/{field}"
        problem_of(tenant.call("GET", f"/v1/sites/{site['id']}/sizes?ambient_c=400"), 422)
        problem_of(tenant.call("GET", f"/v1/sites/{NO_ONE}/sizes"), 404)
        problem_of(other.call("GET", f"/v1/sites/{site['id']}/sizes"), 404)
        key = tenant.key_for("read", site_id=a_site(tenant)["id"])
        problem_of(tenant.call("GET", f"/v1/sites/{site['id']}/sizes", key=key), 404)
