"""Rules an organisation writes itself: critical limits of a permit, a validated site plan."""

import json
from typing import Any

import pytest

from service.domain.compliance import document_version, read_rule_document
from service.domain.compliance.judge import judge
from service.domain.errors import Invalid
from tests.domain.compliance.piles import UTC_ZONE, at, hour_of, log, pile

PERMIT: dict[str, Any] = {
    "id": "permit-2026-17",
    "title": "Critical limits of the site permit",
    "jurisdiction": "XX",
    "methods": ["turned_windrow"],
    "phrase": "62.5 °C for 5 days, turned twice at least a day apart",
    "citation": "Permit 2026-17, annex 2 (made up)",
    "text_source": "The permit",
    "text_as_of": "2026-11",
    "text_status": "read",
    "holds": [
        {
            "name": "62.5 °C for 5 days",
            "operator": ">=",
            "threshold": 62.5,
            "unit": "Cel",
            "duration_days": 5,
            "continuity": "consecutive",
            "max_gap_h": 12,
        }
    ],
    "turns": {"minimum": 2, "window": "hot_period", "spacing_h": 24},
    "initial_mix": None,
}
HOLD = PERMIT["holds"][0] | {"kind": "hold"}
LEAF = {"kind": "duty", "name": "cover", "requirement": "A cover", "evidence": "record"}


def test_a_permit_is_judged_like_a_published_text() -> None:
    rule = read_rule_document(PERMIT)
    found = judge(rule, pile(log(63, 130), turn_days=(1, 3)), judged_at=at(130), time_zone=UTC_ZONE)
    assert (found.state, hour_of(found.met_at), found.rule.version) == (
        "met",
        120.0,
        document_version(PERMIT),
    )
    cooler = judge(rule, pile(log(62.4, 130), turn_days=(1, 3)), judged_at=at(130), time_zone=UTC_ZONE)
    assert cooler.state == "under_way"


def test_an_algebra_of_limits_needs_no_code() -> None:
    """A made-up plan: 70 °C for an hour and 55 °C for three days, or 65 °C for two days at a mean above 67 °C."""

    def hold(limit: float, hours: float, **more: object) -> dict[str, object]:
        return (
            HOLD
            | {"threshold": limit, "duration_days": None, "duration_h": hours, "name": f"{limit} °C"}
            | more
        )

    both = {"kind": "all_of", "of": [hold(70, 1), hold(55, 72)]}
    hot = hold(65, 48, mean={"operator": ">", "threshold": 67})
    plan = {key: value for key, value in PERMIT.items() if key not in {"holds", "turns"}}
    rule = read_rule_document(plan | {"criteria": [{"kind": "any_of", "of": [both, hot]}]})

    def met_h(curve) -> tuple[str, float | None]:
        found = judge(rule, pile(log(curve, 100), turn_days=()), judged_at=at(100), time_zone=UTC_ZONE)
        return found.state, None if found.met_at is None else hour_of(found.met_at)

    assert met_h(lambda hour: 71 if 80 <= hour <= 81 else 60) == ("met", 81.0)
    assert met_h(lambda hour: 71 if 20 <= hour <= 21 else 60) == ("met", 72.0)
    assert met_h(68) == ("met", 48.0)
    assert met_h(66) == ("under_way", None)
    found = judge(rule, pile(log(60, 100), turn_days=()), judged_at=at(100), time_zone=UTC_ZONE)
    states = {one.name: (one.state, one.progress) for one in found.criteria}
    assert states == {"temperature_hold": ("under_way", 0.0), "temperature_hold: 55 °C": ("met", 1.0)}
    assert found.criteria[1].windows


def test_the_version_depends_on_what_is_said_alone() -> None:
    turned_round = json.loads(json.dumps(dict(reversed(PERMIT.items()))))
    assert document_version(turned_round) == document_version(PERMIT)
    without_null = {key: value for key, value in PERMIT.items() if value is not None}
    assert document_version(without_null) == document_version(PERMIT)
    as_float = PERMIT | {"holds": [PERMIT["holds"][0] | {"duration_days": 5.0, "threshold": 62.50}]}
    assert document_version(as_float) == document_version(PERMIT)
    for key, value in (("title", "Other"), ("holds", [PERMIT["holds"][0] | {"threshold": 62.51}])):
        assert document_version(PERMIT | {key: value}) != document_version(PERMIT)
    assert document_version(PERMIT).startswith("sha256:")
    # Known once and for all: a verdict on file names it.
    assert document_version({"b": [1, 2.50, None], "a": True}) == document_version(
        {"a": True, "b": [1.0, 2.5, None]}
    )


