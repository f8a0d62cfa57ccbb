"""Which of the many mixes that meet the targets is offered: the objective, stage by stage."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import Final, Literal

import numpy as np

from .deciding import least
from .fractional import Soft, least_largest
from .linear import Outcome, Row, Vector
from .programme import Programme
from .wanted import PREFERENCES, Preference, Targets

_SLACK: Final = 1e-11
_WHOLE_SLACK: Final = 1e-7
"""What a later stage may give back of an earlier one, so that round-off does not leave it without a solution; branch
and bound keeps a row to a millionth."""

WHOLE_NEAR: Final = 0.1
"""In half-widths of a range: with whole measures, as near to the middle as is worth having. To prove that no other
numbers of barrows come a hair nearer would take most of the time. Common practice, no source."""
_LEVEL: Final = 1e-3
"""Weight of the largest portion beside the water: a litre of water saved outweighs any evening out."""
_GAP: Final = 0.02

_NOTHING: Final = np.zeros(0)
_OPEN: Final = Outcome(np.full(1, np.nan), 0.0, _NOTHING, _NOTHING, _NOTHING, _NOTHING)
"""What is chosen before anything was held: not unique."""

_MOST_OF_LEAST: Final = 2.0
"""Around a given mass of one material the others are free, and the middle of a range might be approached only by
drowning it in them; so the mix is held to this many times the least that would do."""

_WORDS: Final = {
    "cost": "least cost",
    "spoilage": "the most of what spoils first",
    "middle": "the smallest largest distance from the middles of the target ranges",
}


@dataclass(frozen=True, slots=True, eq=False)
class Stage:
    """One thing to make small, among the optima of the stages before; what is called good is told by its kind."""

    kind: Preference | Literal["amount"]
    weights: Vector | None = None
    """Of a sum of masses to be made small; ``None`` for the distances from the middles."""


def stages(programme: Programme, targets: Targets, first: Preference | None) -> list[Stage]:
    """List by what a mix is chosen, in order: what the caller puts first, then cost, spoilage and the middles."""
    has = {
        "cost": programme.is_priced,
        "spoilage": any(one.spoils_in_days is not None for one in programme.materials),
        "middle": bool(distances(programme, targets)),
    }
    order = sorted((kind for kind in PREFERENCES if has[kind]), key=lambda kind: kind != first)
    found: list[Stage] = []
    for kind in order:
        if kind == "cost":
            found.append(Stage(kind, programme.costs))
        elif kind == "spoilage":
            found += [Stage(kind, -mask) for mask in _spoiling(programme)]
        else:
            found.append(Stage(kind))
    return found


def _spoiling(programme: Programme) -> Iterator[Vector]:
    """Yield which materials spoil next, soonest first."""
    dated = [(one.spoils_in_days, place) for place, one in enumerate(programme.materials)]
    known = sorted((days, place) for days, place in dated if days is not None)
    for _, group in groupby(known, key=lambda one: one[0]):
        mask = np.zeros(programme.size)
        mask[[place for _, place in group]] = 1.0
        yield mask


def describe(programme: Programme, targets: Targets, first: Preference | None = None) -> str:
    """Say by what a mix is chosen among those that meet the request."""
    told = list(dict.fromkeys(stage.kind for stage in stages(programme, targets, first)))
    words = [_WORDS[kind] for kind in told]
    if programme.is_whole and "middle" in told:
        words[told.index("middle")] += f" ({WHOLE_NEAR:g} half-widths are near enough)"
    if programme.named is not None:
        words.insert(
            told.index("middle") if "middle" in told else len(words),
            "at most twice the least mass that would do",
        )
    if programme.most > programme.least and not programme.is_whole:
        words.append("least above the amount asked")
    if programme.has_water:
        words.append("least added water")
    down = "" if programme.is_whole else ", and so on down"
    return ", then ".join([*words, f"the largest portion as small as it can be{down}"])


def prefer(programme: Programme, targets: Targets, first: Preference | None = None) -> Vector | None:
    """Choose a mix that keeps all limits.

    Stage by stage, each among the optima of the one before: what the caller puts first; least cost, when prices are
    given; the most of what spoils first, then of what spoils next; around a given mass of one material, at most twice
    the least mass that would do; the smallest largest distance from the middles of the two-sided target ranges, each
    in half-widths; the least above the amount asked, where more may be made; least added water; the largest portion
    as small as it can be, then the second largest, and so on, a given ``of`` aside, so that no material is leaned on
    more than it must be. The last stage makes the choice unique. With whole measures, a tenth of a half-width from the
    middles is near enough, any amount in the span allowed will do, and the last stage stops at the largest portion.

    Parameters
    ----------
    programme
        The request in numbers.
    targets
        Of the same request.
    first
        What comes first.

    Returns
    -------
    Vector or None
        Masses in the programme's unit; ``None`` when nothing keeps the limits.
    """
    rows = programme.rows
    chosen = _by_stages(programme, targets, first, rows)
    if chosen is None or chosen.is_unique:
        return None if chosen is None else chosen.kg
    if programme.is_whole:
        return _settle_whole(programme, rows)
    if programme.has_water:
        driest = least(programme, np.eye(programme.size)[-1], rows)
        if driest is None or driest.is_unique:
            return None if driest is None else driest.kg
        upper = programme.upper.copy()
        upper[-1] = driest.value + _SLACK if driest.value > _SLACK else 0.0
        programme = replace(programme, upper=upper)
    return _level(programme, rows)


def _settle_whole(programme: Programme, rows: Sequence[Row]) -> Vector | None:
    """Take the least water and, far less, the smallest largest portion; one programme instead of many."""
    size = programme.size
    objective = np.append(np.zeros(size), _LEVEL)
    if programme.has_water:
        objective[size - 1] = 1.0
    free = [index for index in range(size - programme.has_water) if index != programme.named]
    ceilings = [Row(np.append(np.eye(size)[index], -1.0)) for index in free]
    outcome = least(programme, objective, [*rows, *ceilings], lower=[0.0], upper=[np.inf], gap=_GAP)
    return None if outcome is None else outcome.kg[:size]


def _by_stages(
    programme: Programme, targets: Targets, first: Preference | None, rows: list[Row]
) -> Outcome | None:
    """Hold what each stage reaches, until only one mix is left; ``None`` when there is not even one."""
    chosen: Outcome | None = _OPEN
    is_sized = programme.named is None
    for stage in [*stages(programme, targets, first), *_last(programme)]:
        if not is_sized and stage.kind in {"middle", "amount"}:
            is_sized = True
            if not _hold_size(programme, rows):
                return None
        if stage.weights is None:
            if not _hold_middle(programme, targets, rows):
                return None
            continue
        chosen = _hold_best(programme, stage.weights, rows)
        if chosen is None or chosen.is_unique:
            return chosen
    return chosen if is_sized or _hold_size(programme, rows) else None


def _last(programme: Programme) -> list[Stage]:
    has_room = programme.most > programme.least and not programme.is_whole
    return [Stage("amount", programme.amount)] if has_room else []


def _hold_best(programme: Programme, weights: Vector, rows: list[Row]) -> Outcome | None:
    """Make a sum of masses as small as it can be, and hold it there."""
    best = least(programme, weights, rows)
    if best is not None:
        room = _slack(programme) * max(abs(best.value), float(np.abs(weights).max()))
        rows.append(Row(weights, best.value + room))
    return best


def _hold_middle(programme: Programme, targets: Targets, rows: list[Row]) -> bool:
    """Come as near to the middles as can be, and stay there; say whether any mix is left."""
    soft = distances(programme, targets)
    near = WHOLE_NEAR if programme.is_whole else 0.0
    found = least_largest(programme, soft, rows, near=near)
    if found is None:
        return False
    distance = max(found[0], near) + _slack(programme)
    rows += [Row(one.over - distance * one.under) for one in soft]
    return True


def _hold_size(programme: Programme, rows: list[Row]) -> bool:
    """Hold the whole to twice the least that would do around a given mass of one; say whether anything would."""
    total = np.ones(programme.size)
    smallest = least(programme, total, rows)
    if smallest is None:
        return False
    rows.append(Row(total, _MOST_OF_LEAST * smallest.value))
    return True


def _slack(programme: Programme) -> float:
    return _WHOLE_SLACK if programme.is_whole else _SLACK


def distances(programme: Programme, targets: Targets) -> list[Soft]:
    """List, for each range of some width, how far above and below its middle the mix lies."""
    found: list[Soft] = []
    for name, wanted in targets.given():
        if wanted.min is None or wanted.max is None or wanted.min == wanted.max:
            continue
        limit = next(one for one in programme.limits if one.target == name)
        middle, half = (wanted.min + wanted.max) / 2, (wanted.max - wanted.min) / 2
        away = limit.over - middle * limit.under
        found += [Soft(away, half * limit.under), Soft(-away, half * limit.under)]
    return found


def _level(programme: Programme, rows: Sequence[Row]) -> Vector | None:
    """Level the masses from the top down, holding at each level what cannot go lower."""
    size = programme.size
    objective = np.append(np.zeros(size), 1.0)
    upper = programme.upper.copy()
    free = [
        index
        for index in range(size - programme.has_water)
        if index != programme.named and programme.lower[index] < programme.upper[index]
    ]
    kg: Vector | None = None
    while True:
        ceilings = [Row(np.append(np.eye(size)[index], -1.0)) for index in free]
        held = replace(programme, upper=upper)
        outcome = least(held, objective, [*ceilings, *rows], lower=[0.0], upper=[np.inf])
        if outcome is None:
            return kg
        kg = outcome.kg[:-1]
        stuck = [index for index, dual in zip(free, outcome.of_rows, strict=False) if abs(dual) > _SLACK]
        upper[stuck] = np.minimum(upper[stuck], outcome.value + _SLACK)
        free = [index for index in free if index not in stuck]
        if outcome.is_unique or not free or not stuck or outcome.value <= _SLACK:
            return kg
