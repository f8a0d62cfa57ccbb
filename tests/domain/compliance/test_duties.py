"""What rules ask besides heat: laboratory limits, samples of one day, places, depths, cover, calibration, storage."""

from datetime import datetime, timedelta

import pytest

from service.domain.compliance import RULES, History, Reading, Sample, Series, read_rule_document, series_of
from service.domain.compliance.judge import judge
from service.domain.errors import Invalid
from tests.domain.compliance.piles import UTC_ZONE, at, log, pile, verdict
from tests.domain.compliance.test_rule_documents import PERMIT

COLIFORM, SALMONELLA = "fecal_coliform_mpn_g", "salmonella_mpn_4g"


def sample(hour: float, coliform: float | None, salmonella: float | None) -> Sample:
    figures = {COLIFORM: coliform, SALMONELLA: salmonella}
    return Sample(at(hour), {name: value for name, value in figures.items() if value is not None})


def state_of(rule: str, name: str, history, at_h: float = 900) -> str:
    found = verdict(rule, history, at_h=at_h)
    return next(one.state for one in found.criteria if one.name == name)


# T27: 40 CFR 503.32(a) and 6 NYCRR 361-3.7 say "or" and "<"; 21 CFR 112.55(b) "and", "less than 1,000"; the materials
# review body "not more than" and both.
LIMITS = [
    ("us-503-pfrp-windrow", 1000.0, 2.9, "met"),
    ("us-ny-windrow", 1000.0, 2.9, "met"),
    ("us-503-pfrp-windrow", 999.9, 3.0, "met"),
    ("us-503-pfrp-windrow", 1000.0, 3.0, "not_met"),
    ("us-fda-turned", 1000.0, 2.9, "not_met"),
    ("us-fda-turned", 999.0, 2.9, "met"),
    ("us-fda-turned", 999.0, 3.0, "not_met"),
    ("us-nop-5021", 1000.0, 3.0, "met"),
    ("us-nop-5021", 1000.1, 3.0, "not_met"),
    ("us-503-pfrp-windrow", 5.0, None, "met"),
    ("us-503-pfrp-windrow", 5000.0, None, "cannot_judge"),
    ("us-fda-turned", 5.0, None, "cannot_judge"),
    ("us-fda-turned", 5000.0, None, "not_met"),
]


@pytest.mark.parametrize(("rule", "coliform", "salmonella", "state"), LIMITS)
def test_t27_or_and_strictness_of_the_limits(rule, coliform, salmonella, state) -> None:
    history = pile(log(57, 360), samples=(sample(400, coliform, salmonella),))
    assert state_of(rule, "pathogen_limits", history) == state


def test_results_of_different_days_are_not_put_together() -> None:
    """21 CFR 112.55(b) asks both of one amendment: coliforms of one week and Salmonella of the next prove nothing."""
    apart = pile(log(57, 360), samples=(sample(400, 5.0, None), sample(600, None, 0.0)))
    assert state_of("us-fda-turned", "pathogen_limits", apart) == "cannot_judge"
    same_day = pile(log(57, 360), samples=(sample(400, 5.0, None), sample(401, None, 0.0)))
    assert state_of("us-fda-turned", "pathogen_limits", same_day) == "met"


def test_the_last_sample_governs_and_later_ones_are_not_looked_at() -> None:
    samples = (sample(400, 5.0, 0.0), sample(600, 5000.0, 9.0), sample(800, 5.0, 0.0))
    history = pile(log(57, 360), samples=samples)
    found = [state_of("us-fda-turned", "pathogen_limits", history, at_h) for at_h in (390, 500, 700, 900)]
    assert found == ["cannot_judge", "met", "not_met", "met"]
    fouled = pile(log(57, 360), samples=samples, restarts=(at(850),))
    assert state_of("us-fda-turned", "pathogen_limits", fouled) == "cannot_judge"


def test_every_sample_of_the_day_must_keep_the_limit() -> None:
    history = pile(log(57, 360), samples=(sample(400, 5.0, 0.0), sample(401, 5000.0, 0.0)))
    assert state_of("us-fda-turned", "pathogen_limits", history) == "not_met"


def test_a_geometric_mean_of_seven_samples() -> None:
    """Wisconsin NR 204.07(6)(a): at most 1,000 MPN/g as the geometric mean of at least seven samples."""
    limit = {
        "name": "class_a",
        "requirement": "geometric mean of seven samples at most 1,000 MPN/g",
        "evidence": "laboratory",
        "figure": COLIFORM,
        "operator": "<=",
        "limit": 1000,
        "statistic": "geometric_mean",
        "samples": 7,
    }
    rule = read_rule_document(PERMIT | {"duties": [limit]})

    def state(*values: float) -> str:
        history = pile(
            log(57, 360), samples=tuple(sample(400 + n, value, None) for n, value in enumerate(values))
        )
        found = judge(rule, history, judged_at=at(900), time_zone=UTC_ZONE)
        return next(one.state for one in found.criteria if one.name == "class_a")

    assert state(*[100.0] * 3, *[10_000.0] * 3, 1000.0) == "met"
    assert state(*[100.0] * 3, *[10_000.0] * 3, 1001.0) == "not_met"
    assert state(*[100.0] * 6) == "cannot_judge"


