"""Mixes in doubt over HTTP: chances, what to measure, the likeliest mix, and every refusal."""

from typing import Any

import pytest

from tests.conftest import Tenant

MIX: dict[str, Any] = {
    "ingredients": [
        {"feedstock": "horse-manure", "volume_m3": {"value": 0.5, "plus_minus": 0.05}},
        {
            "feedstock": "leaves-compacted-moist",
            "mass_kg": 120,
            "moisture_pct": {"value": 35, "method": "squeeze"},
            "carbon_nitrogen_ratio": {"low": 40, "high": 80},
        },
    ],
    "targets": {"carbon_nitrogen_ratio": {"min": 25, "max": 40}, "moisture_pct": {"min": 50, "max": 65}},
    "seed": 7,
}
STOCK: dict[str, Any] = {
    "ingredients": [
        {"feedstock": "horse-manure", "moisture_pct": {"low": 65, "high": 78}},
        {"feedstock": "leaves-compacted-moist", "max_kg": 400},
        {"feedstock": "straw", "max_share_of_volume_pct": 50},
    ],
    "targets": {"carbon_nitrogen_ratio": {"min": 25, "max": 40}, "moisture_pct": {"min": 50, "max": 65}},
    "amount": {"volume_m3": 1.5},
    "allow_water": True,
}


def with_first(figures: dict[str, Any], body: dict[str, Any] = MIX) -> dict[str, Any]:
    first, *others = body["ingredients"]
    return body | {"ingredients": [first | figures, *others]}


def refused(tenant: Tenant, path: str, body: dict[str, Any]) -> Any:
    answer = tenant.call("POST", path, body)
    assert answer.status_code == 422, answer.text
    return answer.json()


class TestChances:
    def test_answers_with_chances_quantiles_and_what_to_measure(self, tenant: Tenant) -> None:
        answer = tenant.post("/v1/recipes/chances", MIX)
        assert 0 < answer["all_met"]["probability"] < 1
        assert 0 < answer["all_met"]["plus_minus"] < 0.05
        assert {one["target"] for one in answer["targets"]} == set(MIX["targets"])
        ratio = answer["figures"]["carbon_nitrogen_ratio"]
        assert ratio["q05"] < ratio["q50"] < ratio["q95"]
        assert (answer["seed"], answer["draws"]) == (7, 8192)
        assert answer["measurements"][0]["text"].endswith(".")
        assert answer["recipe"]["moisture_pct"] is not None
        drawn = {(one["ingredient"], one["figure"]): one for one in answer["inputs"]}
        squeezed = drawn["Leaves, compacted and moist", "moisture_pct"]
        assert (squeezed["shape"], squeezed["low"], squeezed["high"]) == ("normal", 25, 45)
        assert drawn["Leaves, compacted and moist", "carbon_nitrogen_ratio"]["shape"] == "uniform"
        assert "printed range" in drawn["Horse manure", "nitrogen_pct"]["origin"]
        assert answer["derived"]["Leaves, compacted and moist"] == "carbon_pct"

    def test_the_same_seed_gives_the_same_answer(self, tenant: Tenant) -> None:
        first, again = (tenant.post("/v1/recipes/chances", MIX) for _ in range(2))
        assert first == again

    def test_bare_numbers_are_exact_and_agree_with_evaluating(self, tenant: Tenant) -> None:
        grass = {"name": "grass", "mass_kg": 10, "moisture_pct": 77, "nitrogen_pct": 2.4, "carbon_pct": 45}
        leaves = {
            "name": "leaves",
            "mass_kg": 3.5,
            "moisture_pct": 35,
            "nitrogen_pct": 0.75,
            "carbon_pct": 50,
        }
        known = tenant.post("/v1/recipes/evaluate", {"ingredients": [grass, leaves]})
        body = {"ingredients": [grass, leaves], "targets": {"carbon_nitrogen_ratio": {"min": 29, "max": 31}}}
        answer = tenant.post("/v1/recipes/chances", body)
        assert answer["all_met"] == {"probability": 1, "plus_minus": 0}
        for name in ("q05", "q50", "q95"):
            assert answer["figures"]["carbon_nitrogen_ratio"][name] == known["carbon_nitrogen_ratio"]
        assert answer["recipe"]["carbon_nitrogen_ratio"] == known["carbon_nitrogen_ratio"]

    def test_an_analysis_of_the_organisation_narrows_its_feedstock(self, tenant: Tenant) -> None:
        feedstock = tenant.post(
            "/v1/feedstocks", {"code": "yard-leaves", "name": "Yard leaves", "moisture_pct": 40}
        )
        body = {
            "ingredients": [{"feedstock": "yard-leaves", "mass_kg": 100}],
            "targets": {"moisture_pct": {"min": 35, "max": 45}},
        }
        before = tenant.post("/v1/recipes/chances", body)
        analysis = {"sampled_on": "2026-05-04", "method": "oven at 105 °C", "moisture_pct": 40}
        tenant.post(f"/v1/feedstocks/{feedstock['id']}/analyses", analysis)
        after = tenant.post("/v1/recipes/chances", body)
        assert before["all_met"]["probability"] < after["all_met"]["probability"]

    @pytest.mark.parametrize(
        ("body", "pointer"),
        [
            (with_first({"moisture_pct": {"low": 80, "high": 60}}), "/ingredients/0/moisture_pct/low"),
            (
                with_first({"moisture_pct": {"value": 70, "plus_minus": -2}}),
                "/ingredients/0/moisture_pct/plus_minus",
            ),
            (with_first({"moisture_pct": {"value": 170}}), "/ingredients/0/moisture_pct/value"),
            (with_first({"moisture_pct": 170}), "/ingredients/0/moisture_pct/value"),
            (with_first({"moisture_pct": {"low": 60}}), "/ingredients/0/moisture_pct"),
            (with_first({"moisture_pct": "wet"}), "/ingredients/0/moisture_pct"),
            (
                with_first({"moisture_pct": {"value": 70, "method": "bucket"}}),
                "/ingredients/0/moisture_pct/method",
            ),
            (
                with_first({"carbon_pct": 48, "carbon_nitrogen_ratio": 30}),
                "/ingredients/0/carbon_nitrogen_ratio",
            ),
            (with_first({"feedstock": "horse-manur"}), "/ingredients/0/feedstock"),
            (with_first({"mass_kg": 10}), "/ingredients/0/volume_m3"),
            (MIX | {"seed": 1.5}, "/seed"),
            (MIX | {"seed": "7"}, "/seed"),
            (MIX | {"seed": -1}, "/seed"),
            (MIX | {"draws": 5000}, "/draws"),
            (MIX | {"draws": 2048}, "/draws"),
            (MIX | {"draws": 1048576}, "/draws"),
            (MIX | {"targets": {}}, "/targets"),
            (MIX | {"targets": {"moisture_pct": {"min": 60, "max": 50}}}, "/targets/moisture_pct/min"),
            (MIX | {"targets": {"moisture_pct": {}}}, "/targets/moisture_pct"),
            (MIX | {"targets": {"volatile_solids_pct": {"min": 60}}}, "/targets/volatile_solids_pct"),
        ],
    )
    def test_refuses_what_cannot_be_meant(self, tenant: Tenant, body: dict[str, Any], pointer: str) -> None:
        answer = refused(tenant, "/v1/recipes/chances", body)
        assert answer["type"] == "/problems/invalid"
        assert pointer in [one["pointer"] for one in answer["errors"]]
        assert all(one["detail"] for one in answer["errors"])


