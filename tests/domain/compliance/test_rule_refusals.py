"""How a malformed rule file is refused: with file, key and reason."""

from pathlib import Path

import pytest

from service.domain.compliance import load_rules, read_rule
from service.domain.errors import Invalid

PLAIN = """\
id = "xx-plain"
title = "A made-up rule"
jurisdiction = "XX"
methods = ["turned_windrow"]
phrase = "55 °C for 3 consecutive days, turned once"
citation = "Made up, section 1"
text_source = "Nowhere"
text_as_of = "2026-11"
text_status = "read"

[[holds]]
name = "55 °C for 3 days"
operator = ">="
threshold = 55
unit = "Cel"
duration_h = 72
continuity = "consecutive"
max_gap_h = 24

[turns]
minimum = 1
window = "hot_period"
hot_before_h = 24

[[duties]]
name = "cover"
requirement = "A cover"
evidence = "record"

[[switches]]
key = "turn_transient_h"
amb = "AMB-05"
question = "Does the fall caused by a turning break the period?"
literal = 0
inspector = 24
cumulative = 24
"""


def test_a_plain_rule_is_read() -> None:
    rule = read_rule("xx-plain.toml", PLAIN.encode())
    assert (rule.id, rule.holds[0].duration_h) == ("xx-plain", 72.0)
    assert rule.reading("literal").turn_transient_h == 0
    assert rule.reading("inspector").turn_transient_h == 24
    assert {rule.reading(one).continuity for one in ("literal", "inspector", "cumulative")} == {"unbroken"}


REFUSED = [
    ('citation = "Made up, section 1"\n', "", "/citation", "citation is missing"),
    ('citation = "Made up, section 1"', 'citation = "  "', "/citation", "not a text"),
    ("max_gap_h = 24", "max_gap_hours = 24", "/holds/0/max_gap_h", "max_gap_h is missing"),
    ("max_gap_h = 24", "max_gap_h = 24\nhottest = 90", "/holds/0/hottest", "hottest is not known here"),
    ('title = "A made-up rule"', 'title = "A"\ncolour = "green"', "/colour", "colour is not known here"),
    ("threshold = 55", 'threshold = "55"', "/holds/0/threshold", "not a number"),
    ("threshold = 55", "threshold = true", "/holds/0/threshold", "not a number"),
    ("threshold = 55", "threshold = nan", "/holds/0/threshold", "not a number"),
    ("threshold = 55", "threshold = -3", "/holds/0/threshold", "out of range"),
    ("threshold = 55", "threshold = 55\nupper_limit = 50", "/holds/0/upper_limit", "not above the threshold"),
    ("duration_h = 72", "", "/holds/0/duration_h", "duration_h is missing"),
    ("duration_h = 72", "duration_h = 72\nduration_days = 3", "/holds/0/duration_h", "not known here"),
    ('unit = "Cel"', 'unit = "%"', "/holds/0/unit", "'%' is unknown; use one of Cel, [degF], K"),
    ('operator = ">="', 'operator = "<"', "/holds/0/operator", "use one of >=, >"),
    ("minimum = 1", "minimum = 1.5", "/turns/minimum", "not a whole number"),
    (
        'window = "hot_period"',
        'window = "weekly"',
        "/turns/window",
        "use one of hot_period, sliding, any, before_each",
    ),
    ("minimum = 1", "minimum = 1\nregain_in_text = 1", "/turns/regain_in_text", "neither true nor false"),
    ('methods = ["turned_windrow"]', 'methods = ["dancing"]', "/methods", "'dancing' is unknown"),
    ('methods = ["turned_windrow"]', "methods = []", "/methods", "not a list of texts"),
    ('text_as_of = "2026-11"', 'text_as_of = "lately"', "/text_as_of", "not a date"),
    ('text_as_of = "2026-11"', 'text_as_of = "unverified"', "/text_as_of", "must both say unverified"),
    (
        'text_status = "read"',
        'text_status = "sworn"',
        "/text_status",
        "use one of read, second-hand, unverified",
    ),
    ('id = "xx-plain"', 'id = "xx-other"', "/id", "does not match the name of the file"),
    ('evidence = "record"', 'evidence = "reading_days"', "/duties/0/weekdays", "weekdays is missing"),
    (
        'evidence = "record"',
        'evidence = "reading_days"\nweekdays = ["monday"]',
        "/duties/0/weekdays",
        "'monday' is not a day",
    ),
    ('amb = "AMB-05"', 'amb = "five"', "/switches/0/amb", "not the number of an ambiguity"),
    ('key = "turn_transient_h"', 'key = "colour"', "/switches/0/key", "use one of continuity"),
    ("literal = 0", 'literal = "none"', "/switches/0/literal", "not a number"),
    ("literal = 0\n", "", "/switches/0/literal", "literal is missing"),
    (
        'continuity = "consecutive"',
        'continuity = "silent_maintained"',
        "/switches",
        "add a switch for continuity",
    ),
    ("[turns]", "[[turns]]", "/turns", "not a table"),
    ("[[duties]]", "[duties]", "/duties", "not a list of tables"),
    ('name = "cover"', "name = 7", "/duties/0/name", "not a text"),
    ('name = "55 °C for 3 days"', 'name = "55', "", "not readable as TOML"),
]


