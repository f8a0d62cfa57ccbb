"""What is loaded: mass and volume by pint, heights by geometry, water by the mass balance, figures by their sources."""

from dataclasses import replace

import numpy as np
import pint
import pytest

from service.domain.build_sheets import PRACTICE, Measure, Place, Sheet, draw_up, place_of
from service.domain.build_sheets.practice import HANDLING, handling_of
from service.domain.errors import Invalid
from service.domain.recipes import Ingredient
from tests.domain.build_sheets.making import (
    BARROW,
    BUCKET,
    CAGE,
    CAN,
    FORK,
    GRASS,
    MANURE,
    MIX,
    SCALE,
    STRAW,
    request,
    wanted,
)

UNITS = pint.UnitRegistry()


def _sheets() -> list[Sheet]:
    return [
        draw_up(request()),
        draw_up(request(layers=12)),
        draw_up(request(place=Place("Strip", 9.0, "ridge", 1.5))),
        draw_up(request(place=Place("Bay", 3.0), measures=(BARROW, FORK, SCALE))),
        draw_up(request(STRAW, MANURE, mixing_shrink_pct=15.0)),
    ]


@pytest.mark.parametrize("sheet", _sheets())
def test_what_the_layers_get_is_what_was_counted_and_conserves_mass_and_volume(sheet: Sheet) -> None:
    for load in sheet.loads:
        parts = [p for layer in sheet.layers for p in layer.parts if p.ingredient == load.ingredient]
        assert sum(part.count for part in parts) == load.count
        asked = next(w for n, w in enumerate(sheet.request.wanted) if n == load.ingredient).ingredient
        density = UNITS.Quantity(asked.bulk_density_kg_m3, "kg/m^3")
        if load.measure.volume_l is not None:
            mass = (load.count * UNITS.Quantity(load.measure.volume_l, "litre") * density).to("kg").magnitude
        else:
            mass = load.count * (load.measure.mass_kg or 0)
        assert load.loaded_kg == pytest.approx(mass)
        assert load.volume_m3 == pytest.approx((UNITS.Quantity(mass, "kg") / density).to("m^3").magnitude)
        assert sum(part.mass_kg for part in parts) == pytest.approx(mass)
    solids = sum(load.loaded_kg for load in sheet.loads)
    assert sum(layer.mass_kg for layer in sheet.layers) == pytest.approx(solids)
    assert sheet.loaded.mass_kg == pytest.approx(solids + sheet.water.total_l)
    assert sum(layer.water_l for layer in sheet.layers) == pytest.approx(sheet.water.total_l)


@pytest.mark.parametrize("sheet", _sheets())
def test_the_measures_come_as_near_to_the_recipe_as_whole_ones_can(sheet: Sheet) -> None:
    for load in sheet.loads:
        assert abs(load.loaded_kg - load.planned_kg) <= load.mass_per_measure_kg / 2 * (1 + 1e-9)


@pytest.mark.parametrize("sheet", _sheets())
def test_the_layers_add_up_to_the_mark(sheet: Sheet) -> None:
    tops = [layer.top_pct for layer in sheet.layers]
    assert tops == sorted(tops)
    if sheet.full_cm is None:
        assert sheet.mark_cm is None
        assert tops[-1] == pytest.approx(100)
        return
    assert sum(layer.thickness_cm or 0 for layer in sheet.layers) == pytest.approx(sheet.mark_cm)
    assert sheet.fill_pct == pytest.approx(100, abs=5)
    reach = 1 if abs(sheet.fill_pct - 100) <= 3 else sheet.fill_pct / 100
    assert sheet.mark_cm == pytest.approx(sheet.full_cm * reach)


def test_coarse_brown_lies_below_and_brown_on_top() -> None:
    sheet = draw_up(request())
    assert sheet.layers[0].role == "bottom"
    assert [part.name for part in sheet.layers[0].parts] == ["wood chips"]
    assert sheet.layers[-1].role == "top"
    assert [part.name for part in sheet.layers[-1].parts] == ["wheat straw"]
    assert [layer.role for layer in sheet.layers[1:-1]] == ["brown", "green"] * sheet.rounds
    browns = {p.name for layer in sheet.layers if layer.role == "brown" for p in layer.parts}
    assert browns == {"wheat straw", "wood chips"}


