"""Too hot: from biology that kills itself to a pile that may burn. These signs are about people first."""

from collections.abc import Iterator
from typing import Final

import numpy as np

from service.domain.piles.events import of_kind
from service.domain.piles.series import FLAG_FAIL, Heard, to_us
from service.domain.piles.situation import HEARD_WITHIN_H, Severity, Situation, WarningSign, ago
from service.domain.piles.trend import FEWEST_READINGS, TREND_WINDOW_H, trend_c_per_day
from service.domain.quantities import Unit

AMBER_C: Final = 70.0
"""Biology alone can take a pile from 70 to 80 Cel (Naylor, BioCycle 2004); above it microbial diversity falls."""
RED_C: Final = 77.0
"""170 degF, the ceiling in 7 CFR 205.203(c)(2), rounded; as an alarm a suggestion, from memory."""
CHEMICAL_C: Final = 80.0
"""Chemical heating may take over; a suggestion, from memory."""
BLACK_C: Final = 90.0
"""Just under the 93 Cel (200 degF) commonly quoted for spontaneous combustion; a suggestion, from memory."""
FAST_RISE_C_PER_DAY: Final = 5.0
"""Above 70 Cel; a suggestion, from memory."""
BEYOND_ANY_PILE_C: Final = 300.0
"""A dry core can smoulder at 150 Cel and more; past 300 Cel it is the probe. Common practice, no source."""

_POWER_ON_C: Final = 85.0
"""What a DS18B20 sensor tells before its first conversion (its data sheet, power-on reset value)."""
_RISE_SPAN_H: Final = (6.0, 48.0)
"""Shorter, the last digit of a reading looks like a rise; common practice, no source."""
_US_PER_H: Final = 3_600_000_000
_LOCAL: Final = "Local fire rules and the fire service come first."


def heat_signs(situation: Situation) -> Iterator[WarningSign]:
    """Yield one sign per position that is at 70 Cel or more, whatever the stage.

    A reading older than 36 h still speaks from 77 Cel up while the pile stands unreleased: silence after such heat
    is no comfort.

    A reading that failed its range check still counts from 90 Cel up, unless its unit is in doubt: a broken probe
    and a fire look alike from the office.
    """
    for one in situation.standing:
        place = _telling_reading(one)
        if place is None:
            continue
        temperature_c = float(one.temperature_c[place])
        is_old = one.age_h(place) > HEARD_WITHIN_H
        if is_old and (temperature_c < RED_C or situation.stage in {"ready", "closed"}):
            continue
        if temperature_c >= BLACK_C:
            yield _fire(situation, one, place)
        elif temperature_c >= AMBER_C:
            yield _too_hot(situation, one, place)


def rise_c_per_day(one: Heard, situation: Situation) -> float | None:
    """Return how fast a position rises while it is at 70 Cel or more [Cel/d].

    Only readings from 70 Cel up count, so that a pile that heats up after its build or a turn is no alarm. The
    slope is that of the last 24 h over at least 6 h, else of the last two readings if they are at most 48 h apart;
    None across a turn, or when the unit of the latest reading is in doubt.
    """
    hot = one.usable_c >= AMBER_C
    at, hot_c = one.usable_us[hot], one.usable_c[hot]
    if one.would_be_c is not None or not at.size or not hot[-1]:
        return None
    opens = max([situation.now_us - round(TREND_WINDOW_H * _US_PER_H), *situation.turns_us])
    recent = at[np.searchsorted(at, opens, "right") :]
    if recent.size >= FEWEST_READINGS and recent[-1] - recent[0] >= _RISE_SPAN_H[0] * _US_PER_H:
        return trend_c_per_day(at, hot_c, now_us=situation.now_us, turns_us=situation.turns_us)
    return _rise_of_last_two(one, situation) if at.size > 1 and hot[-2] else None


