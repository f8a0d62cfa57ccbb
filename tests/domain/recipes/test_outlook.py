"""What a mix will do: against published numbers, by an independent count, and as laws."""

import math
import re
from dataclasses import replace

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.errors import Invalid
from service.domain.published import Status
from service.domain.recipes import Evaluation, Ingredient, Surroundings, evaluate
from service.domain.recipes.outlook.nitrogen_loss import ammonia_share
from service.domain.recipes.outlook.oxygen import CELLULOSE, SLUDGE, decayed_share, oxidation
from service.domain.recipes.outlook.process import PROCESS
from service.domain.recipes.outlook.size import core_above_air_k, heat_w, needed_m3
from tests.domain.recipes.materials import GRASS, LEAVES, STRAW
from tests.domain.recipes.test_laws import mixes

UNITS = pint.UnitRegistry()
WATER = Ingredient("water", moisture_pct=100, bulk_density_kg_m3=1000)
NEWSPRINT = Ingredient(
    "newsprint",
    moisture_pct=6,
    nitrogen_pct=0.1,
    carbon_pct=49,
    volatile_solids_pct=100,
    lignin_pct=20.9,
    lignin_method="van_soest",
    bulk_density_kg_m3=140,
    mass_kg=100,
)


def reason(mix: Evaluation, figure: str) -> str:
    return next(one.because for one in mix.reasons if one.figure == figure)


# --- biodegradable carbon


def test_newsprint_by_its_lignin() -> None:
    """Chandler et al. 1980 (WE29): lignin 20.9 % of volatile solids leaves 0.245 and turns 490:1 into 120:1."""
    mix = evaluate([NEWSPRINT])
    assert mix.carbon_nitrogen_ratio == pytest.approx(490)
    assert mix.biodegradable_carbon_nitrogen_ratio == pytest.approx(120, rel=5e-3)
    assert mix.biodegradable_solids_kg == pytest.approx(94 * 0.2448)
    assert mix.energy is not None
    assert not mix.energy.is_assumed


NO_LIGNIN = [
    ({"lignin_pct": None, "lignin_method": None}, "lignin of newsprint is not known"),
    ({"lignin_method": None}, "how the lignin of newsprint was determined"),
    ({"lignin_method": "klason"}, "Klason"),
]


@pytest.mark.parametrize(("figures", "words"), NO_LIGNIN)
def test_other_lignin_leaves_it_unknown(figures: dict[str, object], words: str) -> None:
    mix = evaluate([replace(NEWSPRINT, **figures)])
    assert mix.biodegradable_carbon_nitrogen_ratio is None
    assert words in reason(mix, "biodegradable_carbon_nitrogen_ratio")
    assert mix.energy is not None
    assert mix.energy.is_assumed


def test_what_holds_no_carbon_needs_no_lignin() -> None:
    ash = Ingredient("wood ash", moisture_pct=5, nitrogen_pct=0, carbon_pct=0, mass_kg=5)
    mix = evaluate([NEWSPRINT, ash, replace(WATER, mass_kg=50)])
    assert mix.biodegradable_carbon_nitrogen_ratio == pytest.approx(490 * 0.2448, rel=1e-3)


# --- volatile solids


def test_volatile_solids_as_burned_and_by_carbon() -> None:
    """Adams et al. 1951, as given by Cornell: carbon is volatile solids / 1.8."""
    burned = Ingredient("a", moisture_pct=50, nitrogen_pct=2, volatile_solids_pct=90, mass_kg=100)
    by_carbon = Ingredient("b", moisture_pct=50, nitrogen_pct=2, carbon_pct=50, mass_kg=100)
    one, other = evaluate([burned]), evaluate([by_carbon])
    assert (one.volatile_solids_kg, one.volatile_solids_pct) == pytest.approx((45, 90))
    assert (other.volatile_solids_kg, other.volatile_solids_pct) == pytest.approx((45, 90))
    assert (one.volatile_solids_from_carbon, other.volatile_solids_from_carbon) == (False, True)


# --- energy and water


