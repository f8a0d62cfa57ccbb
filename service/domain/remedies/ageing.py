"""What has become of a pile since it was built: first-order loss of solids, drying, watering, what was measured."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Final

from service.domain.published import Estimate, Figure
from service.domain.recipes.outlook.oxygen import decayed_share
from service.domain.recipes.outlook.process import PROCESS

from .figures import FIGURES
from .pace import Pace
from .parts import Part
from .state import MoistureFrom, Structure

_PACE: Final = tuple(
    part / FIGURES["thirty_days"].value
    for part in (FIGURES["thirty_days"].value, FIGURES["thirty_days"].least, FIGURES["thirty_days"].most)
)
"""The usual course, and how much slower or quicker it may be."""


@dataclass(frozen=True, slots=True)
class Felt:
    """A moisture that was measured or felt: when [d], % of wet mass, how far off it may be [points]."""

    day: float
    moisture_pct: float
    plus_minus: float
    basis: MoistureFrom


@dataclass(frozen=True, slots=True)
class Course:
    """What happened to a pile, in days since its build.

    Attributes
    ----------
    now_day
        Its age.
    pace
        How fast it worked.
    turns
        When it was turned.
    watered
        When and how much water was given [L].
    felt
        Moistures measured, in order; each puts the reckoning right from there on.
    decay
        ``slow``, ``medium`` or ``fast``: how quick its materials are.
    """

    now_day: float
    pace: Pace
    turns: tuple[float, ...] = ()
    watered: tuple[tuple[float, float], ...] = ()
    felt: tuple[Felt, ...] = ()
    decay: str = "medium"


@dataclass(frozen=True, slots=True)
class Aged:
    """What is left, each with its range [kg]; ``None`` where it was not known at the build.

    Attributes
    ----------
    dry_kg, water_kg, moisture_pct
        Dry matter, water, % of wet mass.
    gone_share
        Of the biodegradable solids that were put on.
    carbon_kg
        What is left of it.
    dry_put_on_kg
        Dry matter that was put on.
    """

    dry_kg: Estimate
    water_kg: Estimate
    moisture_pct: Estimate
    gone_share: Estimate
    carbon_kg: Estimate | None
    dry_put_on_kg: float


@dataclass(frozen=True, slots=True)
class _Case:
    """One corner of what is not known: 0 the best estimate, 1 the low, 2 the high end of each."""

    pace: int = 0
    degradable: int = 0
    evaporated: int = 0
    felt: int = 0


@dataclass(frozen=True, slots=True)
class _End:
    dry_kg: float
    water_kg: float
    lost_kg: float
    degradable_kg: float


def gone_share(part: Part, until_day: float, course: Course, *, quicker: float = 1.0) -> float:
    """Return the share of a part's biodegradable solids that has gone by a day.

    Parameters
    ----------
    part
        What came on.
    until_day
        Days since the build.
    course
        Pace and turns.
    quicker
        How much quicker than the pace.

    Returns
    -------
    float
        Two first-order pools; a share is locked inside pieces until turns lay it open, bit by bit.

    References
    ----------
    [1] Two-zone model with constants chosen so that curves look right; low confidence.
    """

    def worth(since: float) -> float:
        return quicker * course.pace.between(since, until_day)

    gone = decayed_share(PROCESS[f"fast_share_{course.decay}"].value, worth(part.at_day))
    locked = PROCESS["locked_share"].value
    opened_share, open_from_start = PROCESS["unlocked_per_turn"].value, 1 - locked
    for turn in course.turns:
        if part.at_day < turn <= until_day:
            opened = opened_share * locked
            locked -= opened
            gone += opened * decayed_share(PROCESS["unlocked_fast_part"].value, worth(turn)) / open_from_start
    return gone


def aged(parts: Sequence[Part], course: Course, structure: Structure) -> Aged:
    """Reckon what is left of a pile.

    Parameters
    ----------
    parts
        What came on, the build first; at least one.
    course
        What happened since.
    structure
        What holds it open: water beyond what that holds runs off.

    Returns
    -------
    Aged
        Best estimates, with the range over every combination of the ends of what is assumed. Ash stays; solids go as
        carbon dioxide and water; a share of their heat evaporates water. Rain is not counted.

    References
    ----------
    [1] Haug 1993, The Practical Handbook of Compost Engineering: heat of decay, metabolic water. Second-hand.
    """
    marks = sorted({*_marks(parts, course), course.now_day})
    table = [
        [[gone_share(part, mark, course, quicker=pace) for mark in marks] for part in parts] for pace in _PACE
    ]
    first = _run(parts, course, structure, marks, table, _Case())
    felt = (1, 2) if course.felt else (0,)
    ends = [
        _run(parts, course, structure, marks, table, _Case(*corner))
        for corner in product((1, 2), (1, 2), (1, 2), felt)
    ]
    return Aged(
        _spread(first.dry_kg, [end.dry_kg for end in ends]),
        _spread(first.water_kg, [end.water_kg for end in ends]),
        _spread(_moisture(first), [_moisture(end) for end in ends]),
        _spread(_gone(first), [_gone(end) for end in ends]),
        _carbon(parts, first, ends),
        sum(part.dry_kg for part in parts),
    )


def _marks(parts: Sequence[Part], course: Course) -> Iterator[float]:
    yield 0.0
    yield from (part.at_day for part in parts)
    yield from course.turns
    yield from (day for day, _ in course.watered)
    yield from (one.day for one in course.felt)


def _run(
    parts: Sequence[Part],
    course: Course,
    structure: Structure,
    marks: Sequence[float],
    table: Sequence[Sequence[Sequence[float]]],
    case: _Case,
) -> _End:
    degradable = [_end(part.degradable_kg, case.degradable) for part in parts]
    dries = (
        _of(FIGURES["evaporated_share"], case.evaporated)
        * FIGURES["heat_mj_per_kg"].value
        / FIGURES["latent_mj_per_kg"].value
    )
    holds, water, lost_before = ratio_of(FIGURES[f"holds_{structure}_pct"].value), 0.0, 0.0
    dry = lost = 0.0
    for place, mark in enumerate(marks):
        here = [index for index, part in enumerate(parts) if part.at_day <= mark]
        lost = sum(degradable[index] * table[case.pace][index][place] for index in here)
        more, lost_before = lost - lost_before, lost
        dry = sum(parts[index].dry_kg for index in here) - lost
        water += more * FIGURES["metabolic_water"].value
        water = _dried(water, more * dries, dry)
        for index in here:
            if parts[index].at_day == mark:
                water += parts[index].mass_kg - parts[index].dry_kg
        if mark in course.turns:
            water *= 1 - FIGURES["lost_per_turn"].value
        for day, litres in course.watered:
            if day == mark:
                water = max(water, min(water + litres, holds * dry))
        for felt in course.felt:
            if felt.day == mark:
                water = dry * ratio_of(_felt_pct(felt, case.felt))
    return _End(dry, water, lost, sum(degradable))


def _dried(water_kg: float, evaporated_kg: float, dry_kg: float) -> float:
    """Let water go, but no further than a pile dries by itself."""
    least = min(water_kg, ratio_of(FIGURES["driest_pct"].value) * dry_kg)
    return max(least, water_kg - evaporated_kg)


def ratio_of(moisture_pct: float) -> float:
    """Return water over dry matter at a moisture below 100 %."""
    return moisture_pct / (100 - moisture_pct)


def _felt_pct(felt: Felt, end: int) -> float:
    moved = felt.moisture_pct + (0.0, -felt.plus_minus, felt.plus_minus)[end]
    return min(95.0, max(1.0, moved))


def _of(figure: Figure, end: int) -> float:
    return (figure.value, figure.least, figure.most)[end]


def _end(estimate: Estimate, end: int) -> float:
    return (estimate.value, estimate.low, estimate.high)[end]


def _spread(value: float, others: Sequence[float]) -> Estimate:
    return Estimate(value, min(value, *others), max(value, *others))


def _moisture(end: _End) -> float:
    whole = end.dry_kg + end.water_kg
    return 100 * end.water_kg / whole if whole else 0.0


def _gone(end: _End) -> float:
    return end.lost_kg / end.degradable_kg if end.degradable_kg else 0.0


def _carbon(parts: Sequence[Part], first: _End, ends: Sequence[_End]) -> Estimate | None:
    """Return the carbon left: what goes holds as much of it as the volatile solids of the mix did."""
    carbon = [part.carbon_kg for part in parts]
    volatile = [part.volatile_kg for part in parts]
    if None in carbon or None in volatile:
        return None
    held, solids = sum(one or 0.0 for one in carbon), sum(one or 0.0 for one in volatile)
    per_kg = held / solids if solids else 0.0
    return _spread(held - per_kg * first.lost_kg, [held - per_kg * end.lost_kg for end in ends])