def deep(levels: int, leaf: dict[str, Any], kind: str = "all_of") -> dict[str, Any]:
    for _ in range(levels):
        leaf = {"kind": kind, "of": [leaf]}
    return leaf


REFUSED = [
    ({"id": "Permit 17"}, "/id", "not an id"),
    ({"id": "a" * 65}, "/id", "not an id"),
    ({"id": 7}, "/id", "not a text"),
    ({"title": None}, "/title", "title is missing"),
    ({"title": "x" * 2001}, "/title", "2001 characters"),
    ({"colour": "green"}, "/colour", "colour is not known here"),
    ({"a/b~c": 1}, "/a~1b~0c", "not known here"),
    ({"holds": {}}, "/holds", "not a list of tables"),
    ({"holds": [7]}, "/holds/0", "not a table"),
    ({"holds": [HOLD]}, "/holds/0/kind", "not known here"),
    ({"holds": [PERMIT["holds"][0]] * 41}, "/holds", "at most 40"),
    ({"holds": [PERMIT["holds"][0] | {"name": f"n{n}"} for n in range(25)]}, "/criteria", "25 holds"),
    ({"holds": [PERMIT["holds"][0] | {"threshold": float("nan")}]}, "/holds/0/threshold", "not a value of JSON"),
    ({"holds": [PERMIT["holds"][0] | {"threshold": True}]}, "/holds/0/threshold", "not a number"),
    ({"holds": [PERMIT["holds"][0] | {"threshold": "62"}]}, "/holds/0/threshold", "not a number"),
    ({"holds": [PERMIT["holds"][0] | {"threshold": 10**30}]}, "/holds/0/threshold", "out of range"),
    ({"holds": [PERMIT["holds"][0] | {"duration_days": 9999}]}, "/holds/0/duration_days", "out of range"),
    ({"holds": [PERMIT["holds"][0] | {"operator": ["<"]}]}, "/holds/0/operator", "is unknown"),
    ({"holds": [PERMIT["holds"][0] | {"within": [{"name": "x", "operator": ">", "threshold": 70, "duration_h": 121,
                                                  "max_gap_h": 1}]}]}, "/holds/0/within/0", "do not fit"),
    ({"holds": [], "turns": None}, "/holds", "nothing decides the state"),
    ({"holds": None}, "/turns", "turnings belong to a hold"),
    ({"criteria": [{"kind": "some_of"}]}, "/criteria/0/kind", "use one of hold, all_of, any_of, duty"),
    ({"criteria": [{"kind": "all_of"}]}, "/criteria/0/of", "add at least one part"),
    ({"criteria": [deep(5, LEAF)]}, "/criteria/0/of/0/of/0/of/0/of/0/of", "more than 4 levels"),
    ({"criteria": [LEAF | {"evidence": "rumour"}]}, "/criteria/0/evidence", "is unknown"),
    ({"criteria": [LEAF | {"evidence": "measured", "figure": "x"}]}, "/criteria/0/least", "neither least nor most"),
    ({"criteria": [LEAF | {"evidence": "any_of", "of": [{"evidence": "record"}]}]}, "/criteria/0/of/0/name", "missing"),
    ({"turns": {"minimum": 2, "window": "hot_period", "spacing_h": -1}}, "/turns/spacing_h", "out of range"),
    ({"information_only": "yes"}, "/information_only", "neither true nor false"),
    ({"equation": {"days_numerator": 1, "slope_per_c": 0, "floor_c": 50, "least_minutes": 20,
                   "temperatures_c": [40], "max_gap_h": 1}}, "/equation/temperatures_c", "below the floor"),
    ({"methods": "any"}, "/methods", "not a list of texts"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("change", "pointer", "reason"), REFUSED, ids=[one[1] + one[2][:9] for one in REFUSED]
)
def test_a_malformed_document_is_refused_with_pointer_and_reason(change, pointer, reason) -> None:
    with pytest.raises(Invalid) as refusal:
        read_rule_document(PERMIT | change, name="body")
    (error,) = refusal.value.errors
    assert (error.pointer, error.detail[:6]) == (pointer, "body: ")
    assert reason in error.detail
    assert len(error.detail) < 300


def test_a_document_without_a_floor_is_refused_in_bounded_time() -> None:
    bottomless: dict[str, Any] = dict(LEAF)
    for _ in range(100_000):
        bottomless = {"kind": "all_of", "of": [bottomless]}
    with pytest.raises(Invalid, match="nested more than 20 levels"):
        read_rule_document(PERMIT | {"criteria": [bottomless]})
    with pytest.raises(Invalid, match="not a table"):
        read_rule_document([PERMIT])  # type: ignore[arg-type]
