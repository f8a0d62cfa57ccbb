"""Which measurement narrows the answer most: against closed forms and SciPy's own Sobol indices."""

import numpy as np
import pytest
from scipy import stats

from service.domain.recipes import Range, Targets
from service.domain.recipes.chances import Measurement, Uncertain, estimate, methods
from service.domain.recipes.chances.spread import SIGMAS
from tests.domain.recipes.doubtful import about, between, doubtful


def ranked(mix: list[Uncertain], **targets: Range) -> list[Measurement]:
    return list(estimate(mix, Targets(**targets), seed=4)[1].measurements)


def test_the_share_of_a_normal_moisture_is_the_closed_form() -> None:
    """Of a weighted sum the variance taken by one summand is its own, times the reliability of the reading."""
    masses, widths = (10.0, 6.8, 4.0), (6.0, 10.0, 20.0)
    mix = [
        doubtful(f"m{i}", mass_kg=mass, moisture_pct=about(50, width))
        for i, (mass, width) in enumerate(zip(masses, widths, strict=True))
    ]
    oven = methods()["oven_drying"].figures["moisture_pct"].width(50)
    parts = [(mass * width) ** 2 for mass, width in zip(masses, widths, strict=True)]
    found = {one.ingredient: one for one in ranked(mix, moisture_pct=Range(48, 52))}
    for i, width in enumerate(widths):
        expected = 100 * parts[i] / sum(parts) * width**2 / (width**2 + oven**2)
        assert found[f"m{i}"].narrows_pct["moisture_pct"] == pytest.approx(expected, abs=1.5)


def test_the_doubt_about_the_verdict_is_that_of_a_normal_threshold() -> None:
    """For 1 where a normal sum stays below its median, E[P(below | X)^2] is a bivariate normal orthant: Sheppard 1899.

    The covariance of the indicator over a pair of correlation r is asin(r) / (2 pi), of a variance of 1/4.
    """
    mix = [
        doubtful("a", mass_kg=1, moisture_pct=about(50, 20)),
        doubtful("b", mass_kg=1, moisture_pct=about(50, 10)),
    ]
    oven = methods()["oven_drying"].figures["moisture_pct"].width(50)
    found = {one.ingredient: one for one in ranked(mix, moisture_pct=Range(None, 50))}
    for name, width, other in (("a", 20, 10), ("b", 10, 20)):
        correlation = width**2 / (width**2 + other**2) * width**2 / (width**2 + oven**2)
        expected = 100 * 4 * np.arcsin(correlation) / (2 * np.pi)
        assert found[name].narrows_verdict_pct == pytest.approx(expected, abs=2.5)
    assert found["a"].narrows_verdict_pct > found["b"].narrows_verdict_pct


def test_the_shares_of_c_to_n_are_those_of_scipy() -> None:
    """scipy.stats.sobol_indices (Saltelli et al. 2010) on the same ratio, written out here; ranges so wide that the
    methods' own errors take less than 1 % away."""
    mix = [
        doubtful(
            "manure", mass_kg=100, moisture_pct=between(45, 85), nitrogen_pct=between(1, 3), carbon_pct=44
        ),
        doubtful("straw", mass_kg=40, moisture_pct=between(5, 45), nitrogen_pct=0.6, carbon_pct=46),
    ]

    def ratio(x: np.ndarray) -> np.ndarray:
        dry, straw = 100 - x[0], (100 - x[2]) * 0.4
        return (dry * 44 + straw * 46) / (dry * x[1] + straw * 0.6)

    reference = stats.sobol_indices(
        func=ratio,
        n=2**14,
        dists=[stats.uniform(45, 40), stats.uniform(1, 2), stats.uniform(5, 40)],
        rng=np.random.default_rng(1),
    ).first_order
    found = {
        (one.ingredient, one.method): one.narrows_pct
        for one in ranked(mix, carbon_nitrogen_ratio=Range(20, 30))
    }
    for key, share in zip(
        (("manure", "oven_drying"), ("manure", "laboratory"), ("straw", "oven_drying")),
        reference,
        strict=True,
    ):
        measured = found.get(key, {"carbon_nitrogen_ratio": 0.0})["carbon_nitrogen_ratio"]
        assert measured == pytest.approx(100 * share, abs=3)


def test_measuring_nitrogen_and_carbon_together_is_one_errand() -> None:
    mix = [
        doubtful("manure", mass_kg=100, moisture_pct=70, nitrogen_pct=about(2, 0.8), carbon_pct=about(44, 6)),
        doubtful("straw", mass_kg=40, moisture_pct=12, nitrogen_pct=0.6, carbon_pct=46),
    ]
    (only,) = ranked(mix, carbon_nitrogen_ratio=Range(25, 30))
    assert (only.ingredient, only.method) == ("manure", "laboratory")
    assert set(only.figures) == {"nitrogen_pct", "carbon_pct"}
    assert only.narrows_pct["carbon_nitrogen_ratio"] > 85
    assert only.text.startswith("Send a sample of the manure to a laboratory")


def test_the_worst_known_is_measured_first_and_in_words() -> None:
    mix = [
        doubtful("manure", mass_kg=100, moisture_pct=about(70, 3), bulk_density_kg_m3=about(800, 20)),
        doubtful("leaves", mass_kg=100, moisture_pct=about(40, 15), bulk_density_kg_m3=about(120, 60)),
    ]
    found = ranked(mix, moisture_pct=Range(50, 55), free_air_space_pct=Range(80, None))
    assert {(one.ingredient, one.method) for one in found[:2]} == {
        ("leaves", "oven_drying"),
        ("leaves", "bucket"),
    }
    texts = {one.method: one.text for one in found if one.ingredient == "leaves"}
    assert texts["oven_drying"].startswith("Dry a handful of the leaves in an oven")
    assert texts["bucket"].startswith("Weigh a bucket of the leaves")
    assert all(not one.text.startswith("Squeeze") for one in found)


def test_a_well_measured_figure_is_not_measured_again() -> None:
    oven = methods()["oven_drying"].figures["moisture_pct"].width(50)
    mix = [
        doubtful("dried", mass_kg=10, moisture_pct=about(50, oven / 5)),
        doubtful("squeezed", mass_kg=10, moisture_pct=about(50, 10)),
    ]
    assert [one.ingredient for one in ranked(mix, moisture_pct=Range(48, 52))] == ["squeezed"]


def test_a_certain_verdict_leaves_the_figures_to_rank_by() -> None:
    mix = [
        doubtful("a", mass_kg=10, moisture_pct=about(50, 4)),
        doubtful("b", mass_kg=10, moisture_pct=about(50, 8)),
    ]
    found = ranked(mix, moisture_pct=Range(5, 95))
    assert [one.ingredient for one in found] == ["b", "a"]
    assert all(one.narrows_verdict_pct is None for one in found)


def test_a_width_holds_95_of_100() -> None:
    assert stats.norm.cdf(SIGMAS) - stats.norm.cdf(-SIGMAS) == pytest.approx(0.95)
