"""Probes that have gone silent, stuck, or no longer sit in the pile: what they say is not the pile."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Final

import numpy as np

from service.domain.piles.heat_signs import BEYOND_ANY_PILE_C, BLACK_C
from service.domain.piles.series import FLAG_FAIL, AirSeries, Heard
from service.domain.piles.situation import Severity, Situation, WarningSign, ago

LOGGER_SILENT_INTERVALS: Final = 3.0
LOGGER_SILENT_H: Final = 6.0
HAND_SILENT_H: Final = 36.0
"""When silence is worth a walk; common practice, no source."""

FLAT_WITHIN_C: Final = 0.15
FLAT_LOGGER_H: Final = 48.0
FLAT_HAND_COUNT: Final = 4
FLAT_HAND_H: Final = 36.0
"""A stuck sensor, or a number copied from the line above. The test is the flat line test of the IOOS QARTOD
manuals; the figures are common practice, no source."""

AIR_WITHIN_C: Final = 4.0
AIR_CORRELATION: Final = 0.95
AIR_COMPARED_H: Final = 24.0
AIR_COMPARED_COUNT: Final = 12
"""When a probe follows the air so closely that it must have been pulled out; common practice, no source."""

_US_PER_H: Final = 3_600_000_000
_ROUND_OFF_C: Final = 1e-6
_MOST_OF_A_DAY: Final = 0.8


def probe_signs(situation: Situation) -> Iterator[WarningSign]:
    """Yield the signs of every probe in place; a caution while its readings are needed, then only information."""
    severity: Severity = "caution" if situation.stage in {"filling", "hot"} else "info"
    for one in situation.in_place:
        yield from _silent(one, severity)
        yield from _failing_or_wrong_unit(one)
        yield from _flat(one, severity)
        if situation.air is not None:
            yield from _reads_like_air(one, situation.air, severity)


def silent_after_h(one: Heard) -> float:
    """Return after how many hours silence is worth a walk [h].

    A logger: three of its own intervals, at least 6 h. Read by hand, or rhythm not known: 36 h.
    """
    if one.interval is None or not one.is_logger:
        return HAND_SILENT_H
    return max(LOGGER_SILENT_INTERVALS * (one.interval / timedelta(hours=1)), LOGGER_SILENT_H)


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
    elif one.flag[-1] == FLAG_FAIL and not BLACK_C <= told_c <= BEYOND_ANY_PILE_C:
        yield WarningSign(
            "probe_failing",
            "caution",
            f"{one.name} sent {unit}, which no pile can be; the reading is kept but counts for nothing.",
            "Check cable, plug and sensor, or put another probe there and record the change.",
            one.position,
        )


def _flat(one: Heard, severity: Severity) -> Iterator[WarningSign]:
    at, temperature_c = one.usable_us, one.usable_c
    if not at.size:
        return
    if one.is_logger:
        opens = int(at[-1]) - round(FLAT_LOGGER_H * _US_PER_H)
        first = int(np.searchsorted(at, opens, "right")) - 1
        fewest, span_h = 3, FLAT_LOGGER_H
    else:
        first, fewest, span_h = at.size - FLAT_HAND_COUNT, FLAT_HAND_COUNT, FLAT_HAND_H
    if first < 0 or at.size - first < fewest or at[-1] - at[first] < span_h * _US_PER_H:
        return
    spread_c = float(np.ptp(temperature_c[first:]))
    if spread_c > (FLAT_WITHIN_C if one.is_logger else 0.0) + _ROUND_OFF_C:
        return
    hours = (int(at[-1]) - int(at[first])) / _US_PER_H
    yield WarningSign(
        "flat_line",
        severity,
        f"{one.name} has told {temperature_c[-1]:.1f} °C for {hours:.0f} h, within {spread_c:.2f} °C: stuck, or"
        " copied. A pile moves more than that.",
        "Put a second thermometer beside it; replace the probe if they differ, and record the change.",
        one.position,
    )


def _reads_like_air(one: Heard, air: AirSeries, severity: Severity) -> Iterator[WarningSign]:
    if not one.usable_us.size or not air.observed_us.size:
        return
    opens = max(int(one.usable_us[-1]) - round(AIR_COMPARED_H * _US_PER_H), int(air.observed_us[0]))
    shared = (one.usable_us >= opens) & (one.usable_us <= air.observed_us[-1])
    at, told_c = one.usable_us[shared], one.usable_c[shared]
    if at.size < AIR_COMPARED_COUNT or at[-1] - at[0] < _MOST_OF_A_DAY * AIR_COMPARED_H * _US_PER_H:
        return
    air_c = np.interp(at, air.observed_us, air.temperature_c)
    apart_c = float(np.max(np.abs(told_c - air_c)))
    if apart_c > AIR_WITHIN_C or min(np.ptp(told_c), np.ptp(air_c)) < FLAT_WITHIN_C:
        return
    if np.corrcoef(told_c, air_c)[0, 1] <= AIR_CORRELATION:
        return
    yield WarningSign(
        "reads_like_air",
        severity,
        f"{one.name} has followed the air within {apart_c:.1f} °C over the last day: it was probably pulled out.",
        f"Put it back to its depth{_depth(one)} from the side, or end its placement at the time it came out.",
        one.position,
    )


def _depth(one: Heard) -> str:
    return "" if one.series.depth_cm is None else f" of {one.series.depth_cm:g} cm"