@pytest.mark.parametrize(
    ("rule", "name", "measures", "state"),
    [
        # 14 CCR 17868.3: 6 to 12 inches; WSI 2006/1293: 40 cm, 18 days; Annex V: 12 mm.
        ("us-ca-asp", "insulating_cover", {"cover_thickness_cm": 15.24}, "met"),
        ("us-ca-asp", "insulating_cover", {"cover_thickness_cm": 15.2}, "not_met"),
        ("us-ca-asp", "insulating_cover", {}, "cannot_judge"),
        ("uk-abp-housed-windrow", "particle_size", {"particle_mm": 400.0}, "met"),
        ("uk-abp-housed-windrow", "particle_size", {"particle_mm": 401.0}, "not_met"),
        ("uk-abp-reactor-70", "particle_size", {"particle_mm": 61.0}, "not_met"),
        ("eu-142-reactor", "particle_size", {"particle_mm": 12.0}, "met"),
        # CMC 3: 'oxygen uptake rate' at most 25, or Rottegrad III.
        ("eu-cmc3", "stability", {"oxygen_uptake_mmol_kg_h": 25.0}, "met"),
        ("eu-cmc3", "stability", {"oxygen_uptake_mmol_kg_h": 26.0, "rottegrad": 4.0}, "met"),
        ("eu-cmc3", "stability", {"oxygen_uptake_mmol_kg_h": 26.0, "rottegrad": 2.0}, "not_met"),
        ("uk-pas100", "moisture", {"moisture_pct": 49.9}, "not_met"),
    ],
)
def test_measured_figures(rule, name, measures, state) -> None:
    assert state_of(rule, name, pile(log(57, 100), measures=measures), at_h=100) == state


def test_t19_california_asks_for_the_cover_itself() -> None:
    bare = verdict("us-ca-asp", pile(log(58, 72), turn_days=(), measures={"cover_thickness_cm": 0.0}))
    assert (bare.state, "insulating_cover" in bare.duties_open) == ("met", True)
    texas = verdict("us-tx-static-vessel", pile(log(58, 72), turn_days=(), measures={}))
    assert "1 foot" in (texas.note or "")
    assert (
        verdict("us-tx-static-vessel", pile(log(58, 72), turn_days=(), measures={}, method="in_vessel")).note
        is None
    )


@pytest.mark.parametrize(
    ("positions", "measures", "state"),
    [
        # 14 CCR 17868.3: one per 150 feet (45.72 m) or fraction, or per 200 cubic yards (152.9 m3) or fraction.
        (1, {"length_m": 45.72}, "met"),
        (1, {"length_m": 45.73}, "not_met"),
        (2, {"length_m": 91.44}, "met"),
        (1, {"length_m": 80.0, "volume_m3": 150.0}, "met"),
        (2, {"volume_m3": 310.0}, "not_met"),
        (1, {}, "cannot_judge"),
    ],
)
def test_places_of_sampling(positions, measures, state) -> None:
    readings = [one for n in range(positions) for one in log(57, 100, position=f"p{n}")]
    assert state_of("us-ca-windrow", "sampling_places", pile(readings, measures=measures), at_h=100) == state


def one_probe(
    value: float = 57.0,
    *,
    depth_cm: float | None = None,
    accuracy_c: float | None = None,
    calibrated_at: datetime | None = None,
    until_h: float = 360,
) -> Series:
    (series,) = series_of(log(value, until_h))
    return Series(
        series.position,
        series.observed_at,
        series.value,
        series.unit,
        series.flag,
        depth_cm=depth_cm,
        accuracy_c=accuracy_c,
        calibrated_at=calibrated_at,
    )


def probed(series: Series) -> History:
    return History(
        series=(series,),
        turns=tuple(at(24 * day) for day in (2, 5, 8, 11, 14)),
        initial_carbon_nitrogen_ratio=30.0,
    )


@pytest.mark.parametrize(
    ("depth_cm", "state"), [(30.48, "met"), (60.96, "met"), (30.0, "not_met"), (None, "cannot_judge")]
)
def test_depth_of_sampling(depth_cm, state) -> None:
    """14 CCR 17868.3: '12 to 24 inches below the pile surface'."""
    assert (
        state_of("us-ca-windrow", "sampling_depth", probed(one_probe(depth_cm=depth_cm)), at_h=360) == state
    )


