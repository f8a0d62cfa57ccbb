"""The file: well formed, escaped, bounded, and readable without colour."""

import re
import xml.etree.ElementTree as ET
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.curves import CurveRecord, Limit, LostSpan, TurnMark, draw, to_svg
from service.domain.curves.page import CAUSES, letter, look
from service.domain.curves.primitives import Words, width_of
from service.domain.errors import Invalid
from tests.domain.curves.making import DAY, HOUR, START, a_line, a_record, drawn, words

SVG = "{http://www.w3.org/2000/svg}"


def parsed(record: CurveRecord) -> ET.Element:
    return ET.fromstring(to_svg(draw(record)))  # noqa: S314 - made by us


def a_full_record(positions: int, readings: int, **overrides: Any) -> CurveRecord:
    """Return a curve with noise, turns, losses of every cause and a gap."""
    rng = np.random.default_rng(7)
    each = readings // positions
    hours = np.linspace(0, 40 * 24, each)
    hours = hours[(hours < 300) | (hours > 340)]
    lines = []
    for n in range(positions):
        temperature = 60 + 6 * np.sin(hours / (20 + n)) + rng.normal(0, 2, hours.size)
        counts = (hours < 500) | (hours > 520)
        lines.append(a_line(hours.tolist(), temperature.tolist(), f"position {n}", counts=counts))
    lost = [
        LostSpan(START + (60 + 70 * n) * HOUR, START + (80 + 70 * n) * HOUR, cause, "position 0")
        for n, cause in enumerate(CAUSES)
    ]
    turns = [TurnMark(START + n * 3 * DAY, n != 2) for n in range(1, 12)]
    values: dict[str, Any] = {"turns": turns, "lost": lost, "held": [(START + 2 * DAY, START + 12 * DAY)]}
    return a_record(*lines, **values | overrides)


@pytest.mark.parametrize("positions", [1, 2, 3, 6, 12])
def test_thirty_five_thousand_noisy_readings_fit_in_sixty_kilobytes(positions: int) -> None:
    assert len(to_svg(draw(a_full_record(positions, 35_000))).encode()) <= 60_000


def test_title_and_description_come_first_and_are_what_the_file_is_labelled_by() -> None:
    """SVG 1.1 section 5.4: the title is the first child; WAI-ARIA 1.2: an image is named by what it refers to."""
    root = parsed(a_full_record(2, 4000))
    title, description = root[0], root[1]
    assert (title.tag, description.tag) == (f"{SVG}title", f"{SVG}desc")
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == title.get("id")
    assert root.get("aria-describedby") == description.get("id")
    assert title.text == "pile 7 · a rule"
    for fact in (
        "position 0",
        "131 °F for 15 days",
        "Turns on record: 11, not counted: 1",
        "fresh material was added",
    ):
        assert fact in (description.text or "")
    ids = [one.get("id") for one in root.iter() if one.get("id")]
    assert len(ids) == len(set(ids))


def test_every_cause_position_turn_limit_and_gap_is_in_words_and_not_in_colour_alone() -> None:
    record = a_full_record(3, 6000, in_fahrenheit=True)
    told = words(draw(record))
    for _, whole in CAUSES.values():
        assert whole in told
    assert {"A position 0", "B position 1", "C position 2"} <= set(told)
    assert {"T1", "(T2)", "T3"} <= set(told)
    assert "131 °F for 15 days" in told
    assert "°F" in told
    assert "A B C: no readings 40.3 h" in told
    assert "counted 10.0 d" in told
    dashes = [look(n).dash for n in range(6)]
    assert len(set(dashes)) == 6
    fills = {one.get("fill") for one in parsed(record).iter(f"{SVG}rect")}
    assert len([one for one in fills if one and one.startswith("url(")]) >= len(CAUSES)