@pytest.mark.parametrize(
    ("water_kg", "state"), [(79, "enough"), (81, "marginal"), (99, "marginal"), (101, "short")]
)
def test_water_against_energy(water_kg: float, state: str) -> None:
    """Haug 1993, from memory: W below 8 enough, 8 to 10 marginal, above 10 short; E = 5550 / W."""
    # 10 kg of volatile solids at the lignin that leaves all of 0.83: W = water / 8.3, so 12.048 kg make 10 kg
    dry = Ingredient(
        "starch", moisture_pct=0, nitrogen_pct=1, carbon_pct=45, volatile_solids_pct=100, lignin_pct=0,
        lignin_method="van_soest", mass_kg=10 / 0.83,
    )  # fmt: skip
    energy = evaluate([dry, replace(WATER, mass_kg=water_kg)]).energy
    assert energy is not None
    assert energy.water_to_solids_ratio.value == pytest.approx(water_kg / 10)
    assert energy.energy_cal_per_g_water == pytest.approx(5550 / (water_kg / 10))
    assert energy.state == state


def test_the_two_rules_of_haug_agree() -> None:
    """5550 / 8 = 694 against 700, 5550 / 10 = 555 against 600 cal per g of water."""
    energy = PROCESS["energy_cal_per_g"].value
    assert energy / PROCESS["water_ratio_enough"].value == pytest.approx(
        PROCESS["energy_enough_cal"].value, rel=0.01
    )
    assert energy / PROCESS["water_ratio_short"].value == pytest.approx(
        PROCESS["energy_short_cal"].value, rel=0.08
    )


def test_heat_of_combustion_agrees_between_sources() -> None:
    """Haug's 5550 cal/g is 23.2 MJ/kg, the top of the 19 to 23 kJ/g quoted; 14 kJ/g O2 times 1.3 is 18 MJ/kg."""
    combustion = UNITS.Quantity(PROCESS["energy_cal_per_g"].value, "cal/g").to("MJ/kg").magnitude
    assert combustion == pytest.approx(23.2, rel=2e-3)
    assert PROCESS["heat_mj_per_kg"].value == pytest.approx(14 * PROCESS["oxygen_per_kg"].value, rel=0.02)


# --- oxygen


def count(formula: str) -> dict[str, int]:
    """Count atoms of a formula as it is printed."""
    found: dict[str, int] = {}
    for element, number in re.findall(r"([A-Z][a-z]?)(\d*)", formula):
        found[element] = found.get(element, 0) + int(number or 1)
    return found


# Polprasert, Organic Waste Recycling, eq. 3.14 and 3.15 (WE17): 1.99 and 1.41 g of oxygen per g. Cellulose, protein
# and fat: Haug 1993, from memory, 1.2, 1.5 and 2.9 per g.
BURNED = [
    ("C10H19O3N", 12.5, 1.99, 5e-3),
    ("C5H7O2N", 5, 1.41, 5e-3),
    ("C6H10O5", 6, 1.2, 0.02),
    ("C16H24O5N4", 16.5, 1.5, 0.01),
    ("C50H90O6", 69.5, 2.9, 0.04),
]


@pytest.mark.parametrize(("formula", "moles", "per_gram", "within"), BURNED)
def test_oxygen_by_formula(formula: str, moles: float, per_gram: float, within: float) -> None:
    atoms = count(formula)
    burned = oxidation(atoms["C"], atoms["H"], atoms["O"], atoms.get("N", 0))
    assert burned.oxygen == pytest.approx(moles)
    assert burned.oxygen_kg_per_kg == pytest.approx(per_gram, rel=within)
    left = {"C": atoms["C"], "H": atoms["H"], "O": atoms["O"] + 2 * burned.oxygen, "N": atoms.get("N", 0)}
    right = dict.fromkeys("CHON", 0.0)
    for product, amount in (
        ("CO2", burned.carbon_dioxide),
        ("H2O", burned.water),
        ("NH3", burned.ammonia),
    ):
        for element, number in count(product).items():
            right[element] += number * amount
    assert right == pytest.approx(left)


