"""The shipped library against handbook figures, and the strictness of its reader."""

from collections.abc import Iterator

import pytest

from service.domain.errors import Invalid
from service.domain.recipes import Feedstock, Ingredient, Status, evaluate, find, library, overlay, parse

CODES = sorted(library())

# On-Farm Composting Handbook, NRAES-54 (Rynk et al. 1992), Table A.1, averages, from memory: nitrogen % of dry matter,
# C:N, moisture %, and the printed bulk density in lb/yd3
HANDBOOK = [
    ("broiler-litter", 2.7, 14, 37, 864),
    ("horse-manure", 1.6, 30, 72, 1379),
    ("cattle-manure", 2.4, 19, 81, 1458),
    ("straw", 0.7, 80, 12, 227),
    ("vegetable-produce", 2.7, 19, 87, 1585),
    ("apple-pomace", 1.1, 48, 88, 1559),
    ("corn-cobs", 0.6, 98, 15, 556),
    ("shrub-trimmings", 1.0, 53, 15, 429),
    ("tree-trimmings", 3.1, 16, 70, 1296),
    ("grass-clippings-loose", 3.4, 17, 82, 350),
    ("leaves-compacted-moist", 0.9, 54, 38, 450),
    ("turkey-litter", 2.6, 16, 26, 783),
]


@pytest.mark.parametrize(("code", "nitrogen", "ratio", "moisture", "lb_yd3"), HANDBOOK)
def test_handbook_row(code: str, nitrogen: float, ratio: float, moisture: float, lb_yd3: float) -> None:
    row = library()[code]
    assert row.value("nitrogen_pct") == nitrogen
    assert row.value("carbon_nitrogen_ratio") == ratio
    assert row.value("moisture_pct") == moisture
    assert row.value("bulk_density_kg_m3") == pytest.approx(lb_yd3 * 0.593276, abs=0.6)


@pytest.mark.parametrize("code", CODES)
def test_every_figure_has_a_source_and_a_status(code: str) -> None:
    figures = library()[code].figures
    assert figures
    for figure in figures.values():
        assert len(figure.source) > 4
        assert figure.status in set(Status)
        assert (figure.low is None) == (figure.high is None)
        if figure.low is not None and figure.high is not None:
            assert figure.low <= figure.value <= figure.high


@pytest.mark.parametrize("code", CODES)
def test_carbon_nitrogen_and_ratio_agree(code: str) -> None:
    row = library()[code]
    carbon, nitrogen = row.value("carbon_pct"), row.value("nitrogen_pct")
    ratio = row.value("carbon_nitrogen_ratio")
    if carbon is not None and nitrogen is not None and ratio is not None:
        assert carbon == pytest.approx(nitrogen * ratio)
        assert carbon + nitrogen <= 100
        assert 25 <= carbon <= 60 or carbon == 0 or row.warnings


@pytest.mark.parametrize("code", CODES)
def test_every_row_can_be_mixed(code: str) -> None:
    mix = evaluate([library()[code].ingredient(mass_kg=100)])
    row = library()[code]
    assert mix.moisture_pct == pytest.approx(row.value("moisture_pct"))
    ratio = row.value("carbon_nitrogen_ratio")
    assert mix.carbon_nitrogen_ratio == pytest.approx(ratio)


def test_pairs_that_do_not_belong_together_are_mended() -> None:
    """Sawdust, bark and newsprint keep the ratio at 49 % carbon; the printed nitrogen would imply up to 106 %."""
    for code, ratio in (("sawdust", 442), ("bark-softwood", 496), ("newsprint", 625)):
        row = library()[code]
        assert row.value("carbon_nitrogen_ratio") == ratio
        assert row.value("nitrogen_pct") == pytest.approx(49 / ratio)
        assert row.figures["nitrogen_pct"].is_derived
        assert row.warnings
    cake = library()["cranberry-filter-cake"]
    assert (cake.value("nitrogen_pct"), cake.value("carbon_nitrogen_ratio")) == (None, None)
    assert library()["telephone-books"].value("carbon_pct") == pytest.approx(54, abs=0.1)


