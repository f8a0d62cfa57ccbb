"""At what rate a feedstock arrives: from recent deliveries, by weeks, as a range and not a point."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

WEEKS: Final = 12
"""How far back deliveries still tell of those to come: one season; common practice, no source."""
LEAST_WEEKS: Final = 4
LEAST_DELIVERIES: Final = 3
"""With less than four weeks or three delivery days a rate would be a guess; common practice, no source."""
FENCE_FROM: Final = 5
"""Delivery days from which an outlier can be told from the others; common practice, no source."""
DRAWS: Final = 2048
FURTHEST_DAYS: Final = 26 * 7
_SEED: Final = 20260504
_WEEK: Final = 7
_FENCE: Final = 1.5


@dataclass(frozen=True)
class Delivered:
    """What came on one day [book's unit]."""

    on: date
    amount: float


@dataclass(frozen=True)
class Arrivals:
    """What may come, drawn many times.

    Attributes
    ----------
    cumulative
        Draws by days; the first column is what has come by the end of tomorrow [book's unit].
    weeks
        Weeks of the past the draws are made of.
    delivery_days
        Days among them with a delivery.
    capped
        Deliveries so much greater than the others that they were counted as the greatest usual one.
    """

    cumulative: NDArray[np.float64]
    weeks: int
    delivery_days: int
    capped: int

    def within(self, days: int) -> NDArray[np.float64]:
        """Return what each draw brings in the next so many days [book's unit]."""
        return self.cumulative[:, days - 1] if days > 0 else np.zeros(len(self.cumulative))

    def days_until(self, amount: float) -> NDArray[np.float64]:
        """Return after how many days each draw has brought an amount [d]; infinite when not within half a year."""
        reached = self.cumulative >= amount
        return np.where(reached[:, -1], reached.argmax(axis=1) + 1.0, np.inf)


def arrivals_ahead(deliveries: Sequence[Delivered], *, since: date, today: date) -> Arrivals | None:
    """Draw what may come from tomorrow on, from the weeks that lie behind.

    Parameters
    ----------
    deliveries
        Of one feedstock at one site, in any order.
    since
        First day the book covers: weeks without a delivery before it say nothing.
    today
        Last day that is known.

    Returns
    -------
    Arrivals or None
        Future weeks are drawn, with replacement and a fixed seed, from the last ``WEEKS`` whole weeks, each kept in
        one piece, so that a gardener who comes on Fridays still comes on Fridays. A delivery beyond the upper fence
        counts as the fence. None with less than ``LEAST_WEEKS`` weeks or ``LEAST_DELIVERIES`` delivery days.

    Notes
    -----
    Seasons are not in it: what came in the last twelve weeks is taken to go on. The true chance is less certain than
    the spread of the draws when the weeks are few.

    References
    ----------
    [1] H. R. Künsch, "The jackknife and the bootstrap for general stationary observations", Annals of Statistics 17
        (1989): resampling in blocks; from memory.
    [2] J. W. Tukey, Exploratory Data Analysis (1977): the fence at 1.5 times the spread of the quarters; from memory.
    """
    weeks = min(WEEKS, ((today - since).days + 1) // _WEEK)
    if weeks < LEAST_WEEKS:
        return None
    by_day = np.zeros(weeks * _WEEK)
    first = today - timedelta(days=weeks * _WEEK - 1)
    for one in deliveries:
        place = (one.on - first).days
        if 0 <= place < by_day.size:
            by_day[place] += one.amount
    came = by_day[by_day > 0]
    if came.size < LEAST_DELIVERIES:
        return None
    capped = 0
    if came.size >= FENCE_FROM:
        low, high = np.quantile(came, [0.25, 0.75])
        fence = high + _FENCE * (high - low)
        capped = int((came > fence).sum())
        by_day = np.minimum(by_day, fence)
    ahead = -(-FURTHEST_DAYS // _WEEK)
    drawn = np.random.default_rng(_SEED).integers(weeks, size=(DRAWS, ahead))
    days = by_day.reshape(weeks, _WEEK)[drawn].reshape(DRAWS, -1)
    return Arrivals(days.cumsum(axis=1), weeks, int(came.size), capped)