def _rise_of_last_two(one: Heard, situation: Situation) -> float | None:
    before_us, last_us = (int(at) for at in one.usable_us[-2:])
    hours = (last_us - before_us) / _US_PER_H
    turned = any(before_us <= at <= last_us for at in situation.turns_us)
    if turned or not _RISE_SPAN_H[0] <= hours <= _RISE_SPAN_H[1]:
        return None
    return float(one.usable_c[-1] - one.usable_c[-2]) / hours * 24


def _telling_reading(one: Heard) -> int | None:
    """Return the place of the reading that speaks for the position, None when none does."""
    if not one.at_us.size:
        return None
    could_burn = BLACK_C <= float(one.temperature_c[-1]) <= BEYOND_ANY_PILE_C and not one.excluded[-1]
    return one.at_us.size - 1 if one.would_be_c is None and could_burn else one.sound_place


def _fire(situation: Situation, one: Heard, place: int) -> WarningSign:
    text = f"{_reads(one, place)}: {BLACK_C:g} °C or more can be the start of a fire."
    if one.flag[place] == FLAG_FAIL:
        text += " The probe may be broken; until someone has looked from a safe distance, take it for a fire."
    return WarningSign(
        "fire_danger",
        "danger",
        text + _if_dry(situation),
        "Do not open or turn it: air feeds a fire. Keep people and animals away and upwind, call the fire service,"
        " keep water and a loader ready, and never stand or drive on it.",
        one.position,
    )


def _too_hot(situation: Situation, one: Heard, place: int) -> WarningSign:
    temperature_c, rise = float(one.temperature_c[place]), rise_c_per_day(one, situation)
    text = _reads(one, place)
    fast = rise is not None and rise > FAST_RISE_C_PER_DAY
    if temperature_c >= RED_C or fast:
        text += f": {RED_C:g} °C or more" if temperature_c >= RED_C else f": above {AMBER_C:g} °C"
        text += f", rising {rise:.1f} °C a day." if fast else "."
        if temperature_c >= CHEMICAL_C:
            text += f" From {CHEMICAL_C:g} °C chemical heating may take over from the microbes."
        remedy = (
            "If it smokes, smells burnt or has passed 90 °C leave it shut, keep away and call the fire service."
            " Otherwise cool it today: open it from the side in small parts, wind at your back, wet it and spread it"
            " lower, water and a second person at hand; measure again within hours. " + _LOCAL
        )
        return WarningSign("too_hot", "danger", text + _if_dry(situation), remedy, one.position)
    text += (
        f": at {AMBER_C:g} °C and more the microbes that do the work die off and nitrogen leaves as ammonia."
    )
    severity: Severity = "caution"
    remedy = (
        "Turn it within a day and water it if it is dry, or make it lower. Open it from the side, let the steam out"
        " before you lean over it, wear gloves; a probe stem out of it burns."
    )
    if any(at > int(one.at_us[place]) for at in situation.turns_us):
        severity, remedy = "info", "It has been turned since: measure again before you do more."
    return WarningSign("too_hot", severity, text + _if_dry(situation), remedy, one.position)


def _reads(one: Heard, place: int) -> str:
    temperature_c = float(one.temperature_c[place])
    text = f"{one.name} read {temperature_c:.1f} °C {ago(one.age_h(place))}"
    if one.value[place] == _POWER_ON_C and one.unit[place] == Unit.CEL:
        text += " (85 °C to the digit is also what a DS18B20 sensor tells when it has just been powered)"
    return text


def _if_dry(situation: Situation) -> str:
    """Add that it felt dry: water that leaves while heat rises is the pattern before fires (from memory)."""
    feels = [
        event
        for event in of_kind(situation.events, "observe")
        if event.details.get("moisture_feel") is not None
    ]
    if not feels or feels[-1].details["moisture_feel"] != "dry":
        return ""
    watered = of_kind(situation.events, "water")
    if watered and watered[-1].at > feels[-1].at:
        return ""
    felt_h = max(0.0, (situation.now_us - to_us(feels[-1].at)) / _US_PER_H)
    return f" It felt dry {ago(felt_h)}: dry and hot together are how piles catch fire."
