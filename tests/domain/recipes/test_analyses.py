"""Analyses: what a laboratory, an oven, a bucket and a hand tell, and what is laid over what."""

from typing import Any

import pytest

from service.domain.errors import Invalid
from service.domain.recipes import Ingredient, library
from service.domain.recipes.analyses import Measured, measured, range_of
from service.domain.recipes.in_force import figures_of, lay, of_figures
from service.domain.recipes.ingredient import check_figures
from service.domain.recipes.origin import GIVEN, Origin


def analysed(kind: str, **values: Any) -> Measured:
    return measured(kind, {"figures": {}, "plus_minus": {}, **values})


def test_oven_drying() -> None:
    """Cornell Waste Management Institute, "Moisture content": container 4 g, 10 g of sample, 6.3 g when dry: 77 %."""
    oven = {"wet_kg": 0.014, "dry_kg": 0.0063, "container_kg": 0.004}
    found = analysed("oven_drying", oven=oven, plus_minus={"moisture_pct": 2})
    assert found.figures == {"moisture_pct": pytest.approx(77)}
    assert (found.plus_minus, found.raw) == ({"moisture_pct": 2}, oven)


def test_bucket() -> None:
    """Eawag/Sandec composting supplement after Cooperband 2002: 9 kg in 20 L is 0.45 kg/L."""
    found = analysed("bucket", bucket={"bucket_l": 20, "empty_kg": 1, "full_kg": 10, "drops": 30})
    assert found.figures == {"bulk_density_kg_m3": pytest.approx(450)}
    assert found.raw["drops"] == 30


def test_bucket_in_us_measures() -> None:
    """A 5 gallon pail: pounds in it times 40.4 are lb/yd3 (by the definitions of the units), times 0.593276 kg/m3."""
    found = analysed("bucket", bucket={"bucket_gal": 5, "empty_lb": 2, "full_lb": 22})
    assert found.figures["bulk_density_kg_m3"] == pytest.approx(20 * 40.4 * 0.593276, rel=1e-3)


@pytest.mark.parametrize(("feel", "moisture"), [("dry", 40), ("right", 55), ("wet", 65)])
def test_squeeze_is_ten_points_wide(feel: str, moisture: float) -> None:
    """The hand misjudges by up to 10 points (second-hand); the three middles are common practice, no source."""
    found = analysed("squeeze", squeeze={"feel": feel})
    assert (found.figures, found.plus_minus) == ({"moisture_pct": moisture}, {"moisture_pct": 10})
    assert range_of("moisture_pct", moisture, 10) == (moisture - 10, moisture + 10)


def test_figures_of_the_material_as_it_lies() -> None:
    """Fidanza et al., 30 Pennsylvania samples of mushroom compost: nitrogen 1.12 % as is is 2.65 % dry; read."""
    figures = {"nitrogen_pct": 1.12, "moisture_pct": 57.7}
    found = analysed("laboratory", figures=figures, plus_minus={"nitrogen_pct": 0.05}, basis="as_is")
    assert found.figures["nitrogen_pct"] == pytest.approx(2.65, abs=0.005)
    assert found.figures["moisture_pct"] == 57.7
    assert found.plus_minus["nitrogen_pct"] == pytest.approx(0.05 * 2.65 / 1.12, rel=2e-3)
    assert found.raw == {"basis": "as_is", **figures}