def test_a_derived_figure_is_no_better_known_than_its_parts() -> None:
    hulls = library()["cocoa-shells"].figures
    assert hulls["carbon_nitrogen_ratio"].status is Status.SECOND_HAND
    assert hulls["carbon_pct"].status is Status.MEMORY


def test_carbon_from_volatile_solids() -> None:
    """Adams et al. 1951, as given by Cornell: carbon is volatile solids / 1.8; rice straw of 19.8 % ash."""
    assert library()["rice-straw"].value("carbon_pct") == pytest.approx(80.2 / 1.8)
    assert library()["rice-straw"].value("nitrogen_pct") is None


def test_fertilisers_ash_and_water() -> None:
    urea, nitrate = library()["urea"], library()["ammonium-nitrate"]
    assert urea.value("carbon_nitrogen_ratio") == pytest.approx(12.011 / 28.014, abs=5e-3)
    assert (nitrate.value("carbon_pct"), nitrate.value("moisture_pct")) == (0, 0)
    assert (library()["wood-ash"].value("nitrogen_pct"), library()["wood-ash"].value("carbon_pct")) == (0, 0)
    assert library()["water"].ingredient().is_all_water


def test_measured_figures_go_over_the_handbook_ones() -> None:
    leaves = library()["leaves"].ingredient(mass_kg=10)
    rich = overlay(leaves, nitrogen_pct=1.5)
    assert rich.carbon_of_dry_pct == pytest.approx(0.9 * 54)
    assert rich.ratio == pytest.approx(0.9 * 54 / 1.5)
    by_ratio = Ingredient("leaves", nitrogen_pct=0.9, carbon_nitrogen_ratio=54)
    assert overlay(by_ratio, nitrogen_pct=1.5).carbon_of_dry_pct == pytest.approx(0.9 * 54)
    assert overlay(leaves, carbon_nitrogen_ratio=40, nitrogen_pct=1.1).carbon_of_dry_pct == pytest.approx(44)
    assert overlay(leaves, volatile_solids_pct=90).carbon_of_dry_pct == pytest.approx(50)
    assert overlay(leaves, moisture_pct=None, bulk_density_kg_m3=120).moisture_pct == 38
    # nothing is known of the carbon, so a measured nitrogen completes the ratio of the list
    assert overlay(library()["comfrey"].ingredient(), nitrogen_pct=4).carbon_of_dry_pct == pytest.approx(39.2)


def test_unknown_code_names_the_nearest() -> None:
    with pytest.raises(Invalid) as refusal:
        find("saw-dust", "/ingredients/0/feedstock")
    assert refusal.value.errors[0].pointer == "/ingredients/0/feedstock"
    assert "sawdust" in refusal.value.errors[0].detail
    assert find("sawdust", "/x").code == "sawdust"


GOOD = """
[sources]
book = "A handbook, table 1"
[[feedstock]]
code = "one-thing"
name = "One thing"
category = "yard"
nitrogen_pct = { value = 2, source = "book", status = "from memory" }
carbon_nitrogen_ratio = { value = 20, source = "book", status = "second-hand", low = 15, high = 25 }
"""


def test_another_opinion_is_a_number_or_a_range() -> None:
    for told, low, high in (("value = 18", 18, 18), ("low = 15, high = 25", 15, 25)):
        other = f'others = [{{ {told}, source = "book", status = "second-hand" }}]'
        row = parse(GOOD.replace("high = 25 }", f"high = 25, {other} }}"), file="f.toml")["one-thing"]
        (opinion,) = row.figures["carbon_nitrogen_ratio"].others
        assert (opinion.low, opinion.high, opinion.source) == (low, high, "A handbook, table 1")


def test_lignin_of_volatile_solids_needs_them() -> None:
    lignin = 'lignin_pct = { value = 8, source = "book", status = "read", is_of_volatile_solids = true }\n'
    whole = parse(GOOD + lignin, file="f.toml")["one-thing"]
    assert whole.value("lignin_pct") == pytest.approx(8 * 40 * 1.8 / 100)
    bare = GOOD[: GOOD.index("nitrogen_pct")] + lignin
    with pytest.raises(Invalid, match="needs volatile_solids_pct or carbon"):
        parse(bare, file="f.toml")


