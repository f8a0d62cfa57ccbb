"""A control chart for individual piles: built size over design, with limits from the piles' own spread."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal
from uuid import UUID

import numpy as np

Basis = Literal["measured", "height", "loads"]
Test = Literal["beyond_limit", "two_of_three", "four_of_five", "eight_in_a_row", "range_beyond_limit"]
Side = Literal["low", "high"]

D2: Final = 1.128
"""Mean range of two values of a normal distribution, in standard deviations: Shewhart's factors for n = 2."""
D4: Final = 3.267
"""Upper limit of a moving range over its mean: Shewhart's factors for n = 2."""
E2: Final = 2.66
"""Three standard deviations over the mean moving range, 3 / d2: Shewhart's factors for n = 2."""

LEAST_PILES: Final = 8
"""Fewer say nothing of a spread; eight is also the shortest series the longest run can fill. Common practice,
no source."""
SOUND_FROM: Final = 20
"""Below it limits are provisional: textbooks ask for 20 to 25 values (common practice, no source read)."""
MOST_PILES: Final = 30
"""Older piles are left out: each more raises the rate of false alarms, and the way of building changes over years."""


@dataclass(frozen=True)
class Built:
    """A pile's size as built.

    Attributes
    ----------
    pile_id, label, built_at
        Which pile, and when it was complete.
    built_m3, design_m3
        As built and as it should have been [m3].
    basis
        ``measured``: told by the crew; ``height``: the design's volume times the height built over the design's;
        ``loads``: the sum of the loads, which overstates a heap that settles.
    crews
        Who loaded it.
    """

    pile_id: UUID
    label: str
    built_at: datetime
    built_m3: float
    design_m3: float
    basis: Basis
    crews: frozenset[str] = frozenset()

    @property
    def ratio(self) -> float:
        """Return built over design."""
        return self.built_m3 / self.design_m3


@dataclass(frozen=True)
class Signal:
    """A test that a pile, or the last of several piles, fails; ``first`` and ``last`` are their places in the chart."""

    test: Test
    side: Side
    first: int
    last: int


@dataclass(frozen=True)
class Chart:
    """Individuals and moving ranges.

    Attributes
    ----------
    ratios, moving_ranges
        Built over design, and the change from pile to pile (one shorter).
    centre, lower, upper
        Mean and limits of the ratios; the lower limit is not below 0.
    mean_range, range_upper
        Mean and limit of the moving ranges.
    sigma
        Spread from pile to pile, mean range over d2.
    is_provisional
        Fewer than ``SOUND_FROM`` piles.
    signals
        In the order of the piles they end with.
    """

    ratios: tuple[float, ...]
    moving_ranges: tuple[float, ...]
    centre: float
    lower: float
    upper: float
    mean_range: float
    range_upper: float
    sigma: float
    is_provisional: bool
    signals: tuple[Signal, ...]


def chart(ratios: Sequence[float]) -> Chart | None:
    """Return the chart of some piles in the order they were built.

    Parameters
    ----------
    ratios
        Built over design; at least ``LEAST_PILES``.

    Returns
    -------
    Chart or None
        Limits are the mean plus and minus 2.66 mean moving ranges; a moving range's limit is 3.267 times their mean.
        The spread comes from neighbours, so that a drift does not hide itself by widening the limits. None for
        fewer piles.

    References
    ----------
    [1] ISO 7870-2:2023, Control charts - Part 2: Shewhart control charts, 6.5: individuals and moving ranges.
        Second-hand: its contents were read, its factors are those of every table of Shewhart constants.
    [2] Western Electric, Statistical Quality Control Handbook (1956): the four tests. Second-hand. ISO 7870-2:2023,
        8.2.7 and annex B, keeps such tests for finding out what happened so far, which is what is asked here.
    """
    if len(ratios) < LEAST_PILES:
        return None
    values = np.asarray(ratios, dtype=float)
    ranges = np.abs(np.diff(values))
    centre, mean_range = float(values.mean()), float(ranges.mean())
    sigma = mean_range / D2
    range_upper = D4 * mean_range
    signals = [*_signals((values - centre) / sigma), *_wide(ranges, range_upper)] if sigma else []
    return Chart(
        ratios=tuple(values.tolist()),
        moving_ranges=tuple(ranges.tolist()),
        centre=centre,
        lower=max(0.0, centre - E2 * mean_range),
        upper=centre + E2 * mean_range,
        mean_range=mean_range,
        range_upper=range_upper,
        sigma=sigma,
        is_provisional=len(ratios) < SOUND_FROM,
        signals=tuple(sorted(signals, key=lambda one: (one.last, one.first))),
    )


_TESTS: Final[tuple[tuple[Test, int, int, float], ...]] = (
    ("beyond_limit", 1, 1, 3.0),
    ("two_of_three", 2, 3, 2.0),
    ("four_of_five", 4, 5, 1.0),
    ("eight_in_a_row", 8, 8, 0.0),
)
"""Name, how many, of how many in a row, further than how many standard deviations on the same side."""


def _signals(scores: np.ndarray) -> list[Signal]:
    found: list[Signal] = []
    sides: tuple[tuple[Side, int], ...] = (("low", -1), ("high", 1))
    for side, sign in sides:
        for test, many, among, beyond in _TESTS:
            out = sign * scores > beyond
            # The point that completes a pattern is itself part of it.
            found += [
                Signal(test, side, last - among + 1, last)
                for last in range(among - 1, out.size)
                if out[last] and out[last - among + 1 : last + 1].sum() >= many
            ]
    return found


def _wide(ranges: np.ndarray, limit: float) -> list[Signal]:
    return [
        Signal("range_beyond_limit", "high", place, place + 1)
        for place in np.flatnonzero(ranges > limit).tolist()
    ]
