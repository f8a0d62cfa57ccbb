"""Whole measures: how many, and how they fall on the layers."""

import math
from collections.abc import Sequence
from typing import Final

_SAME: Final = 1e-9
"""Two parts of a measure that differ by less are equal; sums of floats are no nearer."""


def nearest_count(amount: float, unit: float) -> int:
    """Return how many whole units come nearest to an amount; half a unit rounds up."""
    return math.floor(amount / unit + 0.5 + _SAME)


def apportion(total: int, quotas: Sequence[float]) -> list[int]:
    """Divide whole measures among layers by largest remainders.

    Parameters
    ----------
    total
        Measures to divide, 0 or more.
    quotas
        What each layer would get if measures could be cut; 0 or more, their sum any positive number.

    Returns
    -------
    list of int
        One for each layer; they sum to ``total`` and each is its quota rounded down or up. Of all such divisions it
        is one of those nearest to the quotas. Layers with equal remainders get what is left over evenly from bottom
        to top, so that at no height the pile is far from its recipe.

    References
    ----------
    [1] Hamilton's method of largest remainders: Balinski and Young, Fair Representation, 1982. From memory.
    """
    whole = sum(quotas)
    exact = [total * quota / whole if whole > 0 else 0.0 for quota in quotas]
    counts = [math.floor(one + _SAME) for one in exact]
    left = total - sum(counts)
    ranked = sorted(range(len(exact)), key=lambda place: (counts[place] - exact[place], place))
    while left > 0 and ranked:
        first = exact[ranked[0]] - counts[ranked[0]]
        equal = [place for place in ranked if first - (exact[place] - counts[place]) <= _SAME * len(exact)]
        ranked = [place for place in ranked if place not in equal]
        equal.sort()
        given = min(left, len(equal))
        for seat, place in enumerate(equal):
            counts[place] += _nearest(seat + 1, given, len(equal)) - _nearest(seat, given, len(equal))
        left -= given
    return counts


def _nearest(seats: int, given: int, of: int) -> int:
    """Return how much the first seats have by then, to the nearest whole: half of one more rounds up."""
    return (2 * seats * given + of) // (2 * of)