class TestRobust:
    def test_answers_with_the_likeliest_mix_beside_the_nominal_one(self, tenant: Tenant) -> None:
        answer = tenant.post("/v1/recipes/robust", STOCK)
        assert answer["state"] in {"solved", "time_limit"}
        assert answer["recipe"]["volume_m3"] == pytest.approx(1.5)
        offered, nominal = (one["all_met"]["probability"] for one in (answer["chances"], answer["nominal"]))
        assert offered >= nominal
        scenarios = answer["scenarios"]
        assert scenarios["met"] <= scenarios["best_met"] <= scenarios["most"] <= scenarios["count"]
        assert answer["conflicts"] == []
        straw = next(one for one in answer["recipe"]["ingredients"] if one["name"] == "Straw")
        assert straw["volume_m3"] <= 0.75 * (1 + 1e-6)

    def test_the_mix_offered_has_the_chances_told(self, tenant: Tenant) -> None:
        answer = tenant.post("/v1/recipes/robust", STOCK | {"seed": 5})
        amounts = {one["name"]: one["mass_kg"] for one in answer["recipe"]["ingredients"]}
        names = ("Horse manure", "Leaves, compacted and moist", "Straw")
        figures = [
            {key: value for key, value in one.items() if not key.startswith(("max_", "min_"))}
            for one in STOCK["ingredients"]
        ]
        mix = [one | {"mass_kg": amounts[name]} for one, name in zip(figures, names, strict=True)]
        if amounts.get("water"):
            mix.append(
                {
                    "name": "water",
                    "mass_kg": amounts["water"],
                    "moisture_pct": 100,
                    "bulk_density_kg_m3": 1000,
                }
            )
        again = tenant.post(
            "/v1/recipes/chances", {"ingredients": mix, "targets": STOCK["targets"], "seed": 5}
        )
        assert again["all_met"] == answer["chances"]["all_met"]

    def test_whole_barrows(self, tenant: Tenant) -> None:
        barrow = {"measure": {"name": "barrow", "volume_l": 80}, "whole": True}
        body = STOCK | {
            "ingredients": [{"feedstock": one} | barrow for one in ("horse-manure", "leaves-compacted-moist")]
        }
        answer = tenant.post("/v1/recipes/robust", body)
        for one in answer["recipe"]["ingredients"]:
            if one["name"] != "water":
                assert one["volume_m3"] / 0.08 == pytest.approx(round(one["volume_m3"] / 0.08), abs=1e-4)

    def test_too_little_stock_is_an_answer(self, tenant: Tenant) -> None:
        body = with_first({"max_kg": 1}, STOCK) | {"allow_water": False}
        body["ingredients"] = body["ingredients"][:1]
        answer = tenant.post("/v1/recipes/robust", body)
        assert answer["state"] == "infeasible"
        assert answer["recipe"] is None
        assert answer["conflicts"]

    @pytest.mark.parametrize(
        ("body", "pointer"),
        [
            (STOCK | {"amount": {}}, "/amount"),
            (STOCK | {"targets": {}}, "/targets"),
            (with_first({"max_kg": 5, "min_kg": 10}, STOCK), "/ingredients/0/min_kg"),
            (with_first({"moisture_pct": {"low": 80, "high": 60}}, STOCK), "/ingredients/0/moisture_pct/low"),
            (with_first({"measure": {"name": "barrow"}}, STOCK), "/ingredients/0/measure"),
            (STOCK | {"ingredients": STOCK["ingredients"][:1] * 13}, "/ingredients"),
            (STOCK | {"draws": 4097}, "/draws"),
        ],
    )
    def test_refuses_what_cannot_be_meant(self, tenant: Tenant, body: dict[str, Any], pointer: str) -> None:
        answer = refused(tenant, "/v1/recipes/robust", body)
        assert pointer in [one["pointer"] for one in answer["errors"]]
