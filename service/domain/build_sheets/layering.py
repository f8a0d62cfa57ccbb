"""Which material lies in which layer: coarse brown, then rounds of brown and green, then brown on top."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from .apportioning import apportion
from .materials import Counted, Material
from .place import Place
from .practice import PRACTICE

Role = Literal["bottom", "brown", "green", "top"]
_BLIND_ROUNDS: Final = (4, 5, 3)
"""When nobody knows how high the pile will be. Common practice, no source."""
_MOST_ROUNDS: Final = 8
"""Of layers as thick as asked for; more makes a sheet nobody follows."""
_MOST_BOTTOM: Final = 1 / 3
_MOST_TOP: Final = 1 / 4
"""Parts of one material that may go to the ends: the rounds need their browns."""
_BLIND_BOTTOM: Final = 0.10
_BLIND_TOP: Final = 0.05
"""Parts of the pile, when its height is not known. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Ends:
    """What lies under and over the rounds: which material, and which part of it."""

    bottom: Material | None
    bottom_share: float
    top: Material | None
    top_share: float


def ends_of(materials: Sequence[Material], place: Place | None) -> Ends:
    """Choose the coarse brown for the bottom and the plentiful brown for the top.

    A pile without browns, or of one material alone, has neither.
    """
    browns = [one for one in materials if one.is_brown]
    if not browns or len(materials) == 1:
        return Ends(None, 0.0, None, 0.0)
    coarse = max(browns, key=lambda one: (one.handling.coarse, one.ratio))
    plenty = max(browns, key=lambda one: (one.volume_m3 or 0.0, one.mass_kg))
    under, over = _BLIND_BOTTOM, _BLIND_TOP
    if place is not None and place.height_m is not None:
        under = place.below(PRACTICE["base_cm"].value / 100 / place.height_m)
        if place.shape == "walls":  # on a ridge the top layer covers the flanks too
            over = PRACTICE["cap_cm"].value / 100 / place.height_m
    return Ends(
        coarse,
        _share(coarse, materials, under, _MOST_BOTTOM),
        plenty,
        _share(plenty, materials, over, _MOST_TOP),
    )


def _share(one: Material, materials: Sequence[Material], part: float, most: float) -> float:
    """Return the share of a material that makes up a part of the pile."""
    volumes = [other.volume_m3 for other in materials]
    known = [volume for volume in volumes if volume is not None]
    if len(known) < len(volumes) or not one.volume_m3:
        return most
    return min(most, part * sum(known) / one.volume_m3)


def rounds_of(
    materials: Sequence[Material],
    ends: Ends,
    place: Place | None,
    *,
    layers: int | None,
    layer_cm: float | None,
) -> list[int]:
    """Return how often the pattern may be repeated, what is liked best first: thin layers mix best.

    Parameters
    ----------
    layers
        At most so many, the ends counted; wins over everything.
    layer_cm
        How thick a layer should be; ``None`` leaves the usual range.
    """
    per_round = len({one.is_brown for one in materials})
    if layers is not None:
        outside = (ends.bottom is not None) + (ends.top is not None)
        return [max(1, (layers - outside) // per_round)]
    if place is None or place.height_m is None:
        return list(_BLIND_ROUNDS)
    between_cm = 100 * place.height_m
    if ends.bottom is not None:
        between_cm -= PRACTICE["base_cm"].value + PRACTICE["cap_cm"].value
    if layer_cm is not None:
        return [max(1, min(_MOST_ROUNDS, round(between_cm / (per_round * layer_cm))))]
    usual = PRACTICE["layer_cm"]
    most = max(1, min(_MOST_ROUNDS, math.floor(between_cm / (per_round * usual.least))))
    least = max(1, min(most, math.ceil(between_cm / (per_round * usual.most))))
    return list(range(most, least - 1, -1))


def fewer_rounds(counted: Sequence[Counted], rounds: int) -> int:
    """Return how many rounds really get a whole measure of brown and of green."""
    most = {
        brown: max((one.count for one in counted if one.material.is_brown is brown), default=rounds)
        for brown in (True, False)
    }
    return max(1, min(rounds, *most.values()))


@dataclass(frozen=True, slots=True)
class Portion:
    """Whole measures of one material in one layer."""

    counted: Counted
    count: int


@dataclass(frozen=True, slots=True)
class Bed:
    """A layer before its water and height are known; ``round`` counts from 1, 0 outside the rounds."""

    role: Role
    round: int
    portions: tuple[Portion, ...]

    @property
    def mass_kg(self) -> float:
        """Of its materials [kg]."""
        return sum(one.count * one.counted.unit_kg for one in self.portions)

    @property
    def volume_m3(self) -> float | None:
        """Loose [m3]; ``None`` as soon as one material's is not known."""
        total = 0.0
        for one in self.portions:
            if one.counted.unit_m3 is None:
                return None
            total += one.count * one.counted.unit_m3
        return total


def lay(counted: Sequence[Counted], ends: Ends, rounds: int) -> list[Bed]:
    """Lay whole measures out from the bottom to the top; layers that get none are left out."""
    dealt = [(one, _dealt(one, ends, rounds)) for one in counted]
    beds = [_bed("bottom", 0, [(one, counts[0]) for one, counts in dealt])]
    roles: tuple[tuple[Role, bool], ...] = (("brown", True), ("green", False))
    for number in range(1, rounds + 1):
        for role, is_brown in roles:
            pairs = [(one, counts[number]) for one, counts in dealt if one.material.is_brown is is_brown]
            beds.append(_bed(role, number, pairs))
    beds.append(_bed("top", 0, [(one, counts[-1]) for one, counts in dealt]))
    return [bed for bed in beds if bed.portions]


def _bed(role: Role, number: int, pairs: Sequence[tuple[Counted, int]]) -> Bed:
    return Bed(role, number, tuple(Portion(one, count) for one, count in pairs if count > 0))


def odd_rounds(beds: Sequence[Bed], rounds: int) -> int:
    """Return how often a crew must load another number than in most rounds."""
    by_material: dict[int, list[int]] = {}
    for bed in beds:
        for one in bed.portions:
            if bed.round:
                counts = by_material.setdefault(one.counted.material.place, [0] * rounds)
                counts[bed.round - 1] = one.count
    return sum(rounds - max(Counter(counts).values()) for counts in by_material.values())


def _dealt(one: Counted, ends: Ends, rounds: int) -> list[int]:
    """Divide a material's measures: bottom, each round, top."""
    bottom = ends.bottom_share if one.material is ends.bottom else 0.0
    top = ends.top_share if one.material is ends.top else 0.0
    # an end that gets less than one measure would get none: it is given one, as long as the rounds keep most
    if bottom > 0 and one.count > 1:
        bottom = max(bottom, 1 / one.count)
    if top > 0 and one.count > 2:  # noqa: PLR2004 - one below, one for the rounds, one above
        top = max(top, 1 / one.count)
    outside = one.count * (bottom + top)
    if outside:
        # how thick the ends are matters less than that all rounds are alike: they take what does not divide
        each = round((one.count - outside) / rounds)
        left = one.count - each * rounds
        if each and abs(left - outside) <= outside / 2 and left >= (bottom > 0) + (top > 0):
            low, *_, high = apportion(left, [bottom, 0.0, top])
            return [low, *[each] * rounds, high]
    return apportion(one.count, [bottom, *[(1 - bottom - top) / rounds] * rounds, top])
