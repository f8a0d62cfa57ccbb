"""After composting, over HTTP: a lot sent along, and a pile on record."""

import uuid
from typing import Any

import pytest

from tests.builders import a_pile, a_site, at
from tests.conftest import Tenant

LOT: dict[str, Any] = {
    "mass_kg": 1000,
    "bulk_density_kg_m3": 500,
    "moisture_pct": 50,
    "nitrogen_pct": 2,
    "phosphorus_pct": 0.5,
    "potassium_pct": 1,
    "carbon_nitrogen_ratio": 12,
}
DAY = 24


def told(tenant: Tenant, pile_id: str, kind: str, day: float, **details: Any) -> dict[str, Any]:
    body = {"kind": kind, "at": at(day * DAY - 90 * DAY)} | details
    event: dict[str, Any] = tenant.post(f"/v1/piles/{pile_id}/events", body)
    return event


def built(tenant: Tenant, **pile: Any) -> str:
    found: str = a_pile(tenant, built_at=at(-90 * DAY), **pile)["id"]
    return found


class TestCompostNutrients:
    def test_a_lot(self, tenant: Tenant) -> None:
        """1 t at 50 % moisture and 2 % N holds 10 kg; C:N 12 gives 5 to 10 % (from memory); IPCC: 4 and 0.24 g/kg."""
        body = LOT | {
            "application": {"area_m2": 10, "depth_cm": 1},
            "treated_kg": 2000,
            "ash_pct": 40,
            "start_ash_pct": 20,
        }
        answer = tenant.call("POST", "/v1/compost/nutrients", body)
        assert answer.status_code == 200, answer.text
        found = answer.json()
        assert found["nutrients"]["nitrogen"]["kg"] == pytest.approx(10)
        assert found["available_nitrogen"]["first_season_kg"] == pytest.approx(
            {"value": 0.75, "low": 0.5, "high": 1}
        )
        assert found["application"]["volume_l"] == pytest.approx(100)
        assert found["application"]["share_of_lot_pct"] == pytest.approx(5)
        assert found["emissions"]["methane_kg"]["value"] == pytest.approx(8)
        assert found["emissions"]["nitrous_oxide_kg"]["value"] == pytest.approx(0.48)
        assert found["mass_loss"]["dry_matter_lost_pct"] == pytest.approx(50)
        assert {one["about"] for one in found["cautions"]} == {
            "raw_manure",
            "herbicides",
            "breathing",
            "lifting",
        }
        assert len(found["bioassay"]["steps"]) == 6
        assert found["reasons"] == []

    def test_an_empty_analysis_is_answered_with_reasons(self, tenant: Tenant) -> None:
        found = tenant.call("POST", "/v1/compost/nutrients", {}).json()
        assert found["nutrients"]["nitrogen"] is None
        assert {one["figure"] for one in found["reasons"]} == {
            "nitrogen",
            "phosphorus",
            "potassium",
            "available_nitrogen",
            "emissions",
            "mass_loss",
        }

    @pytest.mark.parametrize(
        ("body", "pointer"),
        [
            ({"nitrogen_pct": -1}, "/nitrogen_pct"),
            ({"moisture_pct": 101}, "/moisture_pct"),
            ({"mass_kg": 0}, "/mass_kg"),
            ({"carbon_nitrogen_ratio": 0}, "/carbon_nitrogen_ratio"),
            ({"mass_kg": 600, "volume_m3": 1, "bulk_density_kg_m3": 900}, "/bulk_density_kg_m3"),
            ({"application": {"area_m2": 10}}, "/application"),
            ({"application": {"area_m2": 0, "depth_cm": 1}}, "/application/area_m2"),
            (
                {"application": {"area_m2": 1, "available_nitrogen_g_m2": 1}},
                "/application/available_nitrogen_g_m2",
            ),
            ({"ash_pct": 10, "start_ash_pct": 20}, "/ash_pct"),
            ({"treated_basis": "damp"}, "/treated_basis"),
            ({"phosphate_pct": 1}, "/phosphate_pct"),
        ],
    )
    def test_refused_in_words(self, tenant: Tenant, body: dict[str, Any], pointer: str) -> None:
        answer = tenant.call("POST", "/v1/compost/nutrients", body)
        assert answer.status_code == 422, answer.text
        assert answer.headers["Content-Type"] == "application/problem+json"
        assert pointer in [one["pointer"] for one in answer.json()["errors"]]


