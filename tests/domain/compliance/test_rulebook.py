"""The rule files that ship, against the figures of the texts they cite."""

import hashlib
from importlib import resources

import pytest

from service.domain.compliance import RULES, History, read_rule, series_of
from service.domain.compliance.judge import judge
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
