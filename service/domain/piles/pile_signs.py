"""Signs of the pile itself: it does not heat, it cools too early, it is small, dry, wet or smells, or work is late."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from service.domain.piles.events import Event, of_kind
from service.domain.piles.history import fresh_material
from service.domain.piles.situation import HEARD_WITHIN_H, Severity, Situation, WarningSign, ago

WORKING_C: Final = 55.0
"""131 degF: what the published time-temperature rules ask for, 7 CFR 205.203(c)(2) among them."""
HEATS_WITHIN_DAYS: Final = 5.0
COOLING_BELOW_C: Final = 45.0
YOUNG_DAYS: Final = 14.0
REHEATS_WITHIN_H: Final = 48.0
"""A sound pile heats within 24 to 48 h (Raabe, rapid composting, University of California) and again after a turn;
the other figures are common practice, no source."""

SMALLEST_M3: Final = 1.0
"""Minimum about 1 m3 (after FAO, second-hand); Raabe asks for at least 36 in each way, 0.76 m3."""
FILLED_SHARE: Final = 0.8
"""Of what the pile was meant to be; common practice, no source."""

DRY_PCT: Final = 40.0
WET_PCT: Final = 65.0
"""Reasonable range of the On-Farm Composting Handbook, NRAES-54, Rynk et al. 1992, second-hand; Cornell says that
rates fall sharply below 35 to 40 % and virtually stop below 30 %."""
SEEN_HOLDS_DAYS: Final = 7.0
"""How long something felt or smelt speaks for the pile; common practice, no source."""

_LISTED_DATES: Final = 5


def pile_signs(situation: Situation) -> Iterator[WarningSign]:
    """Yield the signs of the pile itself, for any stage but ``planned`` and ``closed``."""
    if situation.stage == "hot":
        yield from _unmeasured(situation)
        yield from _not_heating_or_cooling(situation)
        yield from _small(situation)
    if situation.stage in {"filling", "hot", "curing"}:
        yield from _moisture(situation)
        yield from _smell(situation)


def work_signs(situation: Situation) -> Iterator[WarningSign]:
    """Yield what the record still needs: gaps that cost the verdict, turns that are not on record."""
    for risk in sorted(situation.risks, key=lambda risk: (risk.by, risk.rule, risk.position or "")):
        hours = (risk.by - situation.now) / timedelta(hours=1)
        when = f"by {risk.by:%Y-%m-%d %H:%M %Z}, in {hours:.0f} h" if hours > 0 else f"since {ago(-hours)}"
        yield WarningSign(
            "verdict_at_risk",
            "caution",
            f"{risk.rule}: {risk.text} ({when}).",
            "Take and send a reading of that position before then, by hand if the probe is silent."
            if hours > 0
            else "Send what the probe kept: late readings re-open the verdict. Otherwise plan for a new count.",
            risk.position,
        )
    if situation.missed_turns and situation.stage in {"hot", "curing"}:
        yield _missed_turns(situation)


def _missed_turns(situation: Situation) -> WarningSign:
    missed = sorted(situation.missed_turns)
    dates = ", ".join(str(day) for day in missed[-_LISTED_DATES:])
    if len(missed) > _LISTED_DATES:
        dates += f" and {len(missed) - _LISTED_DATES} earlier"
    count = f"{len(missed)} turns" if len(missed) > 1 else "1 turn"
    return WarningSign(
        "missed_turn",
        "caution" if situation.stage == "hot" else "info",
        f"{count} due and not on record: {dates}.",
        "If it was turned, record it with the time it was done; if not, turn it on the next crew day. A rule counts"
        " only the turns on record.",
    )


def _unmeasured(situation: Situation) -> Iterator[WarningSign]:
    if not situation.in_place and not situation.lately:
        yield WarningSign(
            "no_readings",
            "info",
            f"No probe stands in it and nothing was read in the last {HEARD_WITHIN_H:.0f} h.",
            "Place a probe in the core and one in the cooler outside, or read both by hand every day; probe from the"
            " side, never standing on the pile.",
        )


def _not_heating_or_cooling(situation: Situation) -> Iterator[WarningSign]:
    age_days, peak_c, hottest_c = situation.age_days, situation.peak_c, situation.hottest_now_c
    if age_days is None or peak_c is None or hottest_c is None:
        return
    if age_days >= HEATS_WITHIN_DAYS and peak_c < WORKING_C:
        yield WarningSign(
            "not_heating",
            "caution",
            f"{age_days:.1f} days after it was built or last loaded its highest reading is {peak_c:.1f} °C;"
            f" {WORKING_C:g} °C should come within {HEATS_WITHIN_DAYS:g} days.",
            _revive(situation),
        )
    elif age_days < YOUNG_DAYS and hottest_c < COOLING_BELOW_C <= peak_c and not _just_turned(situation):
        yield WarningSign(
            "cooling",
            "caution",
            f"Its hottest position is down to {hottest_c:.1f} °C from {peak_c:.1f} °C at an age of {age_days:.1f} days;"
            f" below {COOLING_BELOW_C:g} °C a pile this young has stalled.",
            _revive(situation),
        )


def _just_turned(situation: Situation) -> bool:
    return any(situation.now - at <= timedelta(hours=REHEATS_WITHIN_H) for at in situation.turns)


def _revive(situation: Situation) -> str:
    state = _moisture_state(situation)
    if state is not None and state[0] == "dry":
        cure = "It is dry: turn it and water it layer by layer until a handful feels like a wrung-out sponge."
    elif state is not None and state[0] == "wet":
        cure = "It is wet: turn it with dry, coarse brown material."
    else:
        cure = (
            "Squeeze a handful. If it crumbles, water while turning; if it drips, turn in dry, coarse brown"
            " material; if it feels right, turn in fresh green material."
        )
    if situation.built is not None and situation.built.volume_m3 < SMALLEST_M3:
        cure += (
            f" At {situation.built.volume_m3:.2f} m3 it may just be too small: put it together with another."
        )
    return cure + " Fresh material starts every time-temperature count again."


def _small(situation: Situation) -> Iterator[WarningSign]:
    if situation.built is None:
        return
    built_m3, target_m3 = situation.built.volume_m3, situation.target_m3
    faults = []
    if built_m3 < SMALLEST_M3:
        faults.append(f"below about {SMALLEST_M3:g} m3 a pile loses its heat faster than it makes it")
    if target_m3 is not None and built_m3 < FILLED_SHARE * target_m3:
        faults.append(
            f"that is {100 * built_m3 / target_m3:.0f} % of the {target_m3:.2f} m3 it was meant to be"
        )
    if not faults:
        return
    has_heated = situation.peak_c is not None and situation.peak_c >= WORKING_C
    yield WarningSign(
        "built_small",
        "info" if has_heated else "caution",
        f"Built with {built_m3:.2f} m3: {'; '.join(faults)}."
        + (f" It has reached {situation.peak_c:.1f} °C all the same." if has_heated else ""),
        "Put it together with another pile or add material, which starts every time-temperature count again, or cover"
        " it with straw or finished compost to keep the heat in.",
    )


def _moisture(situation: Situation) -> Iterator[WarningSign]:
    state = _moisture_state(situation)
    if state is None:
        return
    code, text = state
    remedy = (
        "Turn it and water it layer by layer with a soft spray until a handful feels like a wrung-out sponge; water"
        " poured on top runs off. Dry material dusts: damp it first and wear a P2 or FFP3 mask."
        if code == "dry"
        else "Turn it with dry, coarse brown material and cover it against rain; seepage must not reach a ditch."
    )
    yield WarningSign(code, "caution", text, remedy)


def _moisture_state(situation: Situation) -> tuple[str, str] | None:
    """Return ``dry`` or ``wet`` and the words for it; None when right, unknown, long ago or seen to since."""
    told = [event for event in situation.events if _moisture_told(event) is not None and event.kind != "load"]
    found = _latest_valid(situation, told)
    state = None if found is None else _moisture_told(found)
    if found is None or state is None or state[0] == "right":
        return None
    cures = (
        of_kind(situation.events, "water") if state[0] == "dry" else of_kind(situation.events, "turn", "load")
    )
    if any(event.at > found.at for event in cures):
        return None
    return state[0], f"{state[1]} {_since(situation, found.at)}."


def _moisture_told(event: Event) -> tuple[str, str] | None:
    if event.kind == "observe" and event.details.get("moisture_feel") is not None:
        feel = str(event.details["moisture_feel"])
        how = {"dry": "A handful crumbled (dry)", "wet": "A handful dripped (wet)"}
        return feel, how.get(feel, feel)
    moisture_pct = event.number("moisture_pct") if event.kind == "sample" else None
    if moisture_pct is None:
        return None
    words = f"A sample held {moisture_pct:.0f} % water, {DRY_PCT:g} to {WET_PCT:g} % works; taken"
    if moisture_pct < DRY_PCT:
        return "dry", words
    return ("wet" if moisture_pct > WET_PCT else "right"), words


def _smell(situation: Situation) -> Iterator[WarningSign]:
    told = [event for event in of_kind(situation.events, "observe") if event.details.get("smell") is not None]
    found = _latest_valid(situation, told)
    if found is None:
        return
    smell, when = found.details["smell"], _since(situation, found.at)
    severity: Severity = "caution"
    if smell == "ammonia" and not any(at > found.at for at in fresh_material(situation.events)):
        yield WarningSign(
            "ammonia",
            severity,
            f"It smelt of ammonia {when}: nitrogen is leaving, the mix holds too much of it for its carbon.",
            "Turn in dry, coarse carbon such as straw, dry leaves or wood chips, and let it vent before you lean over"
            " it; the gas stings eyes and lungs. Fresh material starts every time-temperature count again.",
        )
    if smell == "sour" and not any(at > found.at for at in situation.turns):
        yield WarningSign(
            "sour",
            severity,
            f"It smelt sour {when}: it is short of air, mostly because it is wet or packed.",
            "Turn it and open it up with coarse, dry material; keep it covered against rain.",
        )


def _latest_valid(situation: Situation, told: list[Event]) -> Event | None:
    if not told or situation.now - told[-1].at > timedelta(days=SEEN_HOLDS_DAYS):
        return None
    return told[-1]


def _since(situation: Situation, at: datetime) -> str:
    return ago(max(0.0, (situation.now - at) / timedelta(hours=1)))