def test_at_most_as_many_layers_as_asked() -> None:
    for layers in (1, 4, 7, 12, 30):
        sheet = draw_up(request(layers=layers))
        assert len(sheet.layers) <= max(layers, 4)
        assert sheet.rounds == max(1, (layers - 2) // 2)


def test_a_windrow_is_a_parabola_of_two_thirds_of_its_box() -> None:
    """Archimedes: a parabolic segment has 2/3 of its rectangle; so NRAES-54 has it for a high windrow (from memory)."""
    strip = place_of("Strip", "windrow_strip", length_m=5, width_m=2.4, height_m=1.5)
    assert strip.volume_m3 == pytest.approx(5 * 2.4 * 1.5 * 2 / 3)
    height = np.linspace(0, 1, 200_001)
    width = np.sqrt(1 - height)
    area = np.concatenate([[0], np.cumsum((width[1:] + width[:-1]) / 2 * np.diff(height))])
    for z in (0.1, 0.4, 0.85):
        part = float(np.interp(z, height, area) / area[-1])
        assert strip.below(z) == pytest.approx(part, abs=1e-6)
        assert strip.height_of(part) == pytest.approx(z, abs=1e-6)


def test_a_round_cage_is_a_cylinder() -> None:
    cage = place_of("", "cage", diameter_m=1.0, height_m=1.2)
    expected = (UNITS.Quantity(0.5, "m") ** 2 * np.pi * UNITS.Quantity(120, "cm")).to("m^3").magnitude
    assert cage.volume_m3 == pytest.approx(expected)


DRY = (
    wanted("wheat straw", 0.6, 12, 0.5, 80, 60),
    wanted("wood chips", 0.3, 20, 0.3, 150, 250),
    wanted("horse manure", 0.3, 60, 1.6, 30, 400),
)


def test_water_brings_what_is_really_loaded_to_the_goal() -> None:
    """Cornell's moisture formula with water as a material of 100 %, to half a can."""
    sheet = draw_up(request(*DRY))
    assert sheet.planned.moisture_pct is not None
    assert sheet.planned.moisture_pct < 50
    water_kg = sum(
        load.loaded_kg * (sheet.request.wanted[load.ingredient].ingredient.moisture_pct or 0) / 100
        for load in sheet.loads
    )
    solids_kg = sum(load.loaded_kg for load in sheet.loads)
    exact = (solids_kg * 0.55 - water_kg) / 0.45
    assert abs(sheet.water.total_l - exact) <= 9 / 4 + 1e-9
    assert sheet.loaded.moisture_pct == pytest.approx(55, abs=1)
    by_role = {layer.role: layer.water_l for layer in sheet.layers}
    assert by_role["green"] == 0, "manure is wetter than the goal"
    assert by_role["bottom"] > 0


def test_a_recipe_with_water_keeps_its_own_moisture() -> None:
    water = replace(
        GRASS, ingredient=Ingredient("water", moisture_pct=100, mass_kg=60, bulk_density_kg_m3=1000)
    )
    sheet = draw_up(request(*DRY, water))
    assert sheet.water.goal_pct == pytest.approx(sheet.planned.moisture_pct)
    assert sheet.loaded.moisture_pct == pytest.approx(sheet.planned.moisture_pct, abs=1)
    assert "water" not in {load.name for load in sheet.loads}


def test_a_moist_mix_gets_none_and_an_unknown_one_is_not_called_dry() -> None:
    assert draw_up(request()).water.total_l == 0
    unknown = replace(STRAW, ingredient=replace(STRAW.ingredient, moisture_pct=None))
    sheet = draw_up(request(unknown, MANURE))
    assert sheet.planned.moisture_pct is None
    assert sheet.water.goal_pct is None


def test_the_amounts_fill_the_place_loose_or_settled() -> None:
    loose = draw_up(request())
    settled = draw_up(request(mixing_shrink_pct=20.0))
    assert settled.scale == pytest.approx(loose.scale / 0.8)
    assert settled.loose_m3 == pytest.approx(CAGE.volume_m3 / 0.8, rel=0.03)
    kept = draw_up(request(place=None))
    assert kept.scale == 1
    assert kept.planned.mass_kg == pytest.approx(
        sum((w.ingredient.volume_m3 or 0) * (w.ingredient.bulk_density_kg_m3 or 0) for w in MIX)
    )


def test_more_people_need_less_time_by_the_rate_given() -> None:
    sheet = draw_up(request(people=1, m3_per_person_hour=0.5))
    assert sheet.loose_m3 is not None
    assert sheet.minutes is not None
    assert 0 <= sheet.minutes - 60 * sheet.loose_m3 / 0.5 < 15
    assert draw_up(request(people=8, m3_per_person_hour=0.5)).minutes == 30


def test_measures_too_coarse_for_a_bay_are_told() -> None:
    huge = (Measure("trailer", "barrow", volume_l=500),)
    sheet = draw_up(request(STRAW, MANURE, measures=huge))
    assert sheet.fill_pct is not None
    assert abs(sheet.fill_pct - 100) > 3
    assert sheet.mark_cm == pytest.approx(120 * sheet.fill_pct / 100)


def test_heavy_measures_are_marked_by_the_crews_own_limit() -> None:
    one = wanted("wet manure", 0.5, 75, 2, 20, 700, measure="bucket")
    heavy = draw_up(request(one, STRAW, lifting_limit_kg=8.0)).loads[0]
    assert heavy.mass_per_measure_kg == pytest.approx(8.4)
    assert heavy.is_heavy
    assert not draw_up(request(one, STRAW, lifting_limit_kg=9.0)).loads[0].is_heavy


@pytest.mark.parametrize(
    ("kind", "low_in", "high_in"),
    [("woody", 0.5, 1.5), ("other", 1 / 8, 1.0)],
    ids=["Raabe, rapid method", "Louisiana State University AgCenter"],
)
def test_sizes_are_those_of_the_source_in_inches(kind: str, low_in: float, high_in: float) -> None:
    found = next(one for one in HANDLING if one.name == kind)
    assert found.low_mm == pytest.approx(UNITS.Quantity(low_in, "inch").to("mm").magnitude, rel=0.06)
    assert found.high_mm == pytest.approx(UNITS.Quantity(high_in, "inch").to("mm").magnitude, rel=0.06)


def test_layers_are_as_thick_as_the_source_says() -> None:
    """City of Moberly, Missouri, Layering Material: four to eight inches."""
    figure = PRACTICE["layer_cm"]
    assert figure.least == pytest.approx(UNITS.Quantity(4, "inch").to("cm").magnitude, rel=0.03)
    assert figure.most == pytest.approx(UNITS.Quantity(8, "inch").to("cm").magnitude, rel=0.03)


@pytest.mark.parametrize(
    ("name", "category", "kind"),
    [
        ("Stable bedding, horse on straw", "manure", "manure"),
        ("Orchard prunings, shredded", "yard", "woody"),
        ("Street leaves", "yard", "leaves"),
        ("Sawdust, oak wood", None, "sawdust"),
        ("Reed straw", None, "stalks"),
        ("Wood ash", None, "mineral"),
        ("Lawn clippings", None, "grass"),
        ("Something", None, "other"),
    ],
)
def test_a_material_is_handled_by_what_it_is(name: str, category: str | None, kind: str) -> None:
    assert handling_of(name, category).name == kind


def _refused(**more: object) -> dict[str, str]:
    with pytest.raises(Invalid) as refused:
        draw_up(request(**more))  # type: ignore[arg-type]
    return {one.pointer: one.detail for one in refused.value.errors}


def test_a_measure_is_chosen_that_comes_near_and_reaches_each_layer() -> None:
    sheet = draw_up(request(measures=(BARROW, BUCKET, CAN)))
    for load in sheet.loads:
        assert abs(load.difference_pct) <= PRACTICE["rounding_pct"].value
        assert load.count >= sheet.rounds


def test_what_nobody_can_measure_is_refused_whole() -> None:
    told = _refused(measures=(CAN,))
    assert "barrow" in told["/measures"]
    pinch = wanted("urea", 0.00001, 1, 46, 0.4, 700)
    with pytest.raises(Invalid) as refused:
        draw_up(request(STRAW, MANURE, pinch))
    assert refused.value.errors[0].pointer == "/ingredients/2"
    assert "smaller measure" in refused.value.errors[0].detail