def test_air_of_the_oxygen() -> None:
    """8.57 g of dry air per g of sludge at 23.2 % oxygen (WE17); its volume by the ideal gas law, through pint."""
    per_gram = oxidation(*SLUDGE).oxygen_kg_per_kg / PROCESS["oxygen_in_air_share"].value
    assert per_gram == pytest.approx(8.57, rel=2e-3)
    pressure, warm = UNITS.Quantity(101.325, "kPa"), UNITS.Quantity(293.15, "K")
    gas = UNITS.Quantity(8.314462618, "J/mol/K")
    density = (pressure * UNITS.Quantity(28.965, "g/mol") / (gas * warm)).to("kg/m^3").magnitude
    assert PROCESS["air_kg_m3"].value == pytest.approx(density, rel=1e-3)
    demand = evaluate([NEWSPRINT]).first_week_oxygen
    assert demand is not None
    assert demand.air_m3.value == pytest.approx(demand.oxygen_kg.value / 0.232 / density, rel=1e-3)


def test_oxygen_of_the_first_week_by_hand() -> None:
    """Two pools: 0.7 (0.25 (1 - e^-2.4) + 0.75 (1 - e^-0.2)) is 25.4 % of 23.0 kg, 1.3 kg of oxygen each."""
    demand = evaluate([NEWSPRINT]).first_week_oxygen
    assert demand is not None
    share = 0.7 * (0.25 * (1 - math.exp(-2.4)) + 0.75 * (1 - math.exp(-0.2)))
    assert demand.decayed_share.value == pytest.approx(share)
    assert demand.oxygen_kg.value == pytest.approx(94 * 0.24480 * share * 1.3, rel=1e-6)
    assert demand.oxygen_per_kg.low == pytest.approx(oxidation(*CELLULOSE).oxygen_kg_per_kg)


def test_quick_material_breathes_more() -> None:
    demands = [
        evaluate([NEWSPRINT], surroundings=Surroundings(decay=d)).first_week_oxygen
        for d in ("slow", "medium", "fast")
    ]
    values = [demand.oxygen_kg.value for demand in demands if demand is not None]
    assert len(values) == 3
    assert values == sorted(values)
    assert values[0] < values[-1]


def test_a_fifty_day_pile_decays_as_the_two_zone_model_has_it() -> None:
    """Two-zone model, synthetic: 1 m3 at 15 Cel loses 0.67 of its biodegradable solids in 50 days with weekly turns,
    0.52 without. Days at the best temperature: 0.56 a day."""
    assert decayed_share(0.25, 50 * 0.56) == pytest.approx(0.52, abs=0.07)


# --- settling and air


def test_fines_settle_into_straw() -> None:
    """Wet fines into chips or straw: 10 to 30 % (low confidence); like materials: 0 to 5 %."""
    slurry = replace(GRASS, name="paunch", bulk_density_kg_m3=900, mass_kg=900)
    straw = replace(STRAW, mass_kg=1.0 * 134.7)
    mixed = evaluate([slurry, straw])
    assert mixed.settling is not None
    assert (mixed.settling.shrink_pct.low, mixed.settling.shrink_pct.high) == (10, 30)
    assert mixed.volume_m3 == pytest.approx(2)
    assert mixed.settled_volume_m3 == pytest.approx(1.6)
    like = evaluate([replace(LEAVES, mass_kg=100), straw]).settling
    assert like is not None
    assert (like.shrink_pct.low, like.shrink_pct.high) == (0, 5)


def test_a_measured_shrink_is_taken() -> None:
    mix = evaluate([replace(GRASS, mass_kg=240), replace(LEAVES, mass_kg=120)], mixing_shrink_pct=15)
    assert mix.settling is not None
    assert mix.settling.basis == "given"
    assert mix.volume_m3 == pytest.approx(2)
    assert mix.settled_volume_m3 == pytest.approx(1.7)
    assert mix.bulk_density_kg_m3 == pytest.approx(360 / 1.7)


def test_one_material_loses_nothing_and_water_soaks_in() -> None:
    mix = evaluate([replace(LEAVES, mass_kg=120), replace(WATER, mass_kg=60)])
    assert mix.settling is not None
    assert mix.settling.basis == "none"
    assert mix.volume_m3 == pytest.approx(1.06)
    assert mix.settled_volume_m3 == pytest.approx(1)
    assert mix.settling.water_soaked_in_m3 == pytest.approx(0.06)