REFUSED = [
    ("laboratory", {}, "", "measures nothing"),
    ("laboratory", {"figures": {"nitrogen_pct": 1}, "basis": "as_is"}, "/moisture_pct", "same sample"),
    (
        "laboratory",
        {"figures": {"nitrogen_pct": 50, "moisture_pct": 80}, "basis": "as_is"},
        "/nitrogen_pct",
        "more than the 20 %",
    ),
    ("laboratory", {"figures": {"nitrogen_pct": 1}, "squeeze": {"feel": "dry"}}, "/squeeze", "another kind"),
    (
        "laboratory",
        {"figures": {"nitrogen_pct": 1}, "plus_minus": {"carbon_pct": 1}},
        "/plus_minus/carbon_pct",
        "not measured",
    ),
    ("oven_drying", {}, "/oven", "needs it"),
    ("oven_drying", {"oven": {"wet_kg": 1, "dry_kg": 2}}, "/oven/dry_kg", "not between"),
    (
        "oven_drying",
        {"oven": {"wet_kg": 2, "dry_kg": 1}, "figures": {"moisture_pct": 50}},
        "/moisture_pct",
        "leave it out",
    ),
    ("oven_drying", {"oven": {"wet_kg": 2, "dry_kg": 1}, "basis": "as_is"}, "/basis", "laboratory"),
    ("bucket", {"bucket": {"bucket_l": 20, "full_kg": 10}}, "/bucket", "all three"),
    ("bucket", {"bucket": {"bucket_l": 20, "empty_kg": 1, "full_lb": 10}}, "/bucket", "none of the others"),
    ("bucket", {"bucket": {"bucket_l": 20, "empty_kg": 10, "full_kg": 10}}, "/bucket/full_kg", "not above"),
    ("squeeze", {"squeeze": {}}, "/squeeze", "feel"),
    ("squeeze", {"squeeze": {"feel": "dry", "moisture_pct": 40}}, "/squeeze", "not both"),
    (
        "squeeze",
        {"squeeze": {"feel": "dry"}, "plus_minus": {"moisture_pct": 3}},
        "/plus_minus/moisture_pct",
        "oven",
    ),
]


@pytest.mark.parametrize(("kind", "values", "pointer", "words"), REFUSED)
def test_refused_in_words(kind: str, values: dict[str, Any], pointer: str, words: str) -> None:
    with pytest.raises(Invalid) as refusal:
        analysed(kind, **values)
    (error,) = refusal.value.errors
    assert error.pointer == pointer
    assert words in error.detail


def test_an_accuracy_does_not_leave_what_the_figure_may_be() -> None:
    assert range_of("moisture_pct", 95, 10) == (85, 100)
    assert range_of("nitrogen_pct", 0.3, 1) == (0, 1.3)
    assert range_of("nitrogen_pct", 0.3, None) == (None, None)


LABORATORY = Origin("analysis", "analysis of 2026-05-04 (laboratory)", "measured")


def test_a_measured_figure_lies_over_the_library_and_the_third_is_derived() -> None:
    """Leaves of NRAES-54, from memory: nitrogen 0.9 %, C:N 54; the carbon is kept beside a measured nitrogen."""
    known = lay(library()["leaves"].ingredient(), {"nitrogen_pct": 1.2}, LABORATORY)
    figures = figures_of(known)
    assert figures["carbon_pct"] == pytest.approx(0.9 * 54)
    assert figures["carbon_nitrogen_ratio"] == pytest.approx(0.9 * 54 / 1.2)
    assert known.origins["nitrogen_pct"] is LABORATORY
    assert known.origins["moisture_pct"].came_from == "library"
    ratio = known.origins["carbon_nitrogen_ratio"]
    assert (ratio.came_from, ratio.status) == ("derived", "from memory")
    assert "NRAES-54" in ratio.source
    assert LABORATORY.source in ratio.source
    assert set(known.origins) == set(figures)


def test_a_measured_ratio_with_a_handbook_nitrogen_gives_the_carbon() -> None:
    known = lay(library()["leaves"].ingredient(), {"carbon_nitrogen_ratio": 40}, LABORATORY)
    assert figures_of(known)["carbon_pct"] == pytest.approx(36)
    assert known.origins["carbon_nitrogen_ratio"] is LABORATORY
    assert known.origins["carbon_pct"].came_from == "derived"
    assert known.origins["nitrogen_pct"].came_from == "library"


def test_the_last_laid_wins() -> None:
    under = lay(library()["leaves"].ingredient(), {"moisture_pct": 60.0}, LABORATORY)
    later = Origin("analysis", "analysis of 2026-06-01 (oven)", "measured")
    known = lay(under, {"moisture_pct": 20.0}, later)
    assert (known.moisture_pct, known.origins["moisture_pct"]) == (20, later)


def test_two_of_carbon_nitrogen_and_ratio_make_the_third() -> None:
    given = {"nitrogen_pct": 2.4, "carbon_pct": 45.0}
    known = lay(Ingredient("grass"), given, GIVEN)
    assert figures_of(known)["carbon_nitrogen_ratio"] == pytest.approx(18.75)
    assert known.origins["carbon_nitrogen_ratio"].came_from == "derived"
    # volatile solids 90 % are 50 % carbon (Adams et al. 1951), which at 25:1 has 2 % nitrogen
    solids = lay(Ingredient("grass"), {"volatile_solids_pct": 90.0, "carbon_nitrogen_ratio": 25.0}, GIVEN)
    assert figures_of(solids)["nitrogen_pct"] == pytest.approx(2)


