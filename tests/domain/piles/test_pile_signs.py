"""Situations of a pile and what is said of them."""

from datetime import date, timedelta
from itertools import pairwise
from uuid import UUID

import pytest

from service.domain.piles import PileFacts, Risk, status
from tests.domain.piles.making import BUILT, a_series, an_event, day, hourly, life

PROBES = {"silent_probe", "flat_line", "reads_like_air", "probe_failing", "unit_doubtful"}
FULL = ("load", -0.5, {"volume_m3": 1.6})


def told(now, events=(), *series, **known):
    facts = {key: known.pop(key) for key in ("design_volume_m3", "bay_volume_m3") if key in known}
    record = tuple(an_event(kind, at, **details) for kind, at, details in events)
    return status(PileFacts(BUILT, events=record, **facts), series, now=day(now), **known)


def signs(now, events=(), *series, **known):
    found = told(now, events, *series, **known).warnings
    return {sign.code: sign for sign in found if sign.code not in PROBES}


def curve(now, *points):
    """Hourly readings along straight lines between (day, Cel)."""
    days = hourly(0, now)

    def at(d):
        for (d0, c0), (d1, c1) in pairwise(points):
            if d <= d1:
                return c0 + (c1 - c0) * (d - d0) / (d1 - d0)
        return points[-1][1]

    return a_series(days, [at(d) + 0.2 * (i % 2) for i, d in enumerate(days)])


@pytest.mark.parametrize(
    ("now", "points", "events", "expected"),
    [
        (4.9, [(0, 20), (2, 48)], [], None),
        (5.0, [(0, 20), (2, 48)], [], "not_heating"),
        (5.0, [(0, 20), (2, 54.7)], [], "not_heating"),
        (5.0, [(0, 20), (2, 54.9)], [], None),
        (20.0, [(0, 20), (2, 48)], [], "not_heating"),
        (5.0, [(0, 20), (2, 48)], [("load", 1, {"volume_m3": 0.2})], None),
        (6.0, [(0, 20), (2, 48)], [("load", 1, {"volume_m3": 0.2})], "not_heating"),
        (8.0, [(0, 20), (2, 62), (5, 62), (7, 44.5)], [], "cooling"),
        (8.0, [(0, 20), (2, 62), (5, 62), (7, 45.0)], [], None),
        (8.0, [(0, 20), (2, 62), (5, 62), (7, 40)], [("turn", 6.1, {})], None),
        (8.0, [(0, 20), (2, 62), (5, 62), (7, 40)], [("turn", 5.9, {})], "cooling"),
        (4.0, [(0, 20), (2, 50), (3.5, 40)], [], "cooling"),
        (4.0, [(0, 20), (2, 40)], [], None),
        (13.9, [(0, 20), (2, 62), (12, 62), (13, 42)], [], "cooling"),
        (14.1, [(0, 20), (2, 62), (12, 62), (13, 42)], [], None),
    ],
)
def test_stalls(now, points, events, expected):
    found = signs(now, [FULL, *events], curve(now, *points))
    assert set(found) & {"not_heating", "cooling"} == ({expected} if expected else set())
    if expected:
        assert found[expected].severity == "caution"
        assert "Squeeze a handful" in found[expected].remedy


def test_a_stall_names_its_numbers_and_the_likely_cause():
    dry = ("observe", 5, {"moisture_feel": "dry"})
    sign = signs(6, [FULL, dry], curve(6, (0, 20), (2, 48)))["not_heating"]
    assert "6.0 days" in sign.text
    assert "48.2 °C" in sign.text
    assert "It is dry" in sign.remedy
    small = signs(6, [("load", -0.5, {"volume_m3": 0.6})], curve(6, (0, 20), (2, 48)))["not_heating"]
    assert "0.60 m3" in small.remedy
    cold = signs(8, [FULL], curve(8, (0, 20), (2, 62), (5, 62), (7, 40)))["cooling"]
    assert "40.0 °C from 62.2 °C" in cold.text


def test_a_stall_is_not_called_on_readings_a_day_and_a_half_old():
    seen_early = a_series(hourly(0, 4), lambda d: 20 + 7 * d)
    assert "not_heating" in signs(5.4, [FULL], seen_early)
    assert "not_heating" not in signs(5.6, [FULL], seen_early)


