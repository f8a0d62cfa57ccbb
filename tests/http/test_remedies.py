"""Remedies over HTTP: from figures, and from the record of a pile with its site's stock, measures, bay and rules."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.builders import a_bag, a_bay, a_pile, a_placement, a_probe, a_site
from tests.conftest import Tenant
from tests.http.test_exchange import NO_ONE, problem_of

PATH = "/v1/recipes/remedy"
NOW = datetime.now(UTC).replace(microsecond=0)
GRASS = {"mass_kg": 10, "moisture_pct": 77, "carbon_pct": 45, "nitrogen_pct": 2.4}
LEAVES = {
    "name": "leaves", "moisture_pct": 35, "nitrogen_pct": 0.75, "carbon_pct": 50, "bulk_density_kg_m3": 120,
}  # fmt: skip
MEASURES = [
    {"name": "barrow", "kind": "barrow", "volume_l": 80},
    {"name": "can", "kind": "can", "volume_l": 9},
]
BUILD = {"horse-manure": 0.6, "straw": 0.6, "grass-clippings-loose": 0.3}


def ago(days: float) -> str:
    return (NOW - timedelta(days=days)).isoformat()


def asked(symptom: str = "too_wet", **more: Any) -> dict[str, Any]:
    return {"symptom": symptom, "pile": GRASS, "stock": [LEAVES]} | more


def built(tenant: Tenant, days: float = 9, *, stock: float | None = 300, **more: Any) -> dict[str, Any]:
    """Build a pile of its loads some days ago, at a site with measures and straw in stock."""
    site = a_site(tenant, measures=MEASURES)
    bay = a_bay(tenant, site["id"], volume_m3=3)
    pile = a_pile(tenant, site["id"], bay_id=bay["id"], built_at=ago(days), **more)
    for code, volume in BUILD.items():
        happened(tenant, pile, "load", days + 0.1, feedstock=code, volume_m3=volume)
    if stock is not None:
        tenant.post(
            f"/v1/sites/{site['id']}/stock/movements",
            {"kind": "delivery", "feedstock": "straw", "at": ago(1), "mass_kg": stock},
        )
    return pile


def happened(tenant: Tenant, pile: dict[str, Any], kind: str, days: float, **details: Any) -> Any:
    return tenant.post(f"/v1/piles/{pile['id']}/events", {"kind": kind, "at": ago(days)} | details)


def hot(tenant: Tenant, pile: dict[str, Any], days: float, celsius: float = 60.0) -> None:
    """Let a probe in the core tell one temperature, every three hours since the build."""
    probe = a_probe(tenant)
    a_placement(tenant, probe["id"], pile["id"], **{"from": ago(days)})
    readings = [
        {
            "probe": probe["serial"],
            "observed_at": ago(days - n / 8),
            "quantity": "temperature",
            "value": celsius + (n % 5) / 10,
            "unit": "Cel",
        }
        for n in range(int(8 * days) + 1)
    ]
    tenant.post("/v1/readings", a_bag(*readings))


def of(tenant: Tenant, pile: dict[str, Any], symptom: str) -> dict[str, Any]:
    found: dict[str, Any] = tenant.get(f"/v1/piles/{pile['id']}/remedy?symptom={symptom}")
    return found


class TestFigures:
    def test_the_printed_examples(self, tenant: Tenant) -> None:
        """Cornell: 6.8 kg of leaves to 60 %, 3.47 kg to C:N 30; Vesilind: 8.6 t of water. See the domain's tests."""
        wet, rich = (tenant.post(PATH, asked(symptom)) for symptom in ("too_wet", "ammonia"))
        amounts = [one["additions"]["options"][0]["additions"][0]["mass_kg"] for one in (wet, rich)]
        assert amounts == pytest.approx([6.8, 3.4741], rel=0.005)
        dry = tenant.post(
            PATH, asked("too_dry", pile={"mass_kg": 10_000, "moisture_pct": 7}, moisture_goal_pct=50)
        )
        assert dry["watering"]["needed_l"]["value"] == pytest.approx(8600, rel=0.005)
        assert dry["watering"]["now_l"] == pytest.approx(2000)
        assert not dry["adds_material"]

    def test_measures_bay_and_feedstock_codes(self, tenant: Tenant) -> None:
        body = asked(
            pile={
                "volume_m3": 1.0,
                "bulk_density_kg_m3": 600,
                "moisture_pct": 66,
                "nitrogen_pct": 2,
                "carbon_pct": 42,
            },
            stock=[{"feedstock": "straw", "max_kg": 200}],
            measures=MEASURES,
            bay_volume_m3=2,
        )
        found = tenant.post(PATH, body)
        [option] = found["additions"]["options"]
        [straw] = option["additions"]
        # 600 (66 - 60) / (60 - 12) = 75 kg; a barrow of 80 L holds 10.8 kg of straw at 135 kg/m3
        assert straw["mass_kg"] == pytest.approx(75)
        assert straw["in_measures"]["words"] == "7 barrows"
        assert option["after"]["volume_m3"] <= 2
        assert {one["figure"] for one in found["state"]["unknown"]} == set()
        assert found["causes"][0]["check"]
        assert any("herbicide" in one for one in found["cautions"])

    def test_smoke_keeps_it_shut(self, tenant: Tenant) -> None:
        for seen in ({"smokes": True}, {"hottest_c": 92}):
            found = tenant.post(PATH, asked("cold", seen=seen))
            assert (found["doing"], found["additions"], found["expect"]["to_days"]) == (
                "leave_shut",
                None,
                None,
            )

    @pytest.mark.parametrize(
        ("change", "pointer"),
        [
            ({"symptom": "sad"}, "/symptom"),
            ({"pile": GRASS | {"mass_kg": 0}}, "/pile/mass_kg"),
            ({"pile": {"volume_m3": 0, "moisture_pct": 50}}, "/pile/volume_m3"),
            ({"pile": {"moisture_pct": 50}}, "/pile"),
            ({"symptom": "cold", "pile": {"mass_kg": 5}}, "/pile/moisture_pct"),
            ({"stock": [{"feedstock": "no-such"}]}, "/stock/0/feedstock"),
            ({"stock": [LEAVES, LEAVES]}, "/stock/1/name"),
            ({"stock": [LEAVES | {"carbon_nitrogen_ratio": 60}]}, "/stock/0/carbon_nitrogen_ratio"),
            ({"moisture_goal_pct": 80}, "/moisture_goal_pct"),
            ({"measures": [{"name": "x", "kind": "can"}]}, "/measures/0"),
            ({"bay_volume_m3": 0}, "/bay_volume_m3"),
        ],
    )
    def test_refusals_name_field_and_remedy(
        self, tenant: Tenant, change: dict[str, Any], pointer: str
    ) -> None:
        problem = problem_of(tenant.call("POST", PATH, asked() | change), 422)
        assert pointer in [error["pointer"] for error in problem["errors"]]
        assert all(error["detail"] for error in problem["errors"])

    def test_stock_must_be_told_even_if_there_is_none(self, tenant: Tenant) -> None:
        body = asked()
        del body["stock"]
        problem = problem_of(tenant.call("POST", PATH, body), 422)
        assert [error["pointer"] for error in problem["errors"]] == ["/stock"]
        found = tenant.post(PATH, asked(stock=[]))
        assert found["additions"]["options"] == []
        assert found["additions"]["purchase"]["mass_kg"] > 0


