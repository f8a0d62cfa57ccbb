"""What the packs of a gateway tell about its clock: a wrong one is suspected and named, never put right unasked.

A pack's lag is when it was received less when the device says it was sent. The way takes time, so a lag is how far
the device's clock is behind plus a delay that is never below zero: no way explains a lag below zero, and a single
good lag shows that the clock was not behind.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

TOLERANCE_S: Final = 120.0
"""How far a clock may be off before its readings are doubted; a house figure. Far more than a network takes, and far
less than the hours a rule counts in."""

AGREE_WITHIN_S: Final = 60.0
"""How far the usual lag may stray from the median before it is taken for waiting, not for the clock; a house figure.
A clock is wrong by the same amount in every pack. Packs that waited together for a network come at once with the lags
of when they were sent, a pack's interval apart, so more than this from one to another in any but the hastiest."""

FEWEST_PACKS: Final = 5
"""Below this a median tells little; a house figure."""

LATEST_PACKS: Final = 15
"""How many of the latest lags speak for a clock as it is now, so that a change shows after eight; a house figure."""


@dataclass(frozen=True)
class Clock:
    """How a gateway's clock stands to ours.

    Attributes
    ----------
    offset_s
        Median lag [s]: how far it is behind, delay on the way included; below zero it is ahead. None without packs.
    spread_s
        Median absolute deviation of the lags from it [s].
    packs
        How many lags this rests on.
    state
        ``suspect``: ahead, or behind by the same amount in pack after pack. ``unknown``: too few packs, or they
        waited so differently that nothing can be said of the clock behind them.
    """

    offset_s: float | None
    spread_s: float | None
    packs: int
    state: Literal["unknown", "good", "suspect"]


def clock_of(lags_s: Sequence[float]) -> Clock:
    """Estimate a gateway's clock from its latest packs.

    Parameters
    ----------
    lags_s
        Received less sent [s], oldest first; the last ``LATEST_PACKS`` are used.

    References
    ----------
    [1] That one-way delay only ever adds, and that the least delayed sample says most of a clock, is the reasoning of
        the clock filter of RFC 5905, section 10 (from memory). The figures are the house's.
    """
    latest = _latest(lags_s)
    if not latest.size:
        return Clock(None, None, 0, "unknown")
    offset_s = float(np.median(latest))
    spread_s = float(np.median(np.abs(latest - offset_s)))
    state: Literal["unknown", "good", "suspect"] = "unknown"
    if offset_s < -TOLERANCE_S:
        state = "suspect"
    elif latest.size >= FEWEST_PACKS and offset_s <= TOLERANCE_S:
        state = "good"
    elif latest.size >= FEWEST_PACKS and spread_s <= AGREE_WITHIN_S:
        state = "suspect"
    return Clock(offset_s, spread_s, int(latest.size), state)


def is_skew_suspect(lag_s: float | None, recent_lags_s: Sequence[float]) -> bool:
    """Whether the times in an arriving pack are to be doubted.

    A lag within the tolerance never is. One below it always is: nothing arrives before it was sent. One above it is
    the clock's when the packs before it already show a wrong clock. While fewer than ``FEWEST_PACKS`` are known it is
    the clock's unless one of them was in time: a clock set to local time is the usual fault of a gateway just put up,
    and a doubt can be lifted where evidence wrongly counted cannot be taken back unseen.

    Parameters
    ----------
    lag_s
        Received less sent of this pack [s]; None where it does not say when it was sent, and nothing is doubted.
    recent_lags_s
        The same of the gateway's packs before it, oldest first, without this one.
    """
    if lag_s is None or abs(lag_s) <= TOLERANCE_S:
        return False
    if lag_s < 0:
        return True
    latest = _latest(recent_lags_s)
    if latest.size < FEWEST_PACKS:
        return not bool((np.abs(latest) <= TOLERANCE_S).any())
    return clock_of(recent_lags_s).state == "suspect"


def _latest(lags_s: Sequence[float]) -> NDArray[np.float64]:
    return np.asarray(lags_s[-LATEST_PACKS:], np.float64)
