"""The words: all of them in the text, none wider than a page of 60 columns, short ones."""

import re
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.build_sheets import BuildRequest, draw_up, to_text, wording_of
from tests.domain.build_sheets.making import (
    BARROW,
    BUCKET,
    CAN,
    FORK,
    GRASS,
    MANURE,
    SCALE,
    STRAW,
    request,
    wanted,
)


def words_in(told: Any) -> Iterator[str]:
    """Yield every text of a sheet's words, however deep."""
    if isinstance(told, dict):
        for one in told.values():
            yield from words_in(one)
    elif isinstance(told, list | tuple):
        for one in told:
            yield from words_in(one)
    elif isinstance(told, str):
        yield told


def bare(text: str) -> str:
    """Return a text without what setting it in lines may change."""
    return re.sub(r"[\s\u200b]+", "", text)


DRY = wanted("oat straw", 1.4, 12, 0.5, 80, 60)
CASES = [
    request(),
    request(layers=12, people=1),
    request(place=None),
    request(DRY, MANURE),
    request(GRASS),
    request(DRY),
    request(measures=(FORK, SCALE, CAN)),
    request(DRY, STRAW, MANURE, measures=(BARROW, BUCKET), mixing_shrink_pct=12.5),
]


@pytest.mark.parametrize("case", CASES)
def test_the_text_holds_every_word_in_sixty_columns(case: BuildRequest) -> None:
    words = wording_of(draw_up(case))
    text = to_text(words, printed="Printed 2026-11-26.")
    assert max(len(line) for line in text.splitlines()) <= 60
    kept = bare(text)
    for one in words_in(asdict(words)):
        assert bare(one) in kept, one
    assert all(f"{n}:{told.replace(' ', '')}" in kept for n, told in words.heights)


@settings(max_examples=60)
@given(
    st.text(st.characters(blacklist_categories=("Cc", "Cs", "Zl", "Zp")), min_size=1, max_size=200).filter(
        str.strip
    )
)
def test_any_name_stays_within_the_columns(name: str) -> None:
    text = to_text(wording_of(draw_up(request(wanted(name, 0.5, 60, 2, 20, 400), STRAW))))
    assert max(len(line) for line in text.split("\n")) <= 60


@pytest.mark.parametrize("case", CASES)
def test_sentences_are_short_enough_for_a_child(case: BuildRequest) -> None:
    """Common practice, no source: about a dozen words; names of materials are the crew's own and count as one."""
    words = wording_of(draw_up(case))
    names = [one.ingredient.name for one in case.wanted]
    for told in (*words.before, *words.finish, *words.care, *words.record):
        for name in names:
            told = told.replace(name, "it")  # noqa: PLW2901 - the sentence is what is measured
        for sentence in re.split(r"(?<=[.?!:;])\s", told):
            assert len(sentence.split()) <= 14, sentence


def test_rounds_that_differ_are_named() -> None:
    words = wording_of(draw_up(request(layers=12)))
    differing = [line.differs for step in words.rounds for line in step.lines if line.differs]
    assert differing
    assert all(re.match(r"rounds? \d", one) for one in differing)
    assert words.repeat == "Repeat 2 and 3: ×5"  # noqa: RUF001 - the sign for times


def test_a_dry_mix_is_wetted_first_and_never_after() -> None:
    words = wording_of(draw_up(request(DRY, MANURE)))
    assert any("Never after" in one for one in words.before)
    assert any("water" in line.what for step in words.rounds for line in step.lines)
    assert any("cans (" in fact for fact in words.facts)


def test_the_cautions_are_those_of_what_is_loaded() -> None:
    with_manure = " ".join(wording_of(draw_up(request(STRAW, MANURE))).care)
    without = " ".join(wording_of(draw_up(request(wanted("wood chips", 0.5, 30, 0.3, 150, 280)))).care)
    assert "Manure: gloves" in with_manure
    assert "Bean test" in with_manure
    assert "Manure" not in without
    assert "mask on" in without
    assert "local rules" in without