@pytest.mark.parametrize(
    ("loaded", "known", "peak", "severity", "words"),
    [
        (0.99, {}, 30, "caution", "0.99 m3: below about 1 m3"),
        (1.0, {}, 30, None, ""),
        (0.99, {}, 56, "info", "reached 56.2 °C all the same"),
        (1.59, {"bay_volume_m3": 2.0}, 30, "caution", "80 % of the 2.00 m3"),
        (1.6, {"bay_volume_m3": 2.0}, 30, None, ""),
        (1.5, {"bay_volume_m3": 3.0, "design_volume_m3": 1.5}, 30, None, ""),
        (1.5, {"bay_volume_m3": 1.5, "design_volume_m3": 3.0}, 30, "caution", "50 % of the 3.00 m3"),
        (
            0.5,
            {"design_volume_m3": 3.0},
            30,
            "caution",
            "faster than it makes it; that is 17 %",
        ),
    ],
)
def test_built_too_small(loaded, known, peak, severity, words):
    found = signs(3, [("load", -0.5, {"volume_m3": loaded})], curve(3, (0, 20), (2, peak)), **known)
    assert ("built_small" in found) == (severity is not None)
    if severity:
        assert found["built_small"].severity == severity
        assert words in found["built_small"].text


def test_an_unknown_volume_is_not_called_small():
    assert "built_small" not in signs(3, [("load", -0.5, {"mass_kg": 20})], curve(3, (0, 20), (2, 30)))


@pytest.mark.parametrize(
    ("events", "now", "expected"),
    [
        ([("observe", 3, {"moisture_feel": "dry"})], 4, "dry"),
        ([("observe", 3, {"moisture_feel": "wet"})], 4, "wet"),
        ([("observe", 3, {"moisture_feel": "right"})], 4, None),
        ([("observe", 3, {"moisture_feel": "dry"}), ("observe", 3.5, {"moisture_feel": "right"})], 4, None),
        ([("observe", 3, {"moisture_feel": "dry"}), ("observe", 3.5, {"smell": "earthy"})], 4, "dry"),
        ([("observe", 3, {"moisture_feel": "dry"}), ("water", 3.5, {"volume_l": 40})], 4, None),
        ([("water", 2.5, {"volume_l": 40}), ("observe", 3, {"moisture_feel": "dry"})], 4, "dry"),
        ([("observe", 3, {"moisture_feel": "dry"}), ("turn", 3.5, {})], 4, "dry"),
        ([("observe", 3, {"moisture_feel": "wet"}), ("turn", 3.5, {})], 4, None),
        ([("observe", 3, {"moisture_feel": "wet"}), ("water", 3.5, {"volume_l": 40})], 4, "wet"),
        ([("observe", 3, {"moisture_feel": "dry"})], 10, "dry"),
        ([("observe", 3, {"moisture_feel": "dry"})], 10.1, None),
        ([("sample", 3, {"moisture_pct": 39.9})], 4, "dry"),
        ([("sample", 3, {"moisture_pct": 40})], 4, None),
        ([("sample", 3, {"moisture_pct": 65})], 4, None),
        ([("sample", 3, {"moisture_pct": 65.1})], 4, "wet"),
        ([("sample", 3, {"ph": 8})], 4, None),
        ([("observe", 2, {"moisture_feel": "dry"}), ("sample", 3, {"moisture_pct": 55})], 4, None),
    ],
)
def test_dry_and_wet(events, now, expected):
    found = signs(now, [FULL, *events], curve(now, (0, 20), (2, 60)))
    assert set(found) & {"dry", "wet"} == ({expected} if expected else set())


def test_a_sample_names_its_figure():
    found = signs(4, [FULL, ("sample", 3, {"moisture_pct": 31})], curve(4, (0, 20), (2, 60)))
    assert "31 % water" in found["dry"].text
    assert "mask" in found["dry"].remedy


@pytest.mark.parametrize(
    ("events", "now", "expected"),
    [
        ([("observe", 3, {"smell": "ammonia"})], 4, "ammonia"),
        ([("observe", 3, {"smell": "sour"})], 4, "sour"),
        ([("observe", 3, {"smell": "earthy"})], 4, None),
        ([("observe", 3, {"smell": "none"})], 4, None),
        ([("observe", 3, {"smell": "sour"}), ("turn", 3.2, {})], 4, None),
        ([("observe", 3, {"smell": "ammonia"}), ("turn", 3.2, {})], 4, "ammonia"),
        ([("observe", 3, {"smell": "ammonia"}), ("load", 3.2, {})], 4, None),
        ([("observe", 3, {"smell": "ammonia"}), ("observe", 3.2, {"smell": "earthy"})], 4, None),
        ([("observe", 3, {"smell": "sour"})], 10.1, None),
    ],
)
def test_smells(events, now, expected):
    found = signs(now, [FULL, *events], curve(now, (0, 20), (2, 60)))
    assert set(found) & {"ammonia", "sour"} == ({expected} if expected else set())


