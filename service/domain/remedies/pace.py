"""How fast a pile works: real days turned into days at the best temperature."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.decay import warmth
from service.domain.recipes.outlook.process import PROCESS

from .figures import FIGURES

Array = NDArray[np.float64]

_SEEN_WITHIN_DAYS: Final = 2.0
"""Readings further apart do not tell what lay between them; the same gap earns nothing in the two-zone model."""
_WEEK: Final = 7.0
_MONTH: Final = 30.0
_FAR: Final = 4000.0


@dataclass(frozen=True)
class Pace:
    """Days at the best temperature by real days since the build, cumulated and linear between the points.

    Attributes
    ----------
    days, best_days
        Points of the curve [d], both ascending.
    seen_share
        Part of the age that readings tell; 0 where all is the usual course.
    """

    days: Array
    best_days: Array
    seen_share: float

    def between(self, first: float, last: float) -> float:
        """Return the days at the best temperature from one day to another [d]."""
        begun, done = np.interp([first, max(first, last)], self.days, self.best_days)
        return float(done - begun)


def usual_pace() -> Pace:
    """Return the usual course of a hot pile of about 1 m3, from the first week's worth to that of a month and later."""
    weeks = PROCESS["first_week_days"].value, PROCESS["second_week_days"].value
    month, later = FIGURES["thirty_days"].value, FIGURES["later_per_day"].value
    days = np.array([0.0, _WEEK, 2 * _WEEK, _MONTH, _FAR])
    best = np.array([0.0, weeks[0], sum(weeks), month, month + later * (_FAR - _MONTH)])
    return Pace(days, best, 0.0)


def pace_of(days: Sequence[float] | Array, core_c: Sequence[float] | Array, *, now_day: float) -> Pace:
    """Return the course that core temperatures tell.

    Parameters
    ----------
    days
        Ascending instants of readings, days since the build; what lies before 0 or after ``now_day`` is left out.
    core_c
        Temperatures of the hottest position then [Cel].
    now_day
        The pile's age [d].

    Returns
    -------
    Pace
        Between readings at most two days apart, the rate at their temperatures over the best rate, for the part of a
        pile that works as its core does; elsewhere the usual course.
    """
    usual = usual_pace()
    at, core = np.asarray(days, dtype=np.float64), np.asarray(core_c, dtype=np.float64)
    within = (at >= 0) & (at <= now_day)
    at, core = at[within], core[within]
    if at.size < 2 or now_day <= 0:  # noqa: PLR2004 - one reading tells no stretch
        return usual
    grid = np.unique(np.concatenate([usual.days, at, [now_day]]))
    middles = (grid[:-1] + grid[1:]) / 2
    after = np.searchsorted(at, middles)
    inside = (after > 0) & (after < at.size)
    gap = np.full(middles.size, np.inf)
    gap[inside] = at[after[inside]] - at[after[inside] - 1]
    seen = gap <= _SEEN_WITHIN_DAYS
    worked = FIGURES["working_share"].value * warmth(np.interp(middles, at, core)) * np.diff(grid)
    steps = np.where(seen, worked, np.diff(np.interp(grid, usual.days, usual.best_days)))
    seen_days = float(np.diff(grid)[seen].sum())
    return Pace(grid, np.concatenate([[0.0], np.cumsum(steps)]), min(1.0, seen_days / now_day))
