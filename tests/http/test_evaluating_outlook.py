"""Evaluating over HTTP: what a mix will do."""

from typing import Any

import pytest

from tests.conftest import Tenant

MIX: dict[str, Any] = {
    "ingredients": [
        {"feedstock": "horse-manure", "volume_m3": 0.6},
        {"feedstock": "leaves-compacted-moist", "volume_m3": 1.0},
        {"feedstock": "straw", "volume_m3": 0.8},
    ]
}


def evaluate(tenant: Tenant, **known: Any) -> dict[str, Any]:
    answer = tenant.call("POST", "/v1/recipes/evaluate", MIX | known)
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_every_figure_is_known_or_has_a_reason(tenant: Tenant) -> None:
    found = evaluate(tenant, climate="cool", decay="fast", ph=7.5)
    reasons = {one["figure"]: one["because"] for one in found["reasons"]}
    for figure in (
        "biodegradable_carbon_nitrogen_ratio",
        "volatile_solids_kg",
        "settled_volume_m3",
        "settling",
        "air_space",
        "energy",
        "first_week_oxygen",
        "nitrogen_loss",
        "shrink",
        "pile_size",
    ):
        assert (found[figure] is None) == (figure in reasons), figure
    assert set(reasons) == {"biodegradable_carbon_nitrogen_ratio"}
    assert "Van Soest" in reasons["biodegradable_carbon_nitrogen_ratio"]
    assert found["volume_m3"] == pytest.approx(2.4)
    assert found["settled_volume_m3"] < found["volume_m3"]
    assert found["settling"]["basis"] == "assumed"
    assert found["first_week_oxygen"]["decay"] == "fast"
    assert found["pile_size"]["basis"] == "heat_balance"
    assert found["pile_size"]["ambient_c"] == 5
    assert found["nitrogen_loss"]["ammonia_share_pct"] > 0
    assert {"energy", "first_week_oxygen", "nitrogen_loss", "shrink", "pile_size"} <= {
        one["about"] for one in found["advice"]
    }


def test_a_measured_shrink_and_a_measured_temperature_win(tenant: Tenant) -> None:
    found = evaluate(tenant, mixing_shrink_pct=12.5, climate="tropical", ambient_c=3)
    assert found["settled_volume_m3"] == pytest.approx(2.1)
    assert found["settling"]["basis"] == "given"
    assert found["pile_size"]["ambient_c"] == 3


def test_without_densities_a_bay_gives_the_size(tenant: Tenant) -> None:
    body = {
        "ingredients": [
            {"name": "x", "mass_kg": 900, "moisture_pct": 60, "nitrogen_pct": 1.5, "carbon_pct": 45}
        ],
        "bay_volume_m3": 2,
        "ambient_c": 15,
    }
    found = tenant.call("POST", "/v1/recipes/evaluate", body).json()
    assert found["settled_volume_m3"] is None
    assert found["pile_size"]["volume_m3"] == 2
    assert "settled_volume_m3" in {one["figure"] for one in found["reasons"]}


def test_a_recipe_found_by_solving_carries_it_too(tenant: Tenant) -> None:
    body = {
        "ingredients": [{"feedstock": "horse-manure"}, {"feedstock": "leaves-compacted-moist"}],
        "targets": {"carbon_nitrogen_ratio": {"min": 30, "max": 40}},
        "amount": {"volume_m3": 1.5},
    }
    found = tenant.call("POST", "/v1/recipes/solve", body).json()
    assert found["recipe"]["energy"]["state"] == "enough"
    assert found["recipe"]["pile_size"]["basis"] == "handbook"


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("mixing_shrink_pct", 90),
        ("ambient_c", 400),
        ("climate", "lunar"),
        ("decay", 3),
        ("ph", -1),
        ("bay_volume_m3", 0),
    ],
)
def test_refused_in_words(tenant: Tenant, field: str, value: object) -> None:
    answer = tenant.call("POST", "/v1/recipes/evaluate", MIX | {field: value})
    assert answer.status_code == 422
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert [one["pointer"] for one in answer.json()["errors"]] == [f"/{field}"]
