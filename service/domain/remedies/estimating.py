"""The present state of a pile, reckoned from what was put on and what happened since."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

from service.domain.published import Estimate, Unknown, plain
from service.domain.recipes.analyses import SQUEEZE_MOISTURE_PCT, SQUEEZE_PLUS_MINUS

from .ageing import Aged, Course, Felt, aged
from .figures import FIGURES
from .parts import Part
from .state import Assumption, MoistureFrom, PresentState, Structure, assumed

_SAME_DAY: Final = 1.0
SQUEEZE_SOURCE: Final = (
    "a hand misjudges moisture by up to ten points (a compost operation's page on moisture management), second-hand;"
    " dry is taken as 40 %, right as 55 %, wet as 65 %, common practice, no source"
)


@dataclass(frozen=True, slots=True)
class Seen:
    """A volume that was told by the crew (``measured``), or that follows from what was put on (``loads``)."""

    volume_m3: float
    day: float
    basis: Literal["measured", "loads"]


@dataclass(frozen=True, slots=True)
class Sampled:
    """What a sample of the working pile showed beside its moisture; ``None`` where it did not."""

    day: float
    carbon_nitrogen_ratio: float | None = None
    nitrogen_pct: float | None = None


def squeezed(feel: str, day: float, basis: MoistureFrom = "squeeze") -> Felt:
    """Return what a handful felt like as a moisture, within ten points."""
    return Felt(day, SQUEEZE_MOISTURE_PCT[feel], SQUEEZE_PLUS_MINUS, basis)


def estimate(
    parts: Sequence[Part],
    course: Course,
    structure: Structure,
    *,
    seen: Seen | None = None,
    sampled: Sampled | None = None,
) -> PresentState:
    """Estimate what a pile is now from what was put on and what happened since.

    Parameters
    ----------
    parts
        What came on, the build first; at least one.
    course
        What happened since, moistures that were measured among it.
    structure
        What holds it open.
    seen
        Its volume when it was last told; ``None``: as it settles from what was put on.
    sampled
        A sample of the pile at work.

    Returns
    -------
    PresentState
        Every figure with its range and what it rests on.
    """
    found = aged(parts, course, structure)
    carbon, nitrogen = found.carbon_kg, _nitrogen(parts, found)
    if sampled is not None and carbon is not None:
        nitrogen = _by_sample(sampled, carbon, found.dry_kg) or nitrogen
    volume = _volume(parts, course, structure, found, seen)
    ratio = None if carbon is None or nitrogen is None or nitrogen.low <= 0 else _over(carbon, nitrogen)
    unknown = [
        *_unknown_ratio(carbon, nitrogen),
        *(() if volume else [Unknown("volume_m3", "no volume is on record; tell its height or volume")]),
    ]
    return PresentState(
        mass_kg=_sum(found.dry_kg, found.water_kg),
        dry_mass_kg=found.dry_kg,
        moisture_pct=found.moisture_pct,
        moisture_from=course.felt[-1].basis if course.felt else "estimate",
        carbon_pct=_pct(carbon, found.dry_kg),
        nitrogen_pct=_pct(nitrogen, found.dry_kg),
        carbon_nitrogen_ratio=ratio,
        volume_m3=volume,
        gone_share=found.gone_share,
        dry_matter_lost_pct=_lost_pct(found),
        structure=structure,
        assumptions=tuple(_assumptions(parts, course, structure, seen, sampled)),
        unknown=tuple(unknown),
    )


def _lost_pct(found: Aged) -> Estimate:
    whole = found.dry_put_on_kg
    low, value, high = (
        100 * (1 - kg / whole) for kg in (found.dry_kg.high, found.dry_kg.value, found.dry_kg.low)
    )
    return Estimate(value, low, high)


def _nitrogen(parts: Sequence[Part], found: Aged) -> Estimate | None:
    """Return the nitrogen left: the leaner in carbon the mix was, the more has gone, as its solids went."""
    held = [part.nitrogen_kg for part in parts]
    if None in held:
        return None
    total = sum(one or 0.0 for one in held)
    carbon = [part.carbon_kg for part in parts]
    ratio = None if None in carbon or not total else sum(one or 0.0 for one in carbon) / total
    lost = FIGURES[f"nitrogen_lost_{_risk(ratio)}"]
    # it goes early, with the quick part of the solids
    done = min(1.0, 2 * found.gone_share.value)
    return Estimate(
        total * (1 - lost.value * done), total * (1 - lost.most * done), total * (1 - lost.least * done)
    )


def _risk(ratio: float | None) -> str:
    if ratio is None or 20 <= ratio < 25:  # noqa: PLR2004 - the bands of the figures' own sources
        return "raised"
    return "high" if ratio < 20 else "low"  # noqa: PLR2004 - as above


def _by_sample(sampled: Sampled, carbon: Estimate, dry: Estimate) -> Estimate | None:
    off = FIGURES["sample_share"].value
    value = None
    if sampled.carbon_nitrogen_ratio is not None:
        value = carbon.value / sampled.carbon_nitrogen_ratio
    elif sampled.nitrogen_pct is not None:
        value = dry.value * sampled.nitrogen_pct / 100
    return None if not value else Estimate(value, value * (1 - off), value * (1 + off))


def _over(carbon: Estimate, nitrogen: Estimate) -> Estimate:
    return Estimate(carbon.value / nitrogen.value, carbon.low / nitrogen.high, carbon.high / nitrogen.low)


def _sum(one: Estimate, other: Estimate) -> Estimate:
    return Estimate(one.value + other.value, one.low + other.low, one.high + other.high)


def _pct(part: Estimate | None, dry: Estimate) -> Estimate | None:
    if part is None or not dry.low > 0:
        return None
    # both fall together, so that their ends belong to one another
    ends = sorted(100 * kg / of for kg, of in ((part.low, dry.low), (part.high, dry.high)))
    value = 100 * part.value / dry.value
    return Estimate(value, min(value, ends[0]), max(value, ends[1]))


def _unknown_ratio(carbon: Estimate | None, nitrogen: Estimate | None) -> Iterator[Unknown]:
    if carbon is None or nitrogen is None:
        lacking = " and ".join(
            name for name, one in (("carbon", carbon), ("nitrogen", nitrogen)) if one is None
        )
        because = (
            f"the {lacking} of something put on is not known; give its figures, or have a sample analysed"
        )
        yield Unknown("carbon_nitrogen_ratio", because)


def _volume(
    parts: Sequence[Part], course: Course, structure: Structure, found: Aged, seen: Seen | None
) -> Estimate | None:
    off = FIGURES["measured_volume_share"].value
    if seen is not None and seen.basis == "measured":
        volume = seen.volume_m3
        if course.now_day - seen.day > _SAME_DAY:
            then = aged(
                [part for part in parts if part.at_day <= seen.day] or parts,
                replace(
                    course,
                    now_day=seen.day,
                    turns=tuple(day for day in course.turns if day <= seen.day),
                    watered=tuple(one for one in course.watered if one[0] <= seen.day),
                    felt=tuple(one for one in course.felt if one.day <= seen.day),
                ),
                structure,
            )
            volume *= min(1.0, found.dry_kg.value / then.dry_kg.value)
        return Estimate(volume, volume * (1 - off), volume * (1 + off))
    settled = [part.settled_m3 for part in parts]
    whole = (
        seen.volume_m3 if seen is not None else None if None in settled else sum(one or 0 for one in settled)
    )
    if not whole:
        return None
    return _settled(whole, course, found)


def _settled(whole_m3: float, course: Course, found: Aged) -> Estimate:
    since = course.now_day - max((day for day in course.turns if day <= course.now_day), default=0.0)
    share = FIGURES["settled_share"].value
    stands = 1 - share + share * math.exp(-since / FIGURES["settling_days"].value)
    left = [kg / found.dry_put_on_kg for kg in (found.dry_kg.value, found.dry_kg.low, found.dry_kg.high)]
    return Estimate(
        whole_m3 * left[0] * stands, whole_m3 * left[1] * (1 - share), min(whole_m3, whole_m3 * left[2])
    )


def _assumptions(
    parts: Sequence[Part],
    course: Course,
    structure: Structure,
    seen: Seen | None,
    sampled: Sampled | None,
) -> Iterator[Assumption]:
    told = course.pace.seen_share
    basis = (
        f"Temperatures tell {told:.0%} of its {course.now_day:.0f} days; the rest is the usual course."
        if told
        else f"No temperatures tell how it worked in its {course.now_day:.0f} days: the usual course of a hot pile."
    )
    yield assumed("gone_share", basis, "thirty_days", "later_per_day", "working_share")
    if any(part.is_usual for part in parts):
        yield assumed(
            "gone_share", "The usual share of the dry matter is biodegradable.", "degradable_of_dry"
        )
    yield assumed(
        "moisture_pct",
        "A share of its heat dries it; rain is not counted, and water beyond what it holds ran off.",
        "heat_mj_per_kg",
        "evaporated_share",
        "latent_mj_per_kg",
        "metabolic_water",
        "lost_per_turn",
        "driest_pct",
    )
    if course.felt:
        last = course.felt[-1]
        how = {"sample": "a sample", "symptom": "what was just told of it"}.get(
            last.basis, "a squeezed handful"
        )
        yield Assumption(
            "moisture_pct",
            f"Put right on day {last.day:.0f} by {how}: {plain(last.moisture_pct)} %, give or take"
            f" {plain(last.plus_minus)} points.",
            FIGURES["sample_points"].credit if last.basis == "sample" else SQUEEZE_SOURCE,
        )
    yield assumed("structure", f"Held open as {structure} material is.", f"holds_{structure}_pct")
    yield assumed(
        "nitrogen_pct",
        "Some nitrogen has left, the more the less carbon there was to it.",
        "nitrogen_lost_low",
        "nitrogen_lost_raised",
        "nitrogen_lost_high",
    )
    if sampled is not None:
        yield assumed(
            "carbon_nitrogen_ratio", f"A sample of day {sampled.day:.0f} tells its nitrogen.", "sample_share"
        )
    if seen is not None and seen.basis == "measured":
        yield assumed(
            "volume_m3",
            f"Told on day {seen.day:.0f}, less what has rotted since.",
            "measured_volume_share",
        )
    else:
        yield assumed("volume_m3", "As it settles from what was put on.", "settled_share", "settling_days")
