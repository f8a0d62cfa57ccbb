"""What a probe that is silent, stuck or pulled out looks like; figures are common practice, no source."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from service.domain.piles import AirSeries, PileFacts, status
from service.domain.quantities import Unit
from tests.domain.piles.making import BUILT, a_series, an_event, day, hourly, life, us

CODES = {"silent_probe", "flat_line", "reads_like_air", "probe_failing", "unit_doubtful"}


def probe_signs(now, *series, air=None, events=()):
    found = status(PileFacts(BUILT, events=tuple(events)), series, now=day(now), air=air).warnings
    return [sign for sign in found if sign.code in CODES]


def codes(now, *series, **known):
    return [sign.code for sign in probe_signs(now, *series, **known)]


@pytest.mark.parametrize(
    ("step_h", "silent_h", "expected"),
    [
        (0.25, 5.9, []),
        (0.25, 6.1, ["silent_probe"]),
        (1, 6.1, ["silent_probe"]),
        (4, 11.9, []),
        (4, 12.1, ["silent_probe"]),
        (6, 18.1, ["silent_probe"]),
        (24, 35.9, []),
        (24, 36.1, ["silent_probe"]),
        (7, 35.9, []),
    ],
)
def test_silence_is_measured_by_the_rhythm_of_the_probe(step_h, silent_h, expected):
    days = [5 - i * step_h / 24 for i in reversed(range(round(72 / step_h)))]
    assert codes(5 + silent_h / 24, a_series(days, life)) == expected


def test_a_rhythm_that_was_told_beats_the_one_learned():
    sparse = a_series(hourly(2, 5, 24), life, interval=timedelta(hours=1))
    assert codes(5 + 7 / 24, sparse) == ["silent_probe"]
    dense = a_series(hourly(2, 5), life, interval=timedelta(hours=12))
    assert codes(5 + 30 / 24, dense) == []


def test_the_rhythm_is_that_of_late_not_of_the_first_days():
    slowed = a_series([*hourly(0, 1, 0.05), *hourly(1.25, 25, 5)], life)
    assert codes(25 + 14 / 24, slowed) == []
    assert codes(25 + 15.5 / 24, slowed) == ["silent_probe"]


@pytest.mark.parametrize(
    ("visits", "last", "expected"),
    [
        # A crew on Monday, Wednesday and Friday for three weeks: a weekend is no silence, missing Monday's is.
        (9, 2.95, []),
        (9, 3.6, ["silent_probe"]),
        # In its second week, Friday's reading last.
        (6, 2.95, []),
        (6, 3.6, ["silent_probe"]),
        # In its first week nobody knows yet whether it works at weekends, and it is given the benefit.
        (3, 2.95, []),
    ],
)
def test_a_crew_without_weekends_is_not_missed_on_sunday(visits, last, expected):
    days = [7 * week + weekday for week in range(3) for weekday in (0, 2, 4)][:visits]
    values = [55 + 3 * np.sin(d) for d in days]
    assert codes(days[-1] + last, a_series(days, values)) == expected


def test_what_a_person_excluded_was_heard_and_tells_nothing():
    days = hourly(2, 4)
    stuck = a_series(days, lambda _: 96.0, flags=[4] * len(days))
    excluded = replace(stuck, excluded=np.full(len(days), fill_value=True))
    assert next(sign.code for sign in status(PileFacts(BUILT), [stuck], now=day(4)).warnings) == "fire_danger"
    found = status(PileFacts(BUILT), [excluded], now=day(4))
    assert [sign.code for sign in found.warnings if sign.code in {"fire_danger", *CODES}] == []
    assert (found.latest[0].value, found.hottest) == (96.0, None)


def test_silence_names_age_limit_and_last_reading():
    (sign,) = probe_signs(5, a_series(hourly(2, 4), lambda d: 61.26 + 0.1 * d))
    assert "core (PR-1) last spoke 24 h ago; 6 h is the longest" in sign.text
    assert "61.7 °C" in sign.text
    assert "late readings count" in sign.remedy
    assert sign.position == "core"


def test_a_probe_that_never_spoke_is_silent_since_it_was_placed():
    (sign,) = probe_signs(3, a_series([], [], placed=1, interval=timedelta(minutes=15)))
    assert "was placed 2 days ago and has said nothing since" in sign.text
    assert codes(1.2, a_series([], [], placed=1, interval=timedelta(minutes=15))) == []
    assert codes(2.4, a_series([], [], placed=1)) == []


def test_missing_values_are_silence_and_failed_ones_are_not():
    days = hourly(2, 5)
    gone = a_series(days, lambda _: float("nan"), flags=[9] * len(days))
    assert codes(5, gone) == ["silent_probe"]
    failing = a_series(days, lambda _: -40.0, flags=[4] * len(days))
    assert codes(5, failing) == ["probe_failing"]


def test_a_probe_taken_out_is_neither_silent_nor_stuck():
    assert codes(9, a_series(hourly(0, 5), lambda _: 60.0, until=5.1)) == []


@pytest.mark.parametrize(
    ("events", "expected"),
    [
        ([], "caution"),
        ([an_event("move", 6, purpose="curing")], "info"),
        ([an_event("release", 6)], "info"),
        ([an_event("close", 6)], None),
    ],
)
def test_probes_matter_less_after_the_hot_phase(events, expected):
    found = probe_signs(9, a_series(hourly(2, 5), life), events=events)
    assert [sign.severity for sign in found] == ([expected] if expected else [])


@pytest.mark.parametrize(
    ("days", "values", "expected"),
    [
        (hourly(2, 4), lambda _: 61.0, ["flat_line"]),
        (hourly(2, 4), lambda d: 61.0 + 0.15 * (d - 2) / 2, ["flat_line"]),
        (hourly(2, 4), lambda d: 61.0 + 0.17 * (d - 2) / 2, []),
        (hourly(2.1, 4), lambda _: 61.0, []),
        (hourly(0, 4), lambda d: 61.0 if d > 1.9 else 20 + 20 * d, ["flat_line"]),
        (hourly(0, 4), lambda d: 61.0 if d > 2.1 else 20 + 20 * d, []),
        ([1, 2, 3, 4], [61.2, 61.2, 61.2, 61.2], ["flat_line"]),
        ([1, 2, 3, 4], [61.2, 61.2, 61.2, 61.3], []),
        ([2, 3, 4], [61.2, 61.2, 61.2], []),
        ([3, 3.3, 3.7, 4], [61.2, 61.2, 61.2, 61.2], []),
        # Whole degrees: four equal numbers are ordinary.
        ([1, 2, 3, 4], [61, 61, 61, 61], []),
    ],
)
def test_a_stuck_sensor_or_a_copied_number(days, values, expected):
    assert codes(4, a_series(days, values)) == expected


def air_of(first, last, temperature):
    days = hourly(first, last)
    return AirSeries(
        np.array([us(day(d)) for d in days], dtype=np.int64), np.array([temperature(d) for d in days])
    )


def weather(d):
    return 15 + 6 * np.sin(2 * np.pi * d)


@pytest.mark.parametrize(
    ("reading", "expected"),
    [
        (lambda d: weather(d) + 1.0, ["reads_like_air"]),
        (lambda d: weather(d) + 4.1, []),
        (lambda d: weather(d - 0.25), []),
        (life, []),
    ],
)
def test_a_probe_that_follows_the_air_was_pulled_out(reading, expected):
    assert codes(6, a_series(hourly(2, 6), reading), air=air_of(0, 6, weather)) == expected


def test_being_as_warm_as_the_air_is_not_following_it():
    def mild(d):
        return 15 + 1.5 * np.sin(2 * np.pi * d)

    air = air_of(0, 6, mild)
    assert codes(6, a_series(hourly(2, 6), lambda d: mild(d - 0.25)), air=air) == []
    assert codes(6, a_series(hourly(2, 6), lambda d: mild(d - 0.02)), air=air) == ["reads_like_air"]


def test_following_the_air_needs_most_of_a_day_to_compare():
    pulled = a_series(hourly(2, 6), weather)
    assert codes(6, pulled, air=air_of(5.5, 6, weather)) == []
    assert codes(6, pulled, air=air_of(0, 5.5, weather)) == []
    assert codes(6, pulled, air=air_of(5.1, 6, weather)) == ["reads_like_air"]
    assert codes(6, pulled, air=AirSeries(np.array([], dtype=np.int64), np.array([]))) == []


@pytest.mark.parametrize(
    ("before", "value", "unit", "expected"),
    [
        # Set to degF and sent as such, but the number was read in Cel: 61 degF is 16 Cel.
        (142.0, 61.0, Unit.DEG_F, ["unit_doubtful"]),
        (142.0, 40.0, Unit.DEG_F, []),
        (75.0, 61.0, Unit.DEG_F, []),
        (142.0, 131.0, Unit.DEG_F, []),
        (334.15, 61.0, Unit.KELVIN, []),
    ],
)
def test_celsius_sent_as_fahrenheit(before, value, unit, expected):
    days = hourly(5, 6)
    values = [before - 0.5 * (i % 2) for i in range(len(days) - 1)]
    assert codes(6, a_series(days, [*values, value], unit=unit)) == expected


def test_an_old_reading_is_no_comparison_for_a_unit():
    after_a_week = a_series([1, 2, 9], [60, 60.5, 140], flags=[1, 1, 4])
    assert codes(9, after_a_week) == ["unit_doubtful"]
    not_plain = a_series([1, 2, 9], [40, 40.5, 100], flags=[1, 1, 4])
    assert status(PileFacts(BUILT), [not_plain], now=day(9)).warnings[0].code == "fire_danger"