CONTRADICTIONS = [
    # the third figure is refused whether it agrees or not: which two were measured cannot be told
    (
        Ingredient("x", nitrogen_pct=2.4, carbon_pct=45, carbon_nitrogen_ratio=30),
        "/carbon_nitrogen_ratio",
        "contradicts the 30",
    ),
    (
        Ingredient("x", nitrogen_pct=2.4, carbon_pct=45, carbon_nitrogen_ratio=19),
        "/carbon_nitrogen_ratio",
        "agrees with the 19",
    ),
    (
        Ingredient("x", carbon_pct=45, carbon_nitrogen_ratio=18.75),
        "/carbon_nitrogen_ratio",
        "with nitrogen_pct: 45 % and 18.8 make 2.4 %",
    ),
    (Ingredient("x", nitrogen_pct=0, carbon_nitrogen_ratio=30), "/carbon_nitrogen_ratio", "no nitrogen"),
    (Ingredient("x", carbon_pct=50, volatile_solids_pct=40), "/volatile_solids_pct", "cannot hold 50 %"),
    (Ingredient("x", lignin_pct=40, volatile_solids_pct=30), "/lignin_pct", "more than the 30 %"),
    (Ingredient("x", lignin_method="klason"), "/lignin_method", "without lignin_pct"),
    (Ingredient("x", lignin_pct=20, lignin_method="guess"), "/lignin_method", "van_soest, klason"),
    (Ingredient("x", lignin_pct=101), "/lignin_pct", "101"),
    (Ingredient("x", phosphorus_pct=-1), "/phosphorus_pct", "-1"),
    (Ingredient("x", potassium_pct=200), "/potassium_pct", "200"),
]


@pytest.mark.parametrize(("ingredient", "pointer", "words"), CONTRADICTIONS)
def test_a_contradiction_is_refused(ingredient: Ingredient, pointer: str, words: str) -> None:
    (error,) = check_figures(ingredient, "")
    assert error.pointer == pointer
    assert words in error.detail


def test_volatile_solids_may_stand_beside_carbon() -> None:
    both = Ingredient("grass", nitrogen_pct=2.4, carbon_pct=45, volatile_solids_pct=85)
    assert check_figures(both, "") == []
    assert (both.carbon_of_dry_pct, both.volatile_solids_of_dry_pct) == (45, 85)
    assert Ingredient("grass", carbon_pct=45).volatile_solids_of_dry_pct == pytest.approx(81)


def test_a_new_lignin_drops_the_old_method() -> None:
    straw = library()["straw-wheat"].ingredient()
    assert straw.lignin_method == "klason"
    assert lay(straw, {"lignin_pct": 8.0}, GIVEN).lignin_method is None
    assert lay(straw, {"lignin_pct": 8.0, "lignin_method": "van_soest"}, GIVEN).lignin_method == "van_soest"


def test_volatile_solids_less_than_a_newly_measured_carbon_are_dropped() -> None:
    soil = library()["garden-soil"].ingredient()
    assert soil.volatile_solids_pct == 5
    assert lay(soil, {"carbon_pct": 9.0}, LABORATORY).volatile_solids_pct is None


@pytest.mark.parametrize(
    "figures",
    [
        {"moisture_pct": 77.0, "nitrogen_pct": 2.4, "carbon_pct": 45.0},
        {"nitrogen_pct": 2.4, "carbon_nitrogen_ratio": 19.0, "volatile_solids_pct": 90.0},
        {
            "volatile_solids_pct": 90.0,
            "carbon_nitrogen_ratio": 25.0,
            "lignin_pct": 4.0,
            "lignin_method": "klason",
        },
        {"nitrogen_pct": 0.0, "carbon_pct": 0.0, "moisture_pct": 5.0},
        {},
    ],
)
def test_the_quick_way_is_the_same_as_laying_over_nothing(figures: dict[str, Any]) -> None:
    quick, laid = of_figures("x", figures), lay(Ingredient("x"), figures, GIVEN)
    assert quick == laid
    assert quick.origins == laid.origins