class TestPileAfter:
    def test_a_pile_with_loads_and_a_late_sample(self, tenant: Tenant) -> None:
        pile = built(tenant)
        told(tenant, pile, "load", 0, material="bedding", mass_kg=600, volume_m3=1.2)
        told(tenant, pile, "load", 0, material="leaves", mass_kg=200, volume_m3=1.0)
        told(tenant, pile, "sample", 1, carbon_nitrogen_ratio=29, nitrogen_pct=1.1)
        told(
            tenant,
            pile,
            "sample",
            80,
            carbon_nitrogen_ratio=12,
            nitrogen_pct=2,
            moisture_pct=50,
            phosphorus_pct=0.5,
            potassium_pct=1,
            bulk_density_kg_m3=500,
        )
        told(tenant, pile, "sample", 85, moisture_pct=40)
        told(tenant, pile, "screen", 86, mesh_mm=12, fines_m3=0.8, overs_m3=0.2)
        found = tenant.get(f"/v1/piles/{pile}/after?area_m2=10&depth_cm=2")
        assert found["lot"]["mass_kg"] == pytest.approx(400)
        # the newest moisture with the nitrogen of five days before: 400 kg x 0.6 x 2 %
        assert found["nutrients"]["nitrogen"]["kg"] == pytest.approx(4.8)
        assert found["available_nitrogen"]["carbon_nitrogen_ratio"] == 12
        assert found["application"]["volume_l"] == pytest.approx(200)
        assert found["emissions"]["treated_kg"] == 800
        assert found["emissions"]["methane_kg"]["value"] == pytest.approx(3.2)
        when = {one["figure"]: one["at"][:10] for one in found["measured"]}
        assert when["moisture_pct"] > when["nitrogen_pct"]
        assert {one["figure"] for one in found["reasons"]} == {"mass_loss"}

    def test_a_correction_of_a_sample_holds(self, tenant: Tenant) -> None:
        pile = built(tenant)
        sample = told(tenant, pile, "sample", 80, nitrogen_pct=20, moisture_pct=50)
        right = {"kind": "sample", "at": sample["at"], "nitrogen_pct": 2, "moisture_pct": 50}
        told(tenant, pile, "correct", 81, corrects=sample["id"], reason="comma", replacement=right)
        found = tenant.get(f"/v1/piles/{pile}/after")
        assert found["nutrients"]["nitrogen"]["kg_per_t"] == pytest.approx(10)

    def test_a_bare_pile_says_what_is_lacking(self, tenant: Tenant) -> None:
        pile = built(tenant)
        told(tenant, pile, "load", 0, material="leaves", volume_m3=1.0)
        told(tenant, pile, "sample", 1, carbon_nitrogen_ratio=29, nitrogen_pct=1.1, moisture_pct=60)
        found = tenant.get(f"/v1/piles/{pile}/after")
        assert found["nutrients"]["nitrogen"] is None
        assert found["available_nitrogen"] is None
        assert found["emissions"] is None
        assert found["application"] is None
        reasons = {one["figure"]: one["because"] for one in found["reasons"]}
        assert "1 of 1 loads" in reasons["emissions"]
        assert "nitrogen_pct" in reasons["nitrogen"]

    def test_losses_by_the_ash_of_recipe_and_sample(self, tenant: Tenant) -> None:
        """100 kg dry at 20 % ash become 50 kg at 40 %."""
        stuff = {
            "name": "bedding",
            "mass_kg": 500,
            "moisture_pct": 60,
            "nitrogen_pct": 1.5,
            "volatile_solids_pct": 80,
        }
        recipe = tenant.post("/v1/recipes", {"name": "mix", "ingredients": [stuff]})
        pile = built(tenant, recipe_id=recipe["id"])
        told(tenant, pile, "sample", 80, ash_pct=40)
        found = tenant.get(f"/v1/piles/{pile}/after")
        assert found["mass_loss"]["dry_matter_lost_pct"] == pytest.approx(50)
        assert found["mass_loss"]["volatile_solids_lost_pct"] == pytest.approx(62.5)
        told(tenant, pile, "sample", 82, ash_pct=10)
        wrong = tenant.get(f"/v1/piles/{pile}/after")
        assert wrong["mass_loss"] is None
        assert "do not fit" in next(
            one["because"] for one in wrong["reasons"] if one["figure"] == "mass_loss"
        )

    def test_a_figure_nobody_can_have_measured_is_left_out(self, tenant: Tenant) -> None:
        pile = built(tenant)
        told(tenant, pile, "sample", 80, nitrogen_pct=1e-9, moisture_pct=50)
        found = tenant.get(f"/v1/piles/{pile}/after?area_m2=1&depth_cm=1")
        assert found["lot"]["nitrogen_pct"] is None
        assert any("too little to have been measured" in one["because"] for one in found["reasons"])

    def test_bad_questions(self, tenant: Tenant) -> None:
        pile = a_pile(tenant)["id"]
        for query, pointer in (
            ("area_m2=10", "/depth_cm"),
            ("depth_cm=2", "/area_m2"),
            ("area_m2=-1&depth_cm=2", "/area_m2"),
        ):
            answer = tenant.call("GET", f"/v1/piles/{pile}/after?{query}", None)
            assert answer.status_code == 422, answer.text
            assert pointer in answer.json()["errors"][0]["pointer"]

    def test_another_sites_key_and_no_pile(self, tenant: Tenant) -> None:
        pile, elsewhere = a_pile(tenant)["id"], a_site(tenant)["id"]
        key = tenant.key_for("read", site_id=elsewhere)
        assert tenant.call("GET", f"/v1/piles/{pile}/after", None, key=key).status_code == 404
        assert tenant.call("GET", f"/v1/piles/{uuid.uuid4()}/after", None).status_code == 404
