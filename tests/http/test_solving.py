"""Solving over HTTP: whole barrows, shares, spoilage, other mixes, bays, cures; and every refusal with its remedy."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.builders import a_bay, a_site
from tests.conftest import Tenant

SOLVE = "/v1/recipes/solve"
GRASS = {
    "name": "grass", "moisture_pct": 77, "nitrogen_pct": 2.4, "carbon_pct": 45, "bulk_density_kg_m3": 240,
}  # fmt: skip
LEAVES = {
    "name": "leaves", "moisture_pct": 35, "nitrogen_pct": 0.75, "carbon_pct": 50, "bulk_density_kg_m3": 120,
}  # fmt: skip
BARROW = {"name": "barrow", "volume_l": 80}
WET = {"moisture_pct": {"min": 50, "max": 60}}


def asked(*ingredients: dict[str, Any], **more: Any) -> dict[str, Any]:
    return {
        "ingredients": list(ingredients or (GRASS, LEAVES)),
        "targets": WET,
        "amount": {"mass_kg": 100},
    } | more


class TestAnswers:
    def test_whole_barrows(self, tenant: Tenant) -> None:
        """0.4 m3 is five barrows; two of grass (38.4 kg) beside three of leaves (28.8 kg) are at 59 %."""
        whole = {"measure": BARROW, "whole": True}
        body = asked({**GRASS, **whole}, {**LEAVES, **whole}, amount={"volume_m3": 0.4})
        answer = tenant.post(SOLVE, body)
        assert answer["state"] == "solved"
        assert {load["ingredient"]: load["count"] for load in answer["loads"]} == {"grass": 2, "leaves": 3}
        assert answer["recipe"]["moisture_pct"] == pytest.approx((38.4 * 77 + 28.8 * 35) / 67.2)
        assert answer["rounding"]["words"].startswith("Beside a mix in parts")
        assert answer["objective"].startswith("the smallest largest distance")

    def test_a_mix_in_parts_alone(self, tenant: Tenant) -> None:
        whole = {"measure": BARROW, "whole": True}
        body = asked({**GRASS, **whole}, {**LEAVES, **whole}, amount={"volume_m3": 0.4})
        body["targets"] = {"moisture_pct": {"min": 55, "max": 55}}
        answer = tenant.post(SOLVE, body)
        assert answer["state"] == "infeasible"
        assert [conflict["target"] for conflict in answer["conflicts"]] == ["whole"]
        assert answer["rounding"]["unrounded"]["moisture_pct"] == pytest.approx(55)
        assert all(load["is_whole"] for load in answer["nearest"]["loads"])
        assert answer["cures"]

    def test_a_count_of_measures(self, tenant: Tenant) -> None:
        body = asked({**GRASS, "measure": BARROW}, LEAVES, amount={"of": "grass", "measures": 3})
        answer = tenant.post(SOLVE, body)
        assert answer["recipe"]["ingredients"][0]["mass_kg"] == pytest.approx(3 * 19.2)
        assert answer["loads"][0]["count"] == pytest.approx(3)

    def test_what_spoils_by_date_comes_first(self, tenant: Tenant) -> None:
        soon = (datetime.now(UTC).date() + timedelta(days=3)).isoformat()
        answer = tenant.post(SOLVE, asked({**GRASS, "spoils_on": soon}, LEAVES))
        assert answer["recipe"]["ingredients"][0]["mass_kg"] == pytest.approx(2500 / 42)
        assert answer["objective"].startswith("the most of what spoils first")

    def test_shares_and_other_mixes(self, tenant: Tenant) -> None:
        third = {**LEAVES, "name": "old leaves", "moisture_pct": 40}
        body = asked({**GRASS, "max_share_of_mass_pct": 45}, LEAVES, third, alternatives=2)
        answer = tenant.post(SOLVE, body)
        assert answer["recipe"]["ingredients"][0]["share_of_mass_pct"] <= 45 + 1e-6
        assert answer["alternatives"]
        assert "kg" in answer["alternatives"][0]["differs"]
        assert answer["alternatives_note"]

    def test_cures_of_the_library(self, tenant: Tenant) -> None:
        body = asked({"feedstock": "horse-manure"})
        answer = tenant.post(SOLVE, body)
        assert answer["state"] == "infeasible"
        bought = [cure for cure in answer["cures"] if cure["kind"] == "buy"]
        assert bought
        assert all(cure["feedstock"] for cure in bought)
        again = asked(
            {"feedstock": "horse-manure"}, {"feedstock": bought[0]["feedstock"], "max_kg": bought[0]["to"]}
        )
        assert tenant.post(SOLVE, again)["state"] == "solved"

    def test_a_purchase_of_ones_own(self, tenant: Tenant) -> None:
        """72 (100 - x) + 35 x = 6000: 32.5 kg of leaves."""
        body = asked({"feedstock": "horse-manure"}, may_buy=[{**LEAVES, "cost_per_kg": 0.2}])
        cures = tenant.post(SOLVE, body)["cures"]
        assert [(cure["what"], cure["to"]) for cure in cures if cure["kind"] == "buy"] == [("leaves", 32.5)]


class TestBay:
    def test_is_filled_to_the_mark(self, tenant: Tenant) -> None:
        bay = a_bay(tenant, a_site(tenant)["id"], volume_m3=1.2, label="cage 3")
        answer = tenant.post(SOLVE, asked(amount={"bay_id": bay["id"]}))
        assert answer["recipe"]["volume_m3"] == pytest.approx(1.2)
        assert (answer["bay"]["label"], answer["bay"]["basis"]) == ("cage 3", "loose")

    def test_is_filled_once_settled(self, tenant: Tenant) -> None:
        bay = a_bay(tenant, a_site(tenant)["id"], volume_m3=1.2)
        answer = tenant.post(SOLVE, asked(amount={"bay_id": bay["id"]}, mixing_shrink_pct=20))
        assert answer["recipe"]["volume_m3"] == pytest.approx(1.5)
        assert answer["recipe"]["settled_volume_m3"] == pytest.approx(1.2)
        assert answer["bay"]["basis"] == "settled"
        assert "20 %" in answer["bay"]["words"]

    def test_of_another_organisation_is_not_known(self, tenant: Tenant, other: Tenant) -> None:
        bay = a_bay(other, a_site(other)["id"])
        refused(tenant, asked(amount={"bay_id": bay["id"]}), "/amount/bay_id", "give volume_m3")

    def test_of_another_site_is_out_of_reach(self, tenant: Tenant) -> None:
        near, far = a_site(tenant)["id"], a_site(tenant)["id"]
        bay = a_bay(tenant, far)
        key = tenant.key_for("read", site_id=near)
        refused(tenant, asked(amount={"bay_id": bay["id"]}), "/amount/bay_id", "no bay with id", key=key)

    def test_goes_alone(self, tenant: Tenant) -> None:
        bay = a_bay(tenant, a_site(tenant)["id"])
        body = asked(amount={"bay_id": bay["id"], "mass_kg": 3})
        refused(tenant, body, "/amount/bay_id", "leave out")


def refused(tenant: Tenant, body: dict[str, Any], pointer: str, words: str, **options: str) -> None:
    answer = tenant.call("POST", SOLVE, body, **options)
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    errors = answer.json()["errors"]
    assert pointer in {error["pointer"] for error in errors}, errors
    assert words in " ".join(error["detail"] for error in errors)


MANY = [{**GRASS, "name": f"grass {n}"} for n in range(500)]
REFUSED = [
    (asked({**GRASS, "min_kg": 5, "max_kg": 4}), "/ingredients/0/min_kg", "swap or widen"),
    (asked(targets={"moisture_pct": {"min": 60, "max": 50}}), "/targets/moisture_pct/min", "swap or widen"),
    (
        asked({**GRASS, "min_share_of_mass_pct": 50, "max_share_of_mass_pct": 40}),
        "/ingredients/0/min_share_of_mass_pct",
        "swap or widen",
    ),
    (asked({**GRASS, "whole": True}), "/ingredients/0/measure", "give measure"),
    (asked({**GRASS, "measure": {"name": "barrow"}}), "/ingredients/0/measure", "exactly one"),
    (asked(amount={"of": "grass", "measures": 3}), "/amount/measures", "give its measure, or mass_kg"),
    (asked(amount={"barrows": 3}), "/amount/barrows", "not a known field"),
    (asked(amount={}), "/amount", "exactly one"),
    (asked(amount={"of": "hay", "mass_kg": 3}), "/amount/of", "not among the ingredients"),
    (asked(*MANY), "/ingredients", "at most 100"),
    (asked({"feedstock": "strw", "name": "x"}), "/ingredients/0/feedstock", "straw"),
    (asked(prefer="cost"), "/prefer", "give cost_per_kg"),
    (asked(prefer="spoilage"), "/prefer", "spoils_on"),
    (asked(prefer="taste"), "/prefer", "'cost'"),
    (asked(alternatives=9), "/alternatives", "less than or equal to 5"),
    (
        asked({**GRASS, "spoils_in_days": 1, "spoils_on": "2027-01-01"}),
        "/ingredients/0/spoils_on",
        "one of the two",
    ),
    (asked(may_buy=[{"feedstock": "nothing-such"}]), "/may_buy/0/feedstock", "nothing-such"),
    (asked(may_buy=[{**GRASS, "moisture_pct": 101}]), "/may_buy/0/moisture_pct", "100"),
    (
        asked(targets={"biodegradable_carbon_nitrogen_ratio": {"min": 20}}),
        "/ingredients/0/lignin_pct",
        "van_soest",
    ),
]


class TestRefusals:
    @pytest.mark.parametrize(("body", "pointer", "words"), REFUSED)
    def test_name_field_and_remedy(
        self, tenant: Tenant, body: dict[str, Any], pointer: str, words: str
    ) -> None:
        refused(tenant, body, pointer, words)

    def test_anonymous_and_wrong_scope(self, tenant: Tenant) -> None:
        assert tenant.call("POST", SOLVE, asked(), Authorization="").status_code == 401
        assert tenant.call("POST", SOLVE, asked(), key=tenant.key_for("ingest")).status_code == 403