@pytest.mark.parametrize(("before", "after", "pointer", "reason"), REFUSED)
def test_a_malformed_rule_is_refused_with_file_key_and_reason(
    before: str, after: str, pointer: str, reason: str
) -> None:
    assert before in PLAIN
    with pytest.raises(Invalid) as refusal:
        read_rule("xx-plain.toml", PLAIN.replace(before, after).encode())
    (error,) = refusal.value.errors
    assert error.pointer == pointer
    assert reason in error.detail
    assert error.detail.startswith("xx-plain.toml: ")


@pytest.mark.parametrize(
    ("more", "pointer", "reason"),
    [
        (PLAIN[PLAIN.index("[[duties]]") : PLAIN.index("[[switches]]")], "/duties", "comes twice"),
        (PLAIN[PLAIN.index("[[switches]]") :], "/switches", "comes twice"),
        (
            PLAIN[PLAIN.index("[[switches]]") :]
            .replace("turn_transient_h", "continuity")
            .replace("= 0", '= "unbroken"')
            .replace("= 24", '= "unbroken"'),
            "/switches",
            "delete the switch",
        ),
        (
            "[initial_mix]\ncarbon_nitrogen_min = 40\ncarbon_nitrogen_max = 25\n",
            "/initial_mix",
            "not above the minimum",
        ),
        ("[curing]\nminimum_days = -1\n", "/curing/minimum_days", "out of range"),
    ],
)
def test_contradictions_are_refused(more: str, pointer: str, reason: str) -> None:
    with pytest.raises(Invalid) as refusal:
        read_rule("xx-plain.toml", f"{PLAIN}\n{more}".encode())
    (error,) = refusal.value.errors
    assert error.pointer.startswith(pointer)
    assert reason in error.detail


def test_a_silent_text_is_cumulative_for_information_only() -> None:
    silent = PLAIN.replace('"consecutive"', '"silent_maintained"') + (
        '[[switches]]\nkey = "continuity"\namb = "AMB-01"\nquestion = "?"\n'
        'literal = "cumulative"\ninspector = "unbroken"\ncumulative = "cumulative"\n'
    )
    with pytest.raises(Invalid, match="only under the cumulative interpretation"):
        read_rule("xx-plain.toml", silent.encode())


def test_no_hold_no_rule() -> None:
    text = PLAIN[: PLAIN.index("[[holds]]")] + PLAIN[PLAIN.index("[[duties]]") :]
    with pytest.raises(Invalid, match="add at least one"):
        read_rule("xx-plain.toml", text.encode())


def test_day_count_must_match_the_duration() -> None:
    terms = (
        '[holds.day_count]\ndays = 4\nqualifies = "one_reading"\nrecord = "any"\nmax_gap_h = 36\n'
        "daily_spacing_h = 12\nmixed_day_cool_h = 6\n\n[turns]"
    )
    with pytest.raises(Invalid, match="4 days do not match the duration"):
        read_rule("xx-plain.toml", PLAIN.replace("[turns]", terms).encode())


def test_a_folder_of_rules(tmp_path: Path) -> None:
    (tmp_path / "xx-plain.toml").write_text(PLAIN)
    (tmp_path / "notes.txt").write_text("not a rule")
    rules = load_rules(tmp_path)
    assert list(rules) == ["xx-plain"]
    with pytest.raises(TypeError):
        rules["yy"] = rules["xx-plain"]  # type: ignore[index]
