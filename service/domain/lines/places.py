"""Which named bay each pile stands in: bays of a class are alike, so the one free longest is taken."""

from collections import defaultdict
from collections.abc import Mapping

from service.domain.lines.model import Line, may_stand
from service.domain.lines.solving import Found

Stay = tuple[str, int, int]
"""A bay, and the days from which and to which it is held; the last not included."""


def stays_of(line: Line, found: Found) -> Mapping[str, tuple[Stay, ...]]:
    """Return, by pile, the bays it stands in one after the other.

    Stays of one class never outnumber its bays on any day, and then taking any free bay in order of arrival always
    works (the interval graph is perfect).
    """
    by_class: dict[int, list[tuple[int, int, str]]] = defaultdict(list)
    stays: dict[str, tuple[Stay, ...]] = {}
    for pile in line.piles:
        name = pile.wish.name
        if name not in found.built:
            continue
        leaves = found.ready[name] if line.request.cures_in_bay else found.cool[name]
        if name in found.bay_class:
            by_class[found.bay_class[name]].append((found.built[name], leaves, name))
            continue
        bays = [one.bays[0] for one in line.classes if may_stand(one, pile.wish)]
        starts = [found.built[name], *found.turns[name]][: len(bays)]
        stays[name] = tuple(zip(bays, starts, [*starts[1:], leaves], strict=False))
    for place, wanted in by_class.items():
        free_from = dict.fromkeys(line.classes[place].bays, -1_000_000)
        for since, until, name in sorted(wanted):
            bay = min(
                (bay for bay, day in free_from.items() if day <= since), key=lambda one: (free_from[one], one)
            )
            free_from[bay] = until
            stays[name] = ((bay, since, until),)
    return stays
