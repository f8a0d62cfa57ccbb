"""Chances against closed forms, numerical integration and reference distributions."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from service.domain.errors import Invalid
from service.domain.recipes import Range, Targets, evaluate, library
from service.domain.recipes.chances import Shape, Stated, Uncertain, estimate, material, methods
from service.domain.recipes.chances.draws import SCRAMBLINGS, dimensions, draw, points
from service.domain.recipes.chances.estimate import likelihood
from service.domain.recipes.chances.meeting import figures
from service.domain.recipes.chances.spread import SIGMAS, spread
from tests.domain.recipes.doubtful import about, between, doubtful, exact


def chance(mix: list[Uncertain], seed: int = 0, draws: int = 8192, **targets: Range) -> tuple[float, float]:
    found = likelihood(mix, Targets(**targets), seed=seed, draws=draws)
    return found.probability, found.plus_minus


TWO_NORMAL = [
    doubtful("grass", mass_kg=10, moisture_pct=about(77, 6)),
    doubtful("leaves", mass_kg=6.8, moisture_pct=about(35, 10)),
]
"""Masses and moistures of a worked example of Richard and Trautmann, Cornell Waste Management Institute."""
TWO_NORMAL_MEAN = (10 * 77 + 6.8 * 35) / 16.8
TWO_NORMAL_SD = math.hypot(10 * 6, 6.8 * 10) / 16.8 / SIGMAS


@pytest.mark.parametrize(("low", "high"), [(58, 62), (60, 65), (None, 57), (61, None)])
def test_moisture_of_two_normal_materials_is_normal(low: float | None, high: float | None) -> None:
    """A weighted sum of independent normals is normal, so scipy.stats.norm has the answer."""
    answer = stats.norm(TWO_NORMAL_MEAN, TWO_NORMAL_SD)
    expected = (1 if high is None else answer.cdf(high)) - (0 if low is None else answer.cdf(low))
    found, error = chance(TWO_NORMAL, moisture_pct=Range(low, high))
    assert found == pytest.approx(expected, abs=0.003)
    assert 0 < error < 0.01


@pytest.mark.parametrize("count", [2, 3, 4])
def test_moisture_of_uniform_materials_is_irwin_hall(count: int) -> None:
    """The sum of n uniforms is Irwin-Hall distributed: Johnson, Kotz and Balakrishnan, vol. 2, 26.9 (from memory)."""
    mix = [doubtful(f"m{i}", mass_kg=1, moisture_pct=between(40, 60)) for i in range(count)]
    x = count * 0.6
    below = sum((-1) ** k * math.comb(count, k) * (x - k) ** count for k in range(int(x) + 1))
    below /= math.factorial(count)
    found, _ = chance(mix, moisture_pct=Range(None, 40 + 20 * 0.6))
    assert found == pytest.approx(below, abs=0.004)


def test_ratio_by_numerical_integration() -> None:
    """C:N with a uniform moisture and a triangular nitrogen: one integral by scipy.integrate, the other a cdf."""
    mix = [
        doubtful("manure", mass_kg=100, moisture_pct=between(60, 80), nitrogen_pct=2.0, carbon_pct=44),
        doubtful("straw", mass_kg=40, moisture_pct=12, nitrogen_pct=between(0.3, 1.1, 0.6), carbon_pct=46),
    ]
    nitrogen = stats.triang(c=(0.6 - 0.3) / 0.8, loc=0.3, scale=0.8)

    def above_35(moisture: float) -> float:
        dry, straw = 100 - moisture, 40 * 0.88
        carbon = dry * 0.44 + straw * 0.46
        # C:N exceeds 35 where the nitrogen of the straw stays below this
        return float(nitrogen.cdf((carbon / 35 - dry * 0.02) / straw * 100))

    expected = integrate.quad(above_35, 60, 80)[0] / 20
    assert 0.2 < expected < 0.8
    found, _ = chance(mix, carbon_nitrogen_ratio=Range(35, None))
    assert found == pytest.approx(expected, abs=0.004)


def test_the_error_falls_faster_than_that_of_random_draws() -> None:
    """Owen 1997: scrambled nets beat 1/sqrt(n). Against the closed form, over 24 seeds."""
    expected = stats.norm(TWO_NORMAL_MEAN, TWO_NORMAL_SD).cdf(61)
    misses = {
        draws: np.array(
            [chance(TWO_NORMAL, seed, draws, moisture_pct=Range(None, 61))[0] for seed in range(24)]
        )
        - expected
        for draws in (4096, 65536)
    }
    few, many = (float(np.sqrt(np.mean(miss**2))) for miss in misses.values())
    assert math.log(few / many) / math.log(16) > 0.6
    at_random = math.sqrt(expected * (1 - expected) / 4096)
    assert few < at_random / 2


def test_the_error_told_covers_the_truth() -> None:
    """Of 95 % intervals, at least 90 of 100 hold the closed form."""
    expected = stats.norm(TWO_NORMAL_MEAN, TWO_NORMAL_SD).cdf(61)
    held = 0
    for seed in range(100):
        found, error = chance(TWO_NORMAL, seed, 4096, moisture_pct=Range(None, 61))
        held += abs(found - expected) <= error
    assert held >= 90


def test_quantiles_are_those_of_the_normal() -> None:
    _, chances = estimate(TWO_NORMAL, Targets(moisture_pct=Range(50, 65)), seed=3)
    found, answer = chances.figures["moisture_pct"], stats.norm(TWO_NORMAL_MEAN, TWO_NORMAL_SD)
    for part, value in ((0.05, found.q05), (0.5, found.q50), (0.95, found.q95)):
        assert value == pytest.approx(answer.ppf(part), abs=0.05)
    assert "carbon_nitrogen_ratio" not in chances.figures


def test_distributions_are_those_of_scipy() -> None:
    part = np.linspace(0.001, 0.999, 997)
    wet = spread("moisture_pct", Shape.NORMAL, 95, 85, 105, "")
    sd = 10 / SIGMAS
    cut = stats.truncnorm((0 - 95) / sd, (100 - 95) / sd, loc=95, scale=sd)
    assert wet.at(part) == pytest.approx(cut.ppf(part), rel=1e-9)
    assert wet.at(part).max() <= 100
    peaked = spread("moisture_pct", Shape.TRIANGULAR, 30, 20, 70, "")
    reference = stats.triang(c=0.2, loc=20, scale=50)
    assert peaked.at(part) == pytest.approx(reference.ppf(part), rel=1e-9)
    assert peaked.deviation == pytest.approx(reference.std())
    flat = spread("moisture_pct", Shape.UNIFORM, 45, 20, 70, "")
    assert flat.at(part) == pytest.approx(stats.uniform(20, 50).ppf(part), rel=1e-12)
    assert flat.deviation == pytest.approx(stats.uniform(20, 50).std())


MIXED = [
    doubtful(
        "manure",
        volume_m3=about(0.5, 0.05),
        moisture_pct=between(59, 79, 72),
        nitrogen_pct=between(1.4, 2.3, 1.6),
        carbon_pct=about(48, 5),
        bulk_density_kg_m3=about(818, 100),
    ),
    doubtful(
        "leaves",
        mass_kg=120,
        moisture_pct=about(38, 10),
        nitrogen_pct=about(0.9, 0.3),
        carbon_nitrogen_ratio=between(40, 80, 54),
        bulk_density_kg_m3=267,
    ),
    doubtful(
        "straw",
        mass_kg=about(40, 4),
        moisture_pct=12,
        nitrogen_pct=0.7,
        volatile_solids_pct=about(92, 4),
        bulk_density_kg_m3=between(34, 224, 135),
    ),
]


def test_a_drawn_mix_is_what_evaluating_says_to_the_last_bit() -> None:
    unit = points(64, len(dimensions(MIXED)), [np.random.SeedSequence(5)])
    drawn = figures(draw(MIXED, unit)[0], 64)
    columns = [(index, name) for index, name, _ in dimensions(MIXED)]
    for row in range(64):
        values = {
            place: float(one.at(unit[row : row + 1, column])[0])
            for column, (place, (_, _, one)) in enumerate(zip(columns, dimensions(MIXED), strict=True))
        }
        fixed = []
        for index, one in enumerate(MIXED):
            stated = {
                name: exact(values.get((index, name), of.value))
                for name, of in (*one.figures.items(), *one.amounts.items())
            }
            fixed.append(doubtful(one.name, **stated).nominal())
        known = evaluate(fixed)
        for name, found in drawn.items():
            assert found[row] == getattr(known, name), (name, row)


@settings(max_examples=60, deadline=None)
@given(
    moistures=st.lists(st.floats(0, 95), min_size=2, max_size=3),
    low=st.floats(1, 60),
    width=st.floats(0, 30),
)
def test_without_doubt_the_chance_is_the_verdict(moistures: list[float], low: float, width: float) -> None:
    mix = [
        doubtful(f"m{i}", mass_kg=10.0 + i, moisture_pct=moisture, nitrogen_pct=1.0 + i, carbon_pct=45)
        for i, moisture in enumerate(moistures)
    ]
    known, chances = estimate(
        mix,
        Targets(carbon_nitrogen_ratio=Range(low, low + width), moisture_pct=Range(low, low + width)),
        draws=4096,
    )
    assert known.carbon_nitrogen_ratio is not None
    assert known.moisture_pct is not None
    is_met = all(
        low * (1 - 1e-9) <= one <= (low + width) * (1 + 1e-9)
        for one in (known.carbon_nitrogen_ratio, known.moisture_pct)
    )
    assert chances.all_met.probability == float(is_met)
    assert chances.all_met.plus_minus == 0
    assert chances.measurements == ()


@settings(max_examples=60, deadline=None)
@given(low=st.floats(20, 60), high=st.floats(0, 30), more=st.floats(0, 20), less=st.floats(0, 20))
def test_a_wider_target_is_never_less_likely(low: float, high: float, more: float, less: float) -> None:
    narrow, _ = chance(MIXED, 1, 4096, moisture_pct=Range(low, low + high))
    wide, _ = chance(MIXED, 1, 4096, moisture_pct=Range(max(0, low - less), min(100, low + high + more)))
    assert wide >= narrow


def test_all_targets_are_never_likelier_than_one() -> None:
    _, chances = estimate(MIXED, Targets(carbon_nitrogen_ratio=Range(25, 35), moisture_pct=Range(55, 65)))
    single = [one.met.probability for one in chances.targets]
    assert max(0, sum(single) - 1) <= chances.all_met.probability <= min(single)
    for one in chances.targets:
        assert one.too_low + one.met.probability + one.too_high == pytest.approx(1)


def test_a_seed_fixes_the_answer() -> None:
    targets = Targets(moisture_pct=Range(55, 65))
    first, again, other = (estimate(MIXED, targets, seed=seed)[1] for seed in (11, 11, 12))
    assert first == again
    assert first.all_met != other.all_met
    assert (first.seed, first.draws, first.scramblings) == (11, 8192, SCRAMBLINGS)


def test_carbon_and_nitrogen_never_exceed_the_dry_matter() -> None:
    mix = [
        doubtful(
            "odd", mass_kg=1, moisture_pct=50, nitrogen_pct=about(30, 20), carbon_nitrogen_ratio=between(1, 3)
        )
    ]
    unit = points(1024, 2, [np.random.SeedSequence(1)])
    (drawn,), cut = draw(mix, unit)
    assert drawn.carbon_share is not None
    assert drawn.nitrogen_share is not None
    dry = drawn.carbon_share + drawn.nitrogen_share
    assert np.max(dry) <= 0.5 * (1 + 1e-12)
    assert 0 < cut.mean() < 1
    _, chances = estimate(mix, Targets(carbon_nitrogen_ratio=Range(1, 2)))
    assert 0 < chances.cut_back_pct < 100
    assert chances.derived == {"odd": "carbon_pct"}


def test_of_a_library_row_two_are_drawn_and_the_third_follows() -> None:
    """Horse manure prints nitrogen 1.4 to 2.3 and C:N 22 to 50 (NRAES-54, A.1, from memory): nitrogen is narrower."""
    manure = material({}, library()["horse-manure"].ingredient())
    assert manure.derived == "carbon_nitrogen_ratio"
    leaves = material({}, library()["leaves-compacted-moist"].ingredient())
    assert leaves.derived == "nitrogen_pct"
    assert (leaves.figures["carbon_nitrogen_ratio"].low, leaves.figures["carbon_nitrogen_ratio"].high) == (
        40,
        80,
    )
    for one, row in ((manure, "horse-manure"), (leaves, "leaves-compacted-moist")):
        shipped = library()[row].ingredient()
        assert one.nominal().nitrogen_pct == pytest.approx(shipped.nitrogen_pct)
        assert one.nominal().carbon_pct == pytest.approx(shipped.carbon_pct)


def test_a_stated_figure_wins_over_the_library() -> None:
    row = library()["leaves-compacted-moist"].ingredient()
    tested = material({"moisture_pct": Stated(value=35, method="squeeze").spread("moisture_pct")}, row)
    drawn = tested.figures["moisture_pct"]
    assert (drawn.shape, drawn.low, drawn.high) == (Shape.NORMAL, 25, 45)
    assert "squeeze" in drawn.origin
    ratio = material({"nitrogen_pct": about(1, 0.1).spread("nitrogen_pct")}, row)
    assert set(ratio.figures) & {"nitrogen_pct", "carbon_pct", "carbon_nitrogen_ratio"} == {
        "nitrogen_pct",
        "carbon_pct",
    }


def test_every_row_of_the_library_can_be_drawn() -> None:
    for code, row in library().items():
        one = material({}, row.ingredient())
        unit = points(64, len(dimensions([one])), [np.random.SeedSequence(2)])
        (drawn,), _ = draw([one], unit)
        for value in (drawn.moisture_pct, drawn.carbon_share, drawn.nitrogen_share, drawn.per_kg_m3):
            assert value is None or np.isfinite(value).all(), code
            assert value is None or np.min(value) >= 0, code


@pytest.mark.parametrize(
    ("figure", "assumed"), [("nitrogen_pct", 35), ("carbon_nitrogen_ratio", 35), ("bulk_density_kg_m3", 15)]
)
def test_the_default_spread_is_that_of_the_printed_ranges(figure: str, assumed: float) -> None:
    """What is taken for a figure without a range is the median half width of those the library prints."""
    widths = [
        50 * (one.high - one.low) / one.value
        for row in library().values()
        if (one := row.figures.get(figure)) is not None
        and one.low is not None
        and one.high is not None
        and one.value
    ]
    assert len(widths) >= 10
    assert float(np.median(widths)) == pytest.approx(assumed, abs=6)


def test_the_squeeze_test_is_good_to_ten_points() -> None:
    assert methods()["squeeze"].figures["moisture_pct"].width(55) == 10


REFUSED = [
    ("moisture_pct", Stated(low=60, high=50), "/low", "swap"),
    ("moisture_pct", Stated(value=50, plus_minus=-1), "/plus_minus", "0 or more"),
    ("moisture_pct", Stated(value=120), "/value", "between 0 and 100"),
    ("moisture_pct", Stated(low=50), "", "together"),
    ("moisture_pct", Stated(low=50, high=60, value=70), "/value", "widen"),
    ("moisture_pct", Stated(value=50, low=40, high=60, plus_minus=5), "", "one of them"),
    ("moisture_pct", Stated(plus_minus=5), "", "give value"),
    ("moisture_pct", Stated(value=50, method="bucket"), "/method", "squeeze or oven_drying"),
    ("moisture_pct", Stated(value=50, plus_minus=math.inf), "/plus_minus", "width"),
    ("nitrogen_pct", Stated(value=math.nan), "/value", "not a number"),
]


@pytest.mark.parametrize(("figure", "stated", "place", "remedy"), REFUSED)
def test_what_cannot_be_meant_is_refused(figure: str, stated: Stated, place: str, remedy: str) -> None:
    (fault,) = stated.faults(figure, "/x")
    assert fault.pointer == f"/x{place}"
    assert remedy in fault.detail


@pytest.mark.parametrize(
    ("targets", "seed", "draws", "pointer"),
    [
        (Targets(), 0, 8192, "/targets"),
        (Targets(moisture_pct=Range(60, 50)), 0, 8192, "/targets/moisture_pct/min"),
        (Targets(volatile_solids_pct=Range(60, 90)), 0, 8192, "/targets/volatile_solids_pct"),
        (Targets(moisture_pct=Range(50, 60)), -1, 8192, "/seed"),
        (Targets(moisture_pct=Range(50, 60)), 0, 5000, "/draws"),
        (Targets(moisture_pct=Range(50, 60)), 0, 2048, "/draws"),
        (Targets(moisture_pct=Range(50, 60)), 0, 131072, "/draws"),
        (Targets(carbon_nitrogen_ratio=Range(25, 30)), 0, 8192, "/ingredients/0/nitrogen_pct"),
    ],
)
def test_a_request_that_cannot_be_meant_is_refused(
    targets: Targets, seed: int, draws: int, pointer: str
) -> None:
    with pytest.raises(Invalid) as refused:
        estimate(TWO_NORMAL, targets, seed=seed, draws=draws)
    assert pointer in [one.pointer for one in refused.value.errors]


def test_too_many_figures_for_so_many_draws_are_refused() -> None:
    mix = [
        doubtful(
            f"m{i}",
            mass_kg=about(10, 1),
            moisture_pct=about(50, 5),
            nitrogen_pct=about(1, 0.1),
            carbon_pct=45,
        )
        for i in range(40)
    ]
    with pytest.raises(Invalid, match="give 32768 draws"):
        estimate(mix, Targets(moisture_pct=Range(50, 60)), draws=65536)