def test_no_pile_is_smaller_than_its_water_and_solids() -> None:
    drowned = evaluate([replace(LEAVES, mass_kg=1.2), replace(WATER, mass_kg=500)])
    assert drowned.settled_volume_m3 is not None
    assert drowned.settled_volume_m3 >= 0.5


FORMS = [
    # WE30: 600 kg/m3, 60 % moisture, 80 % organic: 46 against 50.2; the line is 42 at 640 and 30 at 778 (from memory)
    (600, 46.0, 50.19),
    (640, 42.4, None),
    (778, 29.98, None),
]


@pytest.mark.parametrize(("density", "line", "parts"), FORMS)
def test_free_air_space_in_both_forms(density: float, line: float, parts: float | None) -> None:
    stuff = Ingredient(
        "stuff", moisture_pct=60, nitrogen_pct=1.5, volatile_solids_pct=80, bulk_density_kg_m3=density, mass_kg=500
    )  # fmt: skip
    mix = evaluate([stuff])
    assert mix.air_space is not None
    assert mix.air_space.empirical_pct == mix.free_air_space_pct == pytest.approx(line, abs=0.05)
    assert mix.air_space.component_pct is not None
    if parts is not None:
        assert mix.air_space.component_pct == pytest.approx(parts, abs=0.02)
        assert "4 points more" in mix.air_space.why_they_differ


# --- nitrogen


RISKS = [
    # NRAES-54, second-hand: 20 to 40 works, 25 to 30 is preferred
    ({"nitrogen_pct": 3}, None, "low matter", "high"),  # 15
    ({"nitrogen_pct": 2}, None, "low matter", "raised"),  # 22.5
    ({"nitrogen_pct": 1.5}, None, "low matter", "low"),  # 30
    ({"nitrogen_pct": 1.5}, 8.2, "low matter", "raised"),
    ({"nitrogen_pct": 1.5}, 8.9, "low matter", "high"),
    ({"nitrogen_pct": 1.5}, 7.0, "layer manure", "raised"),
    ({"nitrogen_pct": 0}, None, "low matter", "low"),
]


@pytest.mark.parametrize(("figures", "ph", "name", "risk"), RISKS)
def test_risk_of_losing_nitrogen(figures: dict[str, float], ph: float | None, name: str, risk: str) -> None:
    stuff = Ingredient(name, moisture_pct=60, carbon_pct=45, mass_kg=100)
    loss = evaluate([replace(stuff, **figures)], surroundings=Surroundings(ph=ph)).nitrogen_loss
    assert loss is not None
    assert loss.risk == risk
    assert loss.because


def test_ash_and_urea_raise_the_risk() -> None:
    base = Ingredient("leaves", moisture_pct=40, nitrogen_pct=1, carbon_pct=45, mass_kg=100)
    ash = Ingredient("wood ash", moisture_pct=5, nitrogen_pct=0, carbon_pct=0, mass_kg=5)
    urea = Ingredient("urea", moisture_pct=0, nitrogen_pct=46, carbon_pct=20, mass_kg=0.2)
    for added, words in ((ash, "pH"), (urea, "doses")):
        loss = evaluate([base, added]).nitrogen_loss
        assert loss is not None
        assert loss.risk == "raised"
        assert any(words in text for text in loss.because)


def test_half_is_ammonia_at_its_pka() -> None:
    """Emerson et al. 1975, from memory: pKa 9.25 at 25 Cel; a table prints 5.38 % at pH 8, 25 Cel."""
    assert ammonia_share(9.245, 298.15) == pytest.approx(0.5, abs=0.01)
    assert ammonia_share(8, 298.15) == pytest.approx(0.0538, rel=0.01)


def test_nothing_known_is_no_risk_known() -> None:
    mix = evaluate([Ingredient("mystery", mass_kg=10)])
    assert mix.nitrogen_loss is None
    assert "neither C:N nor pH" in reason(mix, "nitrogen_loss")
    for figure in ("volatile_solids_kg", "settled_volume_m3", "energy", "first_week_oxygen", "pile_size"):
        assert getattr(mix, figure) is None
        assert reason(mix, figure)


# --- shrink