def test_t14_readings_closer_to_the_limit_than_the_probe_is_accurate() -> None:
    """BioAbfV § 3(6): calibrated at least once a year; 40 CFR 503 App. B: '55 degrees Celsius or higher'."""
    close = probed(one_probe(55.2, accuracy_c=0.5, calibrated_at=at(360) - timedelta(days=425)))
    found = verdict("us-tx-windrow", close, at_h=360)
    assert (found.state, "AMB-13" in (found.note or "")) == ("met", True)
    assert verdict("us-tx-windrow", close, at_h=360, reading="literal").note is None
    assert verdict("us-tx-windrow", probed(one_probe(55.5, accuracy_c=0.5)), at_h=360).note is None
    assert state_of("de-bioabfv", "calibration", close, at_h=360) == "not_met"
    fresh = probed(one_probe(55.2, calibrated_at=at(360) - timedelta(days=366)))
    assert state_of("de-bioabfv", "calibration", fresh, at_h=360) == "met"
    assert state_of("de-bioabfv", "calibration", probed(one_probe()), at_h=360) == "cannot_judge"


@pytest.mark.parametrize(
    ("facts", "state"),
    [
        ({"duties_recorded": frozenset({"second_treatment"})}, "met"),
        ({"duties_recorded": frozenset({"meat_excluded"}), "measures": {"storage_days": 18.0}}, "met"),
        ({"duties_recorded": frozenset({"meat_excluded"}), "measures": {"storage_days": 17.0}}, "under_way"),
        ({"measures": {"storage_days": 30.0}}, "cannot_judge"),
        ({}, "cannot_judge"),
    ],
)
def test_t21_second_barrier_as_a_rule_of_its_own(facts, state) -> None:
    """WSI 2006/1293 Sch. 1: meat excluded and 18 days of storage, or a second treatment."""
    found = verdict("uk-abp-second-barrier", pile(log(61, 10), **facts), at_h=10)
    assert found.state == state
    assert (found.required_h, found.held_h, found.hot_h) == (None, None, None)  # it asks for no heat
    assert (found.windows, found.earliest_possible) == ((), None)


@pytest.mark.parametrize(
    ("facts", "state"),
    [
        # 7 CFR 205.203(c)(1): 120 days; 90 where the edible part does not touch the soil.
        ({"measures": {"harvest_interval_days": 120.0}}, "met"),
        ({"measures": {"harvest_interval_days": 119.0}}, "under_way"),
        ({}, "cannot_judge"),
        (
            {"measures": {"harvest_interval_days": 90.0}, "duties_recorded": frozenset({"no_soil_contact"})},
            "met",
        ),
        (
            {"measures": {"harvest_interval_days": 89.0}, "duties_recorded": frozenset({"no_soil_contact"})},
            "under_way",
        ),
        ({"duties_recorded": frozenset({"crop_not_for_human_consumption"})}, "met"),
    ],
)
def test_raw_manure_and_the_harvest(facts, state) -> None:
    assert verdict("us-nop-manure", pile([], **facts), at_h=10).state == state


@pytest.mark.parametrize(
    ("method", "state"), [("static_aerated", "met"), ("turned_windrow", "under_way"), (None, "cannot_judge")]
)
def test_three_days_pass_no_windrow(method, state) -> None:
    """EPA guidance table: three consecutive days for static piles and vessels, fifteen for windrows."""
    assert verdict("us-503-pfrp-guidance", pile(log(57, 100), turn_days=(), method=method)).state == state


def test_lower_risk_feedstock_opens_the_easier_alternative() -> None:
    """NZS 4454 (from memory): 3 turns after 3 days each; 15 days and 5 turns for risk materials."""
    history = pile(log(57, 264), turn_days=(3, 6, 9))
    assert verdict("nz-4454", history).state == "cannot_judge"
    low_risk = pile(log(57, 264), turn_days=(3, 6, 9), duties_recorded=frozenset({"low_risk_feedstock"}))
    assert verdict("nz-4454", low_risk).state == "met"


@pytest.mark.parametrize(
    ("facts", "pointer"),
    [
        ({"measures": {"length_m": -1.0}}, "/measures/length_m"),
        ({"measures": {"length_m": float("nan")}}, "/measures/length_m"),
        ({"samples": (Sample(at(1), {COLIFORM: float("inf")}),)}, f"/samples/0/figures/{COLIFORM}"),
        ({"samples": (Sample(datetime(2026, 5, 4), {COLIFORM: 1.0}),)}, "/samples/0/taken_at"),  # noqa: DTZ001
    ],
)
def test_impossible_figures_are_refused(facts, pointer) -> None:
    with pytest.raises(Invalid) as refusal:
        pile([], **facts)
    assert refusal.value.errors[0].pointer == pointer


def test_every_criterion_says_what_would_meet_it() -> None:
    for rule in RULES:
        for one in verdict(
            rule, pile([Reading("core", at(0), 30.0)], turn_days=(), cured_days=None)
        ).criteria:
            assert bool(one.needed) == (one.state != "met"), (rule, one)
