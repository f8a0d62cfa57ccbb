"""The rule files: what ships, and how a malformed one is refused."""

import hashlib
from importlib import resources
from pathlib import Path

import pytest

from service.domain.compliance import RULES, History, load_rules, read_rule, series_of
from service.domain.compliance.judge import judge
from service.domain.errors import Invalid
from tests.domain.compliance.piles import UTC_ZONE, at, dips, hour_of, log

SHIPPED = {
    "au-4454-highrisk",
    "au-4454-std",
    "ca-ccme-static-vessel",
    "ca-ccme-windrow",
    "de-bioabfv",
    "de-bioabfv-past",
    "eu-142-reactor",
    "eu-cmc3",
    "nz-4454",
    "ph-paes414",
    "uk-abp-housed-windrow",
    "uk-abp-reactor-60",
    "uk-abp-reactor-70",
    "uk-abp-second-barrier",
    "uk-pas100",
    "us-257-pfrp-windrow",
    "us-503-alt1",
    "us-503-pfrp-asp",
    "us-503-pfrp-guidance",
    "us-503-pfrp-vessel",
    "us-503-pfrp-windrow",
    "us-503-psrp",
    "us-503-var-b5",
    "us-ca-asp",
    "us-ca-vessel",
    "us-ca-windrow",
    "us-fda-lab-b",
    "us-fda-static",
    "us-fda-turned",
    "us-ma-psrp",
    "us-nop-5021",
    "us-nop-manure",
    "us-nop-static-vessel",
    "us-nop-windrow",
    "us-ny-static-vessel",
    "us-ny-windrow",
    "us-tx-static-vessel",
    "us-tx-windrow",
}

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


def test_exactly_these_rules_ship() -> None:
    assert set(RULES) == SHIPPED


@pytest.mark.parametrize("rule_id", sorted(SHIPPED))
def test_a_shipped_rule_says_where_its_words_come_from(rule_id: str) -> None:
    rule = RULES[rule_id]
    content = (resources.files("service.domain.compliance") / "rules" / f"{rule_id}.toml").read_bytes()
    assert rule.version == f"sha256:{hashlib.sha256(content).hexdigest()}"
    assert (rule.text_as_of == "unverified") == (rule.text_status == "unverified")
    assert rule.phrase
    assert rule.citation


# (temperature, hours, turnings, window, C:N): the figures as the cited texts give them.
FIGURES = [
    ("us-503-pfrp-windrow", [(55, 360)], (5, "hot_period"), None, "40 CFR 503 App. B §B(1) (from memory)"),
    ("us-503-pfrp-asp", [(55, 72)], None, None, "40 CFR 503 App. B §B(1) (from memory)"),
    ("us-nop-windrow", [(131, 360)], (5, "sliding"), (25, 40), "7 CFR 205.203(c)(2)(i), (iii)"),
    ("us-nop-static-vessel", [(131, 72)], None, (25, 40), "7 CFR 205.203(c)(2)(i), (ii)"),
    ("us-fda-turned", [(131, 360)], (5, "any"), None, "21 CFR 112.54(b)(2)"),
    ("us-fda-static", [(131, 72)], None, None, "21 CFR 112.54(b)(1)"),
    ("us-ny-windrow", [(55, 360)], (5, "sliding"), None, "6 NYCRR 361-3.7(a)(1)(i)(a)"),
    ("us-ca-windrow", [(131, 360)], (5, "hot_period"), None, "14 CCR 17868.3"),
    (
        "eu-cmc3",
        [(70, 72), (65, 120), (60, 168), (55, 336)],
        None,
        None,
        "(EU) 2019/1009 CMC 3 (from memory)",
    ),
    ("uk-abp-housed-windrow", [(60, 192)], (3, "sliding"), None, "WSI 2006/1293 Sch. 1 Pt II"),
    ("de-bioabfv", [(65, 72), (60, 144), (55, 336)], None, None, "BioAbfV Anhang 2 Nr. 2.2.2.1"),
]


@pytest.mark.parametrize(
    ("rule_id", "holds", "turns", "mix", "text"), FIGURES, ids=[one[0] for one in FIGURES]
)
def test_figures_of_the_text(rule_id, holds, turns, mix, text) -> None:
    rule = RULES[rule_id]
    assert [(one.threshold, one.duration_h) for one in rule.holds] == holds, text
    assert (None if rule.turns is None else (rule.turns.minimum, rule.turns.window)) == turns, text
    found = rule.initial_mix and (rule.initial_mix.carbon_nitrogen_min, rule.initial_mix.carbon_nitrogen_max)
    assert found == mix, text
    assert {one.upper_limit for one in rule.holds} == ({170} if mix else {None}), text


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


PHILIPPINES = """\
id = "ph-paes-414"
title = "Philippine standard for compost: windrow"
jurisdiction = "PH"
methods = ["turned_windrow"]
phrase = "55 °C on at least 15 different days, turned at least 5 times after 55 °C is first reached, with 55 °C \
reached again after the fifth turning"
citation = "PAES 414-2:2002"
text_source = "An examination question quoting the standard"
text_as_of = "2026-11"
text_status = "second-hand"

[[holds]]
name = "55 °C on 15 different days"
operator = ">="
threshold = 55
unit = "Cel"
duration_days = 15
continuity = "cumulative"
max_gap_h = 24

[turns]
minimum = 5
window = "hot_period"
regain_in_text = true
"""


def test_a_rule_of_the_same_kinds_needs_no_code() -> None:
    """PAES 414-2:2002 (second-hand): '… with 55 °C reached again after the fifth turning'."""
    rule = read_rule("ph-paes-414.toml", PHILIPPINES.encode())

    def state(until_cold_h: float, ends_h: float) -> tuple[str, float | None]:
        history = History(
            series=series_of(log(dips(57, (365.25, until_cold_h, 49.0)), ends_h, every_h=0.25)),
            turns=tuple(at(hour) for hour in (48, 120, 192, 264, 365)),
        )
        found = judge(rule, history, judged_at=at(ends_h), time_zone=UTC_ZONE)
        return found.state, None if found.met_at is None else hour_of(found.met_at)

    assert state(999, 480) == ("under_way", None)
    assert state(400, 480) == ("met", 400.0)