@pytest.mark.parametrize(
    ("events", "severity"),
    [
        ([], "caution"),
        ([("move", 8, {"purpose": "curing"})], "info"),
        ([("release", 8, {})], None),
        ([("close", 8, {})], None),
    ],
)
def test_missed_turns(events, severity):
    missed = [date(2026, 5, 11), date(2026, 5, 9)]
    found = signs(9, [FULL, *events], curve(9, (0, 20), (2, 60)), missed_turns=missed)
    assert ("missed_turn" in found) == (severity is not None)
    if severity:
        assert found["missed_turn"].severity == severity
        assert "2 turns due and not on record: 2026-05-09, 2026-05-11." in found["missed_turn"].text


def test_many_missed_turns_are_counted_and_the_last_ones_named():
    missed = [date(2026, 5, n) for n in range(5, 13)]
    text = signs(9, [FULL], curve(9, (0, 20), (2, 60)), missed_turns=missed)["missed_turn"].text
    assert text.startswith("8 turns due")
    assert "2026-05-12 and 3 earlier" in text
    assert "2026-05-07" not in text


def test_a_gap_about_to_cost_the_verdict_tells_by_when():
    coming = Risk("us-nop-windrow", day(9) + timedelta(hours=5), "core-2 unseen for 19 h of 24 h", "core-2")
    gone = Risk(
        "us-503-pfrp-windrow", day(9) - timedelta(hours=3), "core-1 unseen for 27 h of 24 h", "core-1"
    )
    found = [
        sign
        for sign in told(9, [FULL], curve(9, (0, 20), (2, 60)), verdict_risks=[coming, gone]).warnings
        if sign.code == "verdict_at_risk"
    ]
    assert [sign.position for sign in found] == ["core-1", "core-2"]
    assert "19 h of 24 h (by 2026-05-13 14:00 UTC, in 5 h)" in found[1].text
    assert "by hand if the probe is silent" in found[1].remedy
    assert "since 3 h ago" in found[0].text
    assert "late readings re-open the verdict" in found[0].remedy


def test_a_pile_nobody_measures_is_told_so():
    assert signs(3, [FULL])["no_readings"].severity == "info"
    assert "no_readings" not in signs(3, [FULL], curve(3, (0, 20), (2, 60)))
    assert "no_readings" not in signs(3, [FULL], a_series([], [], placed=2.9))


def test_a_sound_pile_is_left_in_peace():
    found = told(
        9, [FULL, ("observe", 8, {"moisture_feel": "right", "smell": "earthy"})], a_series(hourly(0, 9), life)
    )
    assert found.warnings == ()
    assert found.stage == "hot"


def test_the_dangerous_comes_first():
    events = [
        ("load", -0.5, {"volume_m3": 0.6}),
        ("observe", 5, {"moisture_feel": "dry", "smell": "ammonia"}),
    ]
    hot, warm = curve(6, (0, 20), (3, 79)), a_series(hourly(0, 3), life, "edge", serial="PR-2")
    found = told(6, events, warm, hot, missed_turns=[date(2026, 5, 9)]).warnings
    order = {"danger": 0, "caution": 1, "info": 2}
    ranks = [order[sign.severity] for sign in found]
    assert ranks == sorted(ranks)
    assert found[0].code == "too_hot"
    assert {sign.code for sign in found} == {
        "too_hot",
        "missed_turn",
        "dry",
        "ammonia",
        "silent_probe",
        "built_small",
    }
    assert found[-1].code == "built_small"


def test_cautions_for_those_who_go_there():
    hot = told(6, [FULL], curve(6, (0, 20), (3, 60))).cautions
    assert any("steam" in text for text in hot)
    assert any("Spores" in text for text in hot)
    assert any("never climb" in text for text in hot)
    assert hot[-1].startswith("Local rules")
    cool = told(40, [FULL, ("move", 30, {"purpose": "curing"})], a_series(hourly(0, 40), life)).cautions
    assert not any("steam" in text for text in cool)
    assert any("Spores" in text for text in cool)
    assert told(40, [FULL, ("close", 30, {})]).cautions == ()
    assert told(40, [FULL, ("merge", 30, {"into_pile_id": str(UUID(int=7))})]).cautions == ()
