"""Which figure a mix used and where it came from; and what a mix is refused for."""

import uuid
from typing import Any

import pytest

from tests.builders import a_site
from tests.conftest import Tenant
from tests.http.test_feedstocks import a_feedstock, analysed, refused

GRASS = {
    "name": "grass",
    "moisture_pct": 77,
    "nitrogen_pct": 2.4,
    "carbon_pct": 45,
    "bulk_density_kg_m3": 240,
}
"""Cornell Waste Management Institute, worked examples; carbon and nitrogen from memory."""
EVALUATE, SOLVE = "/v1/recipes/evaluate", "/v1/recipes/solve"


def portions(tenant: Tenant, *ingredients: dict[str, Any], **more: Any) -> list[dict[str, Any]]:
    body = {"ingredients": [{"mass_kg": 10} | one for one in ingredients]} | more
    found: list[dict[str, Any]] = tenant.post(EVALUATE, body)["ingredients"]
    return found


class TestEvaluate:
    def test_figures_given_say_so(self, tenant: Tenant) -> None:
        (grass,) = portions(tenant, GRASS)
        told = {name: (one["from"], one["status"]) for name, one in grass["sources"].items()}
        given = dict.fromkeys(
            ("moisture_pct", "nitrogen_pct", "carbon_pct", "bulk_density_kg_m3"), ("given", "given")
        )
        assert told == given | {"carbon_nitrogen_ratio": ("derived", "given")}

    def test_the_librarys_tell_publication_range_and_status(self, tenant: Tenant) -> None:
        """NRAES-54, Table A.1, broiler litter: nitrogen 2.7 (1.6 to 3.9) %, from memory."""
        (litter,) = portions(tenant, {"feedstock": "broiler-litter"})
        nitrogen = litter["sources"]["nitrogen_pct"]
        assert (nitrogen["from"], nitrogen["status"]) == ("library", "from memory")
        assert (nitrogen["low"], litter["nitrogen_pct"], nitrogen["high"]) == (1.6, 2.7, 3.9)
        assert "NRAES-54" in nitrogen["source"]
        assert litter["sources"]["carbon_pct"]["from"] == "derived"
        assert litter["sources"]["phosphorus_pct"]["status"] == "low confidence"

    def test_low_confidence_is_never_silent(self, tenant: Tenant) -> None:
        (husk,) = portions(tenant, {"feedstock": "coffee-husk"})
        assert {one["status"] for one in husk["sources"].values()} == {"low confidence"}

    def test_a_figure_given_lies_over_the_librarys(self, tenant: Tenant) -> None:
        (leaves,) = portions(tenant, {"feedstock": "leaves", "nitrogen_pct": 1.2})
        assert leaves["carbon_nitrogen_ratio"] == pytest.approx(0.9 * 54 / 1.2)
        told = {name: one["from"] for name, one in leaves["sources"].items()}
        assert told["nitrogen_pct"] == "given"
        assert told["moisture_pct"] == "library"
        assert told["carbon_nitrogen_ratio"] == told["carbon_pct"] == "derived"

    def test_an_own_feedstock_comes_first_with_its_newest_valid_analysis(self, tenant: Tenant) -> None:
        own = a_feedstock(tenant, code="leaves", name="Park leaves", nitrogen_pct=1.0, carbon_pct=45)
        analysis = analysed(tenant, own, kind="squeeze", squeeze={"moisture_pct": 30})
        (leaves,) = portions(tenant, {"feedstock": "leaves"})
        assert (leaves["name"], leaves["moisture_pct"], leaves["nitrogen_pct"]) == ("Park leaves", 30, 1.0)
        moisture = leaves["sources"]["moisture_pct"]
        assert (moisture["from"], moisture["analysis_id"]) == ("analysis", analysis["id"])
        assert (moisture["low"], moisture["high"]) == (20, 40)
        assert leaves["sources"]["nitrogen_pct"]["from"] == "feedstock"
        # its category came from the library, and with it the cautions
        assert leaves["category"] == "yard"

    def test_another_organisations_feedstock_is_not_seen(self, tenant: Tenant, other: Tenant) -> None:
        a_feedstock(other, code="leaves", name="Theirs", moisture_pct=1)
        (leaves,) = portions(tenant, {"feedstock": "leaves"})
        assert (leaves["name"], leaves["moisture_pct"]) == ("Leaves, autumn", 38)

    def test_at_a_site_its_analysis_wins(self, tenant: Tenant) -> None:
        north, south = a_site(tenant)["id"], a_site(tenant)["id"]
        own = a_feedstock(tenant, moisture_pct=50)
        analysed(tenant, own, sampled_on="2026-03-01", moisture_pct=20, site_id=north)
        one = {"feedstock": own["code"]}
        assert portions(tenant, one, site_id=north)[0]["moisture_pct"] == 20
        assert portions(tenant, one, site_id=south)[0]["moisture_pct"] == 50
        assert portions(tenant, one)[0]["moisture_pct"] == 50
        key = tenant.key_for("read", site_id=north)
        answer = tenant.post(EVALUATE, {"ingredients": [one | {"mass_kg": 1}]}, key=key)
        assert answer["ingredients"][0]["moisture_pct"] == 20

    def test_a_feedstock_of_one_site_is_that_sites(self, tenant: Tenant) -> None:
        north = a_site(tenant)["id"]
        own = a_feedstock(tenant, site_id=north, moisture_pct=50)
        one = {"feedstock": own["code"], "mass_kg": 1}
        assert portions(tenant, one, site_id=north)[0]["moisture_pct"] == 50
        refused(tenant.call("POST", EVALUATE, {"ingredients": [one]}), "/ingredients/0/feedstock", "site_id")

    def test_a_site_must_be_there(self, tenant: Tenant, other: Tenant) -> None:
        body = {"ingredients": [GRASS | {"mass_kg": 1}]}
        for site in (str(uuid.uuid4()), a_site(other)["id"]):
            refused(tenant.call("POST", EVALUATE, body | {"site_id": site}), "/site_id")