def _luminance(colour: str) -> float:
    digits = colour.lstrip("#")
    digits = "".join(one * 2 for one in digits) if len(digits) == 3 else digits
    channels = [int(digits[n : n + 2], 16) / 255 for n in (0, 2, 4)]
    linear = [one / 12.92 if one <= 0.04045 else ((one + 0.055) / 1.055) ** 2.4 for one in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_lines_stand_out_from_paper_and_from_the_tint_of_what_was_lost() -> None:
    """WCAG 2.2, success criterion 1.4.11 with its own formula of contrast: at least 3:1; text 4.5:1 (1.4.3)."""
    for paper in ("#fff", "#f0f0f0"):
        for colour in (*(look(n).colour for n in range(6)), "#a3001d"):
            assert (_luminance(paper) + 0.05) / (_luminance(colour) + 0.05) >= 4.5, (colour, paper)


@settings(max_examples=60, deadline=None)
@given(st.text(min_size=1, max_size=200), st.text(max_size=200), st.text(max_size=80))
def test_any_label_makes_a_well_formed_file(heading: str, label: str, limit: str) -> None:
    """Outside check: the standard library's parser (expat)."""
    line = a_line([0, 1, 2], [50, 60, 70], label)
    lost = [LostSpan(START, START + HOUR, label or "x", label)]
    root = parsed(a_record(line, heading=heading, limits=[Limit(55, limit)], lost=lost))
    assert root.tag == f"{SVG}svg"
    assert not list(root.iter(f"{SVG}script"))


def test_markup_in_a_label_stays_text_and_direction_marks_are_dropped() -> None:
    record = a_record(
        a_line([0, 1], [50, 60], '</text><script>alert("1")</script>'), heading="a\u202eb & <i>"
    )
    svg = to_svg(draw(record))
    assert "<script" not in svg
    root = ET.fromstring(svg)  # noqa: S314 - made by us
    assert root[0].text == "ab & <i> · a rule"
    assert any('</text><script>alert("1")</script>' in (one.text or "") for one in root.iter(f"{SVG}text"))


def test_a_name_of_two_hundred_letters_stays_on_the_paper_and_is_whole_in_the_key() -> None:
    name = "Südfeldmiete-" * 16
    drawing = draw(a_record(a_line([0, 1, 2], [50, 60, 70], name), heading=name))
    for one in drawing.shapes:
        if isinstance(one, Words) and not one.turned:
            room = width_of(one.text, one.size, bold=one.bold)
            start = {"start": one.x, "middle": one.x - room / 2, "end": one.x - room}[one.anchor]
            assert start >= -1, one.text
            assert start + room <= drawing.width + 1, one.text
    assert name in "".join(words(drawing))


def test_a_pile_without_readings_says_so() -> None:
    drawing = draw(a_record(a_line([], []), a_line([], [], "side")))
    assert "no reading on record that counts" in words(drawing)
    assert "Position A, core: no reading that counts." in drawing.description
    assert ET.fromstring(to_svg(drawing)) is not None  # noqa: S314 - made by us


def test_the_same_record_makes_the_same_file_and_another_one_other_ids() -> None:
    one, again, other = (
        a_full_record(2, 2000),
        a_full_record(2, 2000),
        a_full_record(2, 2000, heading="pile 8"),
    )
    assert to_svg(draw(one)) == to_svg(draw(again))
    ids = [set(re.findall(r'id="([^"]+)"', to_svg(draw(record)))) for record in (one, other)]
    assert not ids[0] & ids[1]


def test_lines_are_never_under_a_label() -> None:
    drawing = draw(a_full_record(2, 4000))
    kinds = [
        type(one).__name__ if getattr(one, "title", None) != "position 0" else "line"
        for one in drawing.shapes
    ]
    limit = next(
        n for n, one in enumerate(drawing.shapes) if getattr(one, "text", "") == "131 °F for 15 days"
    )
    assert kinds.index("line") > limit
    assert drawn(drawing, "position 0")


def test_letters_go_on_after_z() -> None:
    assert [letter(n) for n in (0, 25, 26, 27, 52)] == ["A", "Z", "AA", "AB", "BA"]


@pytest.mark.parametrize(
    ("overrides", "pointer"),
    [
        ({"since_us": START, "until_us": START}, "/until_us"),
        ({"lines": [a_line([0], [60]), a_line([0], [60])]}, "/lines"),
    ],
)
def test_what_cannot_be_drawn_is_refused(overrides: dict[str, Any], pointer: str) -> None:
    with pytest.raises(Invalid) as refused:
        a_record(**overrides)
    assert refused.value.errors[0].pointer == pointer


def test_columns_that_do_not_fit_are_refused() -> None:
    with pytest.raises(Invalid, match="differ in length"):
        a_line([0, 1], [60])
    with pytest.raises(Invalid, match="do not ascend"):
        a_line([1, 0], [60, 61])
