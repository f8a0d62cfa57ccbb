"""Who makes what of the orders several sites share: a linear programme over what each could have ready by each date."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

LITRE_M3: Final = 0.001
"""Less is not offered to anybody."""
_UNMET_WEIGHS: Final = 1000.0
"""A cubic metre left over against a site filled whole."""


@dataclass(frozen=True)
class SharedOrder:
    """A volume of finished compost in one grade that several sites may make together.

    Attributes
    ----------
    name, grade, volume_m3, by
        As of a site's own order.
    sites
        Which may; None for all.
    """

    name: str
    grade: str
    volume_m3: float
    by: dt.date
    sites: frozenset[str] | None = None


Dated = Sequence[tuple[dt.date, float]]


@dataclass(frozen=True)
class Ahead:
    """What a site could have ready, and what it owes: by grade, volumes [m3] with their dates."""

    ready: Mapping[str, Dated]
    owed: Mapping[str, Dated]

    def room_m3(self, grade: str, by: dt.date) -> float:
        """Return what is ready by a date beside what is owed by then."""
        there = sum(volume for on, volume in self.ready.get(grade, ()) if on <= by)
        return max(0.0, there - sum(volume for on, volume in self.owed.get(grade, ()) if on <= by))


Parts = dict[tuple[str, str], float]
"""What each site makes of each order [m3], by order's and site's name."""


def allotted(shared: Sequence[SharedOrder], ahead: Mapping[str, Ahead]) -> Parts:
    """Give shared orders to sites.

    Least is left over; then no site is filled more, as a part of what it could make, than it must be.

    Parameters
    ----------
    shared
        Names are unique.
    ahead
        By site. Up to each date on which something is wanted or owed no site is given more than its room then.

    References
    ----------
    [1] Huangfu and Hall, Parallelizing the dual revised simplex method, Mathematical Programming Computation 10 (2018):
        the solver HiGHS behind :func:`scipy.optimize.linprog`; from memory.
    """
    from scipy.optimize import linprog  # noqa: PLC0415 - slow to load, and seldom needed

    pairs = [
        (order, site)
        for order in shared
        for site in ahead
        if (order.sites is None or site in order.sites) and order.grade in ahead[site].ready
    ]
    if not pairs:
        return {}
    unmet, fill = len(pairs), len(pairs) + len(shared)
    rows: list[np.ndarray] = []
    most: list[float] = []
    for site, one in ahead.items():
        for grade in one.ready:
            mine = [place for place, pair in enumerate(pairs) if pair[1] == site and pair[0].grade == grade]
            dates = {pairs[place][0].by for place in mine} | {on for on, _ in one.owed.get(grade, ())}
            for by in sorted(dates) if mine else ():
                row = np.zeros(fill + 1)
                row[[place for place in mine if pairs[place][0].by <= by]] = 1
                rows.append(row)
                most.append(one.room_m3(grade, by))
            room = one.room_m3(grade, max(dates)) if mine else 0.0
            if room:
                row = np.zeros(fill + 1)
                row[mine] = 1 / room
                row[fill] = -1
                rows.append(row)
                most.append(0.0)
    whole = np.zeros((len(shared), fill + 1))
    for number, order in enumerate(shared):
        whole[number, [place for place, pair in enumerate(pairs) if pair[0] is order]] = 1
        whole[number, unmet + number] = 1
    cost = np.zeros(fill + 1)
    cost[unmet:fill], cost[fill] = _UNMET_WEIGHS, 1
    found = linprog(cost, np.array(rows), most, whole, [order.volume_m3 for order in shared], method="highs")
    assert found.status == 0, "everything may be left over, so there is a solution"
    return {
        (order.name, site): float(volume)
        for (order, site), volume in zip(pairs, np.asarray(found.x), strict=False)
        if volume > LITRE_M3
    }


def left_over(order: SharedOrder, parts: Mapping[tuple[str, str], float]) -> float:
    """Return what of an order nobody makes [m3]."""
    return max(
        0.0, order.volume_m3 - sum(volume for (name, _), volume in parts.items() if name == order.name)
    )