class TestRecord:
    def test_a_wet_pile_gets_straw_from_its_site(self, tenant: Tenant) -> None:
        pile = built(tenant)
        happened(tenant, pile, "observe", 0.1, moisture_feel="wet", smell="sour")
        found = of(tenant, pile, "too_wet")
        state = found["state"]
        assert (state["moisture_from"], state["moisture_pct"]["value"]) == (
            "squeeze",
            pytest.approx(65, abs=1),
        )
        # 634 kg were put on; some has gone as carbon dioxide and water
        assert 634 > state["mass_kg"]["value"] > 350
        assert state["gone_share"]["value"] > 0.2
        [option] = found["additions"]["options"]
        [straw] = option["additions"]
        mass, moisture = state["mass_kg"]["value"], state["moisture_pct"]["value"]
        assert straw["mass_kg"] == pytest.approx(mass * (moisture - 60) / (60 - 12))
        assert straw["in_measures"]["words"].endswith("barrows")
        assert found["basis"] == ["Built of the loads on record."]
        assert "No temperatures" in state["assumptions"][0]["text"]

    def test_a_dry_pile_gets_water_in_cans(self, tenant: Tenant) -> None:
        pile = built(tenant, 14, stock=None)
        hot(tenant, pile, 14)
        happened(tenant, pile, "observe", 0.2, moisture_feel="dry")
        found = of(tenant, pile, "too_dry")
        water = found["watering"]
        assert 0 < water["now_l"] <= min(water["holds_l"], water["soaks_in_l"])
        assert water["in_measures"]["volume_l"] <= water["now_l"]
        assert found["causes"][0]["code"] in {"heat", "unwatered"}
        assert not found["adds_material"]
        assert found["counts"] == []
        assert "Temperatures tell 99%" in found["state"]["assumptions"][0]["text"]

    def test_water_since_is_counted(self, tenant: Tenant) -> None:
        pile = built(tenant, stock=None)
        happened(tenant, pile, "observe", 2.5, moisture_feel="dry")
        before = of(tenant, pile, "cold")["state"]["moisture_pct"]["value"]
        happened(tenant, pile, "water", 0.5, volume_l=60)
        assert of(tenant, pile, "cold")["state"]["moisture_pct"]["value"] > before + 5

    def test_a_warning_leads_to_its_remedy(self, tenant: Tenant) -> None:
        pile = built(tenant)
        happened(tenant, pile, "observe", 0.1, smell="ammonia", moisture_feel="wet")
        warnings = tenant.get(f"/v1/piles/{pile['id']}/status")["warnings"]
        told = {one["code"]: one["remedy_symptom"] for one in warnings}
        assert told["ammonia"] == "ammonia"
        assert told["wet"] == "too_wet"
        assert told["no_readings"] is None
        for symptom in filter(None, told.values()):
            assert of(tenant, pile, symptom)["symptom"] == symptom

    def test_material_costs_the_rules_their_count(self, tenant: Tenant) -> None:
        pile = built(tenant, 9, rules=["us-nop-windrow"])
        hot(tenant, pile, 9)
        happened(tenant, pile, "observe", 0.1, moisture_feel="wet")
        found = of(tenant, pile, "too_wet")
        assert found["adds_material"]
        assert "starts every time-temperature count again" in found["restarts"]
        [count] = found["counts"]
        [verdict] = tenant.get(f"/v1/piles/{pile['id']}/compliance?rule=us-nop-windrow")["items"]
        assert count["held_days"] == pytest.approx(verdict["held_days"], abs=0.1)
        assert count["held_days"] > 5
        assert not count["held_days_after"]
        assert "are lost" in count["words"]

    def test_a_recipe_stands_in_for_loads(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        recipe = tenant.post(
            "/v1/recipes",
            {
                "name": "spring",
                "ingredients": [{"feedstock": code, "volume_m3": v} for code, v in BUILD.items()],
            },
        )
        pile = a_pile(tenant, site["id"], recipe_id=recipe["id"], built_at=ago(6))
        happened(tenant, pile, "observe", 5.9, volume_m3=0.6)
        found = of(tenant, pile, "too_dry")
        assert "recipe, spring" in found["basis"][0]
        # half of the recipe's settled 1.2 m3
        assert found["state"]["mass_kg"]["high"] < 330
        assert found["state"]["moisture_from"] == "symptom"

    def test_a_fire_is_left_shut(self, tenant: Tenant) -> None:
        pile = built(tenant)
        hot(tenant, pile, 3, 92.0)
        found = of(tenant, pile, "too_dry")
        assert (found["doing"], found["watering"]) == ("leave_shut", None)


class TestRefusals:
    def test_a_closed_pile(self, tenant: Tenant) -> None:
        pile = built(tenant)
        happened(tenant, pile, "close", 0.5, reason="used up")
        problem = problem_of(tenant.call("GET", f"/v1/piles/{pile['id']}/remedy?symptom=cold"), 409)
        assert "closed" in problem["detail"]

    @pytest.mark.parametrize("more", [{}, {"built_at": (NOW + timedelta(days=3)).isoformat()}])
    def test_a_pile_that_is_not_built(self, tenant: Tenant, more: dict[str, Any]) -> None:
        pile = a_pile(tenant, **more)
        problem = problem_of(tenant.call("GET", f"/v1/piles/{pile['id']}/remedy?symptom=cold"), 409)
        assert "built_at" in problem["detail"]

    def test_a_pile_of_nobody_knows_what(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=ago(4))
        problem = problem_of(tenant.call("GET", f"/v1/piles/{pile['id']}/remedy?symptom=too_dry"), 409)
        assert PATH in problem["detail"]

    def test_a_site_without_stock(self, tenant: Tenant) -> None:
        pile = built(tenant, stock=None)
        happened(tenant, pile, "observe", 0.1, moisture_feel="wet")
        problem = problem_of(tenant.call("GET", f"/v1/piles/{pile['id']}/remedy?symptom=too_wet"), 409)
        assert "/stock/movements" in problem["detail"]

    def test_a_pile_put_together_and_not_measured(self, tenant: Tenant) -> None:
        pile = built(tenant)
        other = a_pile(tenant, pile["site_id"])
        happened(tenant, pile, "merge", 1, with_pile_id=other["id"])
        problem = problem_of(tenant.call("GET", f"/v1/piles/{pile['id']}/remedy?symptom=cold"), 409)
        assert "volume_m3" in problem["detail"]
        happened(tenant, pile, "observe", 0.5, volume_m3=1.6)
        assert of(tenant, pile, "cold")["state"]["volume_m3"]["value"] == pytest.approx(1.6, rel=0.01)

    def test_an_unknown_symptom_and_none(self, tenant: Tenant) -> None:
        pile = built(tenant)
        for query in ("?symptom=sad", ""):
            problem = problem_of(tenant.call("GET", f"/v1/piles/{pile['id']}/remedy{query}"), 422)
            assert [error["pointer"] for error in problem["errors"]] == ["/symptom"]

    def test_another_sites_pile_and_none(self, tenant: Tenant) -> None:
        pile = built(tenant)
        key = tenant.key_for("read", site_id=a_site(tenant)["id"])
        problem_of(tenant.call("GET", f"/v1/piles/{pile['id']}/remedy?symptom=cold", key=key), 404)
        problem_of(tenant.call("GET", f"/v1/piles/{NO_ONE}/remedy?symptom=cold"), 404)