def test_the_pattern_of_the_refusals_is_good() -> None:
    row: Feedstock = parse(GOOD, file="f.toml")["one-thing"]
    assert row.value("carbon_pct") == 40


def spoilt() -> Iterator[tuple[str, str, str]]:
    """Yield what to replace, by what, and the key that the refusal must name."""
    yield 'code = "one-thing"', 'code = "One Thing"', "code"
    yield 'code = "one-thing"', "", "code"
    yield 'name = "One thing"', 'name = " "', "name"
    yield 'category = "yard"', 'category = "sundry"', "category"
    yield 'category = "yard"', 'category = "yard"\ncolour = "green"', "colour"
    yield 'category = "yard"', 'category = "yard"\nwarnings = "late"', "warnings"
    yield "value = 2,", "value = 120,", "nitrogen_pct.value"
    yield "value = 2,", "value = nan,", "nitrogen_pct.value"
    yield "value = 2,", 'value = "2",', "nitrogen_pct.value"
    yield "value = 2,", "value = true,", "nitrogen_pct.value"
    yield "value = 2,", "", "nitrogen_pct.value"
    yield "value = 20,", "value = 0,", "carbon_nitrogen_ratio.value"
    yield "value = 20,", "value = 40,", "carbon_nitrogen_ratio.low"
    yield "low = 15, ", "", "carbon_nitrogen_ratio.low"
    yield (
        'source = "book", status = "from memory"',
        'source = "blog", status = "from memory"',
        "nitrogen_pct.source",
    )
    yield 'source = "book", status = "from memory"', 'status = "from memory"', "source"
    yield '"from memory"', '"certain"', "nitrogen_pct.status"
    yield 'status = "from memory" }', 'status = "from memory", note = 3 }', "nitrogen_pct.note"
    yield 'status = "from memory" }', 'status = "from memory", unit = "g" }', "nitrogen_pct.unit"
    yield (
        "nitrogen_pct = {",
        "carbon_pct = { value = 40, source = 'book', status = 'read' }\nnitrogen_pct = {",
        "carbon_pct",
    )
    yield "value = 2,", "value = 4,", "warnings"  # 80 % carbon, and no word on it
    other = 'others = [{ value = 18, source = "book", status = "second-hand" }]'
    for spoiling in (
        other.replace("value = 18, ", ""),
        other.replace("value = 18", "value = 18, low = 15, high = 25"),
        other.replace("value", "volume"),
        "others = 18",
    ):
        yield "low = 15, high = 25 }", f"low = 15, high = 25, {spoiling} }}", "carbon_nitrogen_ratio.others"
    lignin = 'lignin_pct = { value = 8, source = "book", status = "read", method = "guess" }\n'
    yield "nitrogen_pct = {", f"{lignin}nitrogen_pct = {{", "lignin_pct.method"
    yield (
        "nitrogen_pct = {",
        f'{lignin.replace("guess", "klason")}nitrogen_pct = {{ method = "klason",',
        "nitrogen_pct.method",
    )
    yield (
        'nitrogen_pct = { value = 2, source = "book", status = "from memory" }',
        "nitrogen_pct = 2",
        "nitrogen_pct",
    )


@pytest.mark.parametrize(("old", "new", "key"), list(spoilt()))
def test_a_malformed_row_is_refused_by_file_row_key_and_reason(old: str, new: str, key: str) -> None:
    assert old in GOOD
    with pytest.raises(Invalid) as refusal:
        parse(GOOD.replace(old, new, 1), file="f.toml")
    (error,) = refusal.value.errors
    assert error.detail.startswith("f.toml, row 1 ")
    assert f", {key}: " in error.detail
    assert error.pointer == f"/feedstock/0/{key.replace('.', '/')}"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[feedstock", "not TOML"),
        ("sources = {}", "rows"),
        (GOOD + "[extra]\n", "unknown table"),
        (GOOD + GOOD[GOOD.index("[[feedstock]]") :], "earlier row"),
        ("feedstock = [3]\n[sources]\n", "a row is a table"),
    ],
)
def test_a_malformed_file_is_refused(text: str, words: str) -> None:
    with pytest.raises(Invalid, match=r"f\.toml") as refusal:
        parse(text, file="f.toml")
    assert words in str(refusal.value)