class TestSolve:
    def test_tells_the_sources_of_what_it_mixed(self, tenant: Tenant) -> None:
        own = a_feedstock(tenant, moisture_pct=35, nitrogen_pct=0.75, carbon_pct=50)
        dried = analysed(tenant, own, moisture_pct=30)
        body = {
            "ingredients": [GRASS, {"feedstock": own["code"]}],
            "targets": {"moisture_pct": {"min": 60, "max": 60}},
            "amount": {"of": "grass", "mass_kg": 10},
        }
        recipe = tenant.post(SOLVE, body)["recipe"]
        grass, leaves = recipe["ingredients"]
        # two materials, moisture: 10 (77 - 60) / (60 - 30)
        assert leaves["mass_kg"] == pytest.approx(10 * 17 / 30)
        assert leaves["sources"]["moisture_pct"]["analysis_id"] == dried["id"]
        assert grass["sources"]["moisture_pct"]["from"] == "given"


class TestRecipes:
    def test_a_recipe_keeps_what_it_was_written_with(self, tenant: Tenant) -> None:
        site = a_site(tenant)["id"]
        own = a_feedstock(tenant, nitrogen_pct=1.0, carbon_pct=45, source="asked the stable")
        dried = analysed(tenant, own, moisture_pct=40, site_id=site, plus_minus={"moisture_pct": 2})
        body = {"name": "mix", "site_id": site, "ingredients": [{"feedstock": own["code"], "mass_kg": 5}]}
        recipe = tenant.post("/v1/recipes", body)
        analysed(tenant, own, moisture_pct=70, sampled_on="2026-06-01", site_id=site)
        (portion,) = tenant.get(f"/v1/recipes/{recipe['id']}")["evaluation"]["ingredients"]
        assert portion["moisture_pct"] == 40
        moisture = portion["sources"]["moisture_pct"]
        assert (moisture["analysis_id"], moisture["low"], moisture["high"]) == (dried["id"], 38, 42)
        assert recipe["figure_sources"] == [
            {
                "moisture_pct": "analysis of 2026-05-04 (laboratory)",
                "nitrogen_pct": "asked the stable",
                "carbon_pct": "asked the stable",
            }
        ]


BAD = [
    ({"moisture_pct": -1}, "/ingredients/0/moisture_pct", "0"),
    ({"moisture_pct": 101}, "/ingredients/0/moisture_pct", "100"),
    ({"nitrogen_pct": -0.1}, "/ingredients/0/nitrogen_pct", "0"),
    ({"carbon_pct": 100.5}, "/ingredients/0/carbon_pct", "100"),
    ({"lignin_pct": 101}, "/ingredients/0/lignin_pct", "100"),
    ({"volatile_solids_pct": -4}, "/ingredients/0/volatile_solids_pct", "0"),
    ({"carbon_nitrogen_ratio": 30}, "/ingredients/0/carbon_nitrogen_ratio", "contradicts the 30 given"),
    ({"carbon_nitrogen_ratio": 18.75}, "/ingredients/0/carbon_nitrogen_ratio", "give exactly one"),
    (
        {"nitrogen_pct": 0, "carbon_pct": None, "carbon_nitrogen_ratio": 30},
        "/ingredients/0/carbon_nitrogen_ratio",
        "give carbon_pct instead",
    ),
    ({"volatile_solids_pct": 40}, "/ingredients/0/volatile_solids_pct", "leave out"),
    ({"feedstock": "saw-dust"}, "/ingredients/0/feedstock", "did you mean sawdust"),
    ({"feedstock": "nothing-of-that-kind"}, "/ingredients/0/feedstock", "give the figures yourself"),
    ({"mass_lb": 4}, "/ingredients/0/mass_lb", ""),
    ({"barrows": 4}, "/ingredients/0/barrows", ""),
    ({"mass_kg": -1}, "/ingredients/0/mass_kg", "0"),
    ({"mass_kg": "ten"}, "/ingredients/0/mass_kg", "number"),
]


@pytest.mark.parametrize(("change", "pointer", "words"), BAD)
def test_bad_input_names_the_field_and_the_remedy(
    tenant: Tenant, change: dict[str, Any], pointer: str, words: str
) -> None:
    one = {name: value for name, value in (GRASS | {"mass_kg": 10} | change).items() if value is not None}
    refused(tenant.call("POST", EVALUATE, {"ingredients": [one]}), pointer, words)


@pytest.mark.parametrize("path", [EVALUATE, SOLVE])
def test_five_hundred_ingredients_are_too_many(tenant: Tenant, path: str) -> None:
    one = GRASS | ({"mass_kg": 1} if path == EVALUATE else {})
    more = {} if path == EVALUATE else {"targets": {"moisture_pct": {"max": 60}}, "amount": {"mass_kg": 1}}
    refused(tenant.call("POST", path, {"ingredients": [one] * 500} | more), "/ingredients", "100")


def test_a_mix_without_nitrogen_has_no_ratio(tenant: Tenant) -> None:
    ash = {"name": "ash", "moisture_pct": 5, "nitrogen_pct": 0, "carbon_pct": 0, "mass_kg": 1}
    answer = tenant.post(EVALUATE, {"ingredients": [ash]})
    assert answer["carbon_nitrogen_ratio"] is None
    assert any("no nitrogen" in one["text"] for one in answer["advice"])
