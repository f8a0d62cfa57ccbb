"""Too hot: thresholds are suggestions from memory; their edges must not move by a rounding."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.piles import PileFacts, status
from service.domain.quantities import Unit
from tests.domain.piles.making import BUILT, a_series, an_event, day, hourly

HEAT = ("too_hot", "fire_danger")


def heat(*series, now=6.0, events=(), built=BUILT):
    told = status(PileFacts(built, events=tuple(events)), series, now=day(now))
    return [sign for sign in told.warnings if sign.code in HEAT]


def steady(value, unit=Unit.CEL, *, to=6.0, flags=None):
    """Held for two days, with a wobble no flat line has and no rise."""
    days = hourly(to - 2, to)
    values = [value - 0.3 if i % 2 else value for i in range(len(days))]
    return a_series(days, [*values[:-1], value], unit=unit, flags=flags)


@pytest.mark.parametrize(
    ("value", "unit", "expected"),
    [
        (69.9, Unit.CEL, []),
        (69.99999, Unit.CEL, []),
        (70.0, Unit.CEL, [("too_hot", "caution")]),
        (76.9, Unit.CEL, [("too_hot", "caution")]),
        (77.0, Unit.CEL, [("too_hot", "danger")]),
        (89.9, Unit.CEL, [("too_hot", "danger")]),
        (90.0, Unit.CEL, [("fire_danger", "danger")]),
        (95.0, Unit.CEL, [("fire_danger", "danger")]),
        (157.9, Unit.DEG_F, []),
        (158.0, Unit.DEG_F, [("too_hot", "caution")]),
        (170.5, Unit.DEG_F, [("too_hot", "caution")]),
        (170.6, Unit.DEG_F, [("too_hot", "danger")]),
        (194.0, Unit.DEG_F, [("fire_danger", "danger")]),
        (343.14, Unit.KELVIN, []),
        (343.15, Unit.KELVIN, [("too_hot", "caution")]),
        (350.15, Unit.KELVIN, [("too_hot", "danger")]),
        (363.15, Unit.KELVIN, [("fire_danger", "danger")]),
    ],
)
def test_the_edges_of_too_hot(value, unit, expected):
    assert [(sign.code, sign.severity) for sign in heat(steady(value, unit))] == expected


def test_the_text_names_the_number_and_what_to_do():
    (amber,) = heat(steady(72.34))
    assert "core (PR-1) read 72.3 °C 0 min ago" in amber.text
    assert "Turn it within a day" in amber.remedy
    assert "steam" in amber.remedy
    assert amber.position == "core"
    (red,) = heat(steady(81))
    assert "81.0 °C" in red.text
    assert "chemical heating" in red.text
    assert "call the fire service" in red.remedy
    assert "Local fire rules" in red.remedy
    (black,) = heat(steady(92))
    assert "92.0 °C" in black.text
    assert black.remedy.startswith("Do not open or turn it: air feeds a fire.")
    assert "call the fire service" in black.remedy


@pytest.mark.parametrize(
    ("days", "values", "turned", "expected"),
    [
        # Above 70 Cel and rising 6 or 4 Cel a day over 12 h.
        (hourly(5.5, 6), lambda d: 70.1 + 6 * (d - 5.5), None, "danger"),
        (hourly(5.5, 6), lambda d: 70.1 + 4 * (d - 5.5), None, "caution"),
        # From 64 to 72 Cel in a day: 6 h above 70 Cel show the rise.
        (hourly(5, 6), lambda d: 64 + 8 * (d - 5), None, "danger"),
        # Heating up after a turn to just above 70 Cel is what a hot pile does.
        (hourly(5, 6), lambda d: 66 if d <= 5.5 else 40 + 61 * (d - 5.5), 5.5, "caution"),
        # By hand, a day apart.
        ([5, 6], [70.0, 75.1], None, "danger"),
        ([5, 6], [70.0, 75.0], None, "caution"),
        ([5, 6], [70.0, 75.1], 5.5, "caution"),
        ([5, 6], [60.0, 72.0], None, "caution"),
        ([3.9, 6], [70.0, 76.9], None, "caution"),
        ([5.9, 6], [70.0, 72.0], None, "caution"),
    ],
)
def test_a_fast_rise_above_seventy_is_a_danger(days, values, turned, expected):
    events = [] if turned is None else [an_event("turn", turned)]
    (sign,) = heat(a_series(days, values), events=events)
    assert (sign.code, sign.severity) == ("too_hot", expected)
    assert ("a day" in sign.text and "rising" in sign.text) == (expected == "danger")


def test_a_turn_after_the_reading_asks_for_another_reading_below_the_red_line_only():
    by_hand = a_series([5.0, 5.9], [71.0, 72.0])
    (sign,) = heat(by_hand, events=[an_event("turn", 5.95)])
    assert sign.severity == "info"
    assert "measure again" in sign.remedy
    (sign,) = heat(a_series([5.0, 5.9], [77.0, 78.0]), events=[an_event("turn", 5.95)])
    assert sign.severity == "danger"


@pytest.mark.parametrize(
    ("value", "days_ago", "events", "expected"),
    [
        (72, 1.5, [], ["too_hot"]),
        (72, 1.6, [], []),
        (78, 20, [], ["too_hot"]),
        (93, 20, [], ["fire_danger"]),
        (93, 1, [("close", 29)], ["fire_danger"]),
        (93, 20, [("close", 29)], []),
        (78, 20, [("release", 29)], []),
        (78, 1, [("release", 29)], ["too_hot"]),
    ],
)
def test_old_heat_speaks_while_the_pile_stands(value, days_ago, events, expected):
    last = 30 - days_ago
    record = [an_event(kind, at) for kind, at in events]
    found = heat(a_series([last - 0.1, last], [value - 1, value]), now=30, events=record)
    assert [sign.code for sign in found] == expected


def test_a_probe_taken_out_speaks_for_a_day_and_a_half():
    taken_out = a_series(hourly(3, 5), lambda _: 93.0, until=5.01)
    assert [sign.code for sign in heat(taken_out, now=6.4)] == ["fire_danger"]
    assert heat(taken_out, now=6.6) == []


@pytest.mark.parametrize(
    ("before", "value", "flag", "expected"),
    [
        # Range checks fail what is past 95 Cel; a fire looks just like it.
        (72, 98, 4, ["fire_danger"]),
        (88, 150, 4, ["fire_danger"]),
        (72, 131, 4, ["fire_danger"]),
        # 140 as degF is 60 Cel, which fits what was read before; 100 as degF is 38 Cel and does not.
        (60, 140, 4, ["unit_doubtful"]),
        (60, 100, 4, ["fire_danger"]),
        (30, 91, 3, ["unit_doubtful"]),
        (72, 91, 3, ["fire_danger"]),
        # Past any pile, or open circuit: the probe.
        (60, 850, 4, ["probe_failing"]),
        (60, -127, 4, ["probe_failing"]),
    ],
)
def test_a_failed_reading_may_be_a_fire_a_unit_or_a_probe(before, value, flag, expected):
    days = hourly(5, 6)
    values = [before - 0.3 * (i % 2) for i in range(len(days) - 1)]
    series = a_series(days, [*values, value], flags=[1] * len(values) + [flag])
    told = status(PileFacts(BUILT), [series], now=day(6))
    codes = [sign.code for sign in told.warnings if sign.code in {*HEAT, "unit_doubtful", "probe_failing"}]
    if before >= 70 and expected != ["fire_danger"]:
        expected = ["too_hot", *expected]
    assert codes == expected
    if expected == ["fire_danger"] and flag == 4:
        assert "probe may be broken" in told.warnings[0].text


def test_without_a_comparison_only_a_plain_fahrenheit_number_is_doubted():
    for value, expected in (
        (120, "unit_doubtful"),
        (170, "unit_doubtful"),
        (119, "fire_danger"),
        (171, "fire_danger"),
    ):
        told = status(PileFacts(BUILT), [a_series([5.9], [value], flags=[4])], now=day(6))
        assert told.warnings[0].code == expected
    doubt = status(PileFacts(BUILT), [a_series([5.9], [131], flags=[4])], now=day(6)).warnings[0]
    assert "131 Cel" in doubt.text
    assert "it would be 55.0 °C" in doubt.text
    assert "call the fire service" in doubt.remedy


def test_a_dry_pile_that_is_too_hot_is_told_so_until_it_is_watered():
    dry, water = an_event("observe", 5, moisture_feel="dry"), an_event("water", 5.5, volume_l=60)
    assert "dry and hot together" in heat(steady(74), events=[dry])[0].text
    assert "dry and hot together" not in heat(steady(74), events=[dry, water])[0].text


def test_a_sensor_that_has_just_been_powered_is_named_as_a_possibility():
    assert "just been powered" in heat(steady(85.0))[0].text
    assert "just been powered" not in heat(steady(85.1))[0].text


@given(st.floats(-29, 95), st.floats(-29, 95))
def test_more_heat_is_never_a_lesser_sign(first, second):
    rank = {"caution": 1, "danger": 2}
    low, high = sorted((first, second))

    def worst(value):
        return max(
            ((rank[s.severity], s.code == "fire_danger") for s in heat(steady(value))), default=(0, False)
        )

    assert worst(low) <= worst(high)
