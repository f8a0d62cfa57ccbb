"""Probes that have gone silent, stuck, or no longer sit in the pile: what they say is not the pile."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

import numpy as np

from service.domain.piles.heat_signs import BEYOND_ANY_PILE_C, BLACK_C
from service.domain.piles.series import FLAG_FAIL, AirSeries, Heard
from service.domain.piles.situation import Severity, Situation, WarningSign, ago
from service.domain.quantities import QualityFlag, Unit
from service.domain.readings.quality import (
    AIR_COMPARED_H,
    ReadSeries,
    Track,
    air_at,
    flat_line,
    follows_air,
    track,
)
from service.domain.readings.silence import expected_within_s

LOGGER_SILENT_INTERVALS: Final = 3.0
LOGGER_SILENT_H: Final = 6.0
HAND_SILENT_H: Final = 36.0
"""When silence is worth a walk at the least; common practice, no source."""

_US_PER_H: Final = 3_600_000_000
_S_PER_H: Final = 3_600.0


def probe_signs(situation: Situation) -> Iterator[WarningSign]:
    """Yield the signs of every probe in place; a caution while its readings are needed, then only information."""
    severity: Severity = "caution" if situation.stage in {"filling", "hot"} else "info"
    air = None if situation.air is None else _track_of(situation.air)
    for one in situation.in_place:
        yield from _silent(one, severity)
        yield from _failing_or_wrong_unit(one)
        yield from _flat(one, severity)
        if air is not None:
            yield from _reads_like_air(one, air, severity)


def silent_after_h(one: Heard) -> float:
    """Return after how many hours silence is worth a walk [h].

    A logger: three of its own intervals, at least 6 h. Read by hand, or rhythm not known: 36 h. Longer where it used
    to be heard more seldom, at weekends for instance, unless its interval was told.
    """
    least_h = HAND_SILENT_H
    if one.interval is not None and one.is_logger:
        least_h = max(LOGGER_SILENT_INTERVALS * (one.interval / timedelta(hours=1)), LOGGER_SILENT_H)
    if one.series.expected_interval is not None:
        return least_h
    learned_s = expected_within_s(one.at_us, None).seconds
    return least_h if learned_s is None else max(least_h, learned_s / _S_PER_H)


def _silent(one: Heard, severity: Severity) -> Iterator[WarningSign]:
    limit_h = silent_after_h(one)
    if one.silent_h <= limit_h:
        return
    if not one.at_us.size:
        text = f"{one.name} was placed {ago(one.silent_h)} and has said nothing since."
    else:
        text = (
            f"{one.name} last spoke {ago(one.silent_h)}; {limit_h:.0f} h is the longest it should be silent."
        )
        if one.sound_c is not None:
            text += f" Its last sound reading was {one.sound_c:.1f} °C."
    remedy = (
        "Check battery, gateway and cable and send what it kept: late readings count. Until then read that position"
        " by hand at least once a day, from the side, never standing on the pile."
        if one.is_logger
        else "Read it today and record the time it was read; a gap cannot be filled in afterwards."
    )
    yield WarningSign("silent_probe", severity, text, remedy, one.position)


def _failing_or_wrong_unit(one: Heard) -> Iterator[WarningSign]:
    if not one.at_us.size:
        return
    told_c, unit = float(one.temperature_c[-1]), one.recorded(-1)
    if one.would_be_c is not None:
        other = "°C" if unit.endswith("[degF]") else "°F"
        yield WarningSign(
            "unit_doubtful",
            "caution",
            f"{one.name} sent {unit}, which is {told_c:.1f} °C; had it been read in {other} it would be"
            f" {one.would_be_c:.1f} °C and fit.",
            "Look at the instrument and set its unit or the gateway's; what was sent stays on record as sent. If it"
            f" truly is {told_c:.0f} °C and that is {BLACK_C:g} °C or more, do not open the pile and call the fire"
            " service.",
            one.position,
        )
    elif one.flag[-1] == FLAG_FAIL and not one.excluded[-1] and not BLACK_C <= told_c <= BEYOND_ANY_PILE_C:
        yield WarningSign(
            "probe_failing",
            "caution",
            f"{one.name} sent {unit}, which no pile can be; the reading is kept but counts for nothing.",
            "Check cable, plug and sensor, or put another probe there and record the change.",
            one.position,
        )


def _flat(one: Heard, severity: Severity) -> Iterator[WarningSign]:
    flat = flat_line(one.track)
    if not flat.size or not flat[-1]:
        return
    moved = np.flatnonzero(~flat)
    first = int(moved[-1]) + 1 if moved.size else 0
    temperature_c = one.track.temperature_c[first:]
    hours = (int(one.track.at_us[-1]) - int(one.track.at_us[first])) / _US_PER_H
    yield WarningSign(
        "flat_line",
        severity,
        f"{one.name} has told {temperature_c[-1]:.1f} °C for {hours:.0f} h, within {np.ptp(temperature_c):.2f} °C:"
        " stuck, or copied. A pile moves more than that.",
        "Put a second thermometer beside it; replace the probe if they differ, and record the change.",
        one.position,
    )


def _reads_like_air(one: Heard, air: Track, severity: Severity) -> Iterator[WarningSign]:
    follows = follows_air(one.track, air)
    if not follows.size or not follows[-1]:
        return
    lately = one.track.at_us >= one.track.at_us[-1] - round(AIR_COMPARED_H * _US_PER_H)
    at, told_c = one.track.at_us[lately], one.track.temperature_c[lately]
    apart_c = float(np.nanmax(np.abs(told_c - air_at(at, air))))
    yield WarningSign(
        "reads_like_air",
        severity,
        f"{one.name} has followed the air within {apart_c:.1f} °C over the last day: it was probably pulled out.",
        f"Put it back to its depth{_depth(one)} from the side, or end its placement at the time it came out.",
        one.position,
    )


def _track_of(air: AirSeries) -> Track:
    n = air.observed_us.size
    series = ReadSeries(
        air.observed_us,
        air.temperature_c,
        np.full(n, Unit.CEL, np.int16),
        np.full(n, QualityFlag.GOOD, np.int16),
    )
    return track(series, series.flag)


def _depth(one: Heard) -> str:
    return "" if one.series.depth_cm is None else f" of {one.series.depth_cm:g} cm"