def test_what_is_left_of_a_pile() -> None:
    """Shares as printed: 30 to 80 % of the volume, 38 to 69 % of the mass (NRAES-54 and others, second-hand)."""
    mix = evaluate([replace(LEAVES, mass_kg=240)])
    assert mix.shrink is not None
    active, cured = mix.shrink.volume_after_active_m3, mix.shrink.volume_after_curing_m3
    assert active is not None
    assert cured is not None
    assert (active.value, active.low, active.high) == pytest.approx((0.9, 0.6, 1.6))
    assert cured.value == pytest.approx(0.81)
    assert (mix.shrink.mass_after_kg.low, mix.shrink.mass_after_kg.high) == pytest.approx((91.2, 165.6))


# --- size

# Two-zone model, synthetic, 450 kg/m3, 60 % moisture (60 % of volatile solids biodegradable): core before the turn
# on day 14, by volume and air. It holds 55 Cel then, or it does not; 1 m3 at 15 Cel stands at 54 and decides nothing.
# Left out: 3 m3 at -8 Cel holds 60 in the model, where the balance asks for 3.3 m3, for it is steady and forgets the
# warmth a pile was built with.
DAY_14 = [
    (0.25, 15, 17), (0.5, 15, 29), (3, 15, 66), (1, 28, 63), (1, 5, 34), (3, 5, 67),
]  # fmt: skip
HEAT_W_M3 = heat_w(450 * 0.4 * 0.9 * 0.6, None)


@pytest.mark.parametrize(("volume", "air", "core"), DAY_14)
def test_the_balance_sides_with_the_two_zone_model(volume: float, air: float, core: float) -> None:
    assert (air + core_above_air_k(volume, HEAT_W_M3) >= 55) == (core >= 55)
    needed = needed_m3(HEAT_W_M3, air)
    assert needed is not None
    assert (volume >= needed) == (core >= 55)


def test_the_balance_is_near_one_cubic_metre_in_a_temperate_climate() -> None:
    """FAO, on-farm composting methods: about 1 m3 (second-hand)."""
    assert needed_m3(HEAT_W_M3, 15) == pytest.approx(1, abs=0.15)


def pile(volume: float, **known: float | str | None) -> Evaluation:
    # 162 kg of dry matter a cubic metre, nine tenths of it volatile
    stuff = Ingredient(
        "mix", moisture_pct=60, nitrogen_pct=1.6, volatile_solids_pct=90, bulk_density_kg_m3=450,
        mass_kg=450 * volume,
    )  # fmt: skip
    return evaluate([stuff], surroundings=Surroundings(**known))  # type: ignore[arg-type]


SIZES = [
    (3, {"ambient_c": 15}, "adequate", "heat_balance"),
    (1, {"climate": "cold"}, "small", "heat_balance"),
    (0.6, {"climate": "tropical"}, "marginal", "heat_balance"),
    (0.4, {"climate": "tropical"}, "small", "heat_balance"),
    (1, {}, "adequate", "handbook"),
    (0.9, {}, "small", "handbook"),
]


@pytest.mark.parametrize(("volume", "known", "state", "basis"), SIZES)
def test_size_for_the_climate(volume: float, known: dict[str, float], state: str, basis: str) -> None:
    size = pile(volume, **known).pile_size
    assert size is not None
    assert (size.state, size.basis) == (state, basis)
    assert (size.needed_m3 is None) == (basis == "handbook")


def test_what_40_m3_would_not_hold_is_small_without_a_number() -> None:
    ashes = Ingredient(
        "ashes", moisture_pct=60, nitrogen_pct=0.2, volatile_solids_pct=2, bulk_density_kg_m3=450, mass_kg=9000
    )  # fmt: skip
    size = evaluate([ashes], surroundings=Surroundings(ambient_c=-20)).pile_size
    assert size is not None
    assert (size.state, size.needed_m3) == ("small", None)


def test_a_bay_stands_in_for_an_unknown_volume() -> None:
    bare = Ingredient("mix", moisture_pct=60, nitrogen_pct=1.6, volatile_solids_pct=90, mass_kg=1350)
    size = evaluate([bare], surroundings=Surroundings(ambient_c=15, bay_volume_m3=3)).pile_size
    assert size is not None
    assert (size.volume_m3, size.state) == (3, "adequate")


# --- advice and data


def test_advice_names_its_source() -> None:
    topics = {
        "energy": "Haug 1993",
        "first_week_oxygen": "second-hand",
        "nitrogen_loss": "NRAES-54",
        "shrink": "NRAES-54",
        "pile_size": "heat balance",
    }
    mix = pile(1.2, climate="temperate")
    for topic, words in topics.items():
        (found,) = [advice.text for advice in mix.advice if advice.about == topic]
        assert words in found


def test_every_figure_is_read_and_marked() -> None:
    assert all(figure.source and figure.status in set(Status) for figure in PROCESS.values())


REFUSED = [
    ({"ambient_c": 99}, "/ambient_c"),
    ({"ambient_c": math.nan}, "/ambient_c"),
    ({"climate": "lunar"}, "/climate"),
    ({"decay": "instant"}, "/decay"),
    ({"ph": 15}, "/ph"),
    ({"bay_volume_m3": 0}, "/bay_volume_m3"),
]


@pytest.mark.parametrize(("known", "pointer"), REFUSED)
def test_refused_in_words(known: dict[str, float], pointer: str) -> None:
    with pytest.raises(Invalid) as refusal:
        pile(1, **known)
    (error,) = refusal.value.errors
    assert error.pointer == pointer
    assert len(error.detail) > 20


# --- laws

calm = settings(max_examples=60, deadline=None)


@calm
@given(mixes(), st.floats(0.01, 100))
def test_scale_changes_amounts_and_no_ratio(mix: list[Ingredient], factor: float) -> None:
    one = evaluate(mix)
    other = evaluate([replace(i, mass_kg=(i.mass_kg or 0) * factor) for i in mix])
    assert one.energy is not None
    assert other.energy is not None
    assert one.first_week_oxygen is not None
    assert other.first_week_oxygen is not None
    assert one.settled_volume_m3 is not None
    assert other.energy.water_to_solids_ratio.value == pytest.approx(one.energy.water_to_solids_ratio.value)
    assert other.settled_volume_m3 == pytest.approx(one.settled_volume_m3 * factor)
    assert other.first_week_oxygen.oxygen_kg.value == pytest.approx(
        one.first_week_oxygen.oxygen_kg.value * factor
    )
    assert other.volatile_solids_pct == pytest.approx(one.volatile_solids_pct)


@calm
@given(mixes(), st.floats(0.1, 1000))
def test_water_costs_energy_and_takes_no_oxygen(mix: list[Ingredient], litres: float) -> None:
    dry, wet = evaluate(mix), evaluate([*mix, replace(WATER, mass_kg=litres)])
    assert dry.energy is not None
    assert wet.energy is not None
    assert wet.energy.water_to_solids_ratio.value > dry.energy.water_to_solids_ratio.value
    assert wet.first_week_oxygen == dry.first_week_oxygen
    assert wet.volatile_solids_kg == dry.volatile_solids_kg


@calm
@given(mixes())
def test_mixed_is_never_more_than_loose_and_ranges_hold_their_value(mix: list[Ingredient]) -> None:
    found = evaluate(mix, surroundings=Surroundings(climate="cool"))
    assert found.settling is not None
    assert found.volume_m3 is not None
    assert found.energy is not None
    assert found.first_week_oxygen is not None
    assert found.settling.volume_m3.high <= found.volume_m3 * (1 + 1e-9)
    for estimate in (
        found.settling.volume_m3,
        found.energy.water_to_solids_ratio,
        found.first_week_oxygen.oxygen_kg,
    ):
        assert estimate.low <= estimate.value <= estimate.high


@calm
@given(st.floats(50, 1500), st.floats(-20, 40), st.floats(0.1, 15))
def test_colder_air_asks_for_a_larger_pile(heat: float, air: float, colder: float) -> None:
    mild, cold = needed_m3(heat, air), needed_m3(heat, air - colder)
    assert mild is not None or cold is None
    if mild is not None and cold is not None:
        assert cold >= mild - 1e-3


@calm
@given(st.floats(100, 1500), st.floats(-20, 40))
def test_the_size_needed_holds_just_55(heat: float, air: float) -> None:
    needed = needed_m3(heat, air)
    if needed is not None and needed > 0.5:
        assert air + core_above_air_k(needed, heat) == pytest.approx(55)
