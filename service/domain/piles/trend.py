"""Where a temperature is heading: a slope that one wild reading cannot bend."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

TREND_WINDOW_H: Final = 24.0
FEWEST_READINGS: Final = 3
SHORTEST_SPAN_H: Final = 2.0
"""Window, count and span of a trend; common practice, no source."""

_MOST_READINGS: Final = 200
"""Pairs grow with the square; a series denser than one reading in 7 min is thinned evenly."""
_US_PER_H: Final = 3_600_000_000
_US_PER_DAY: Final = 24 * _US_PER_H


def trend_c_per_day(
    observed_us: NDArray[np.int64],
    temperature_c: NDArray[np.float64],
    *,
    now_us: int,
    turns_us: Sequence[int] = (),
) -> float | None:
    """Return the slope of the last 24 h.

    Parameters
    ----------
    observed_us
        Ascending instants [us since 1970-01-01T00:00Z].
    temperature_c
        Usable readings at those instants [Cel].
    now_us
        End of the window [us].
    turns_us
        Instants of turns [us]. A turn drops the temperature by tens of degrees, so the window starts after it.

    Returns
    -------
    float or None
        Median of the slopes of all pairs [Cel/d]; None with fewer than 3 readings or a span under 2 h.

    References
    ----------
    [1] Sen, P. K., Estimates of the regression coefficient based on Kendall's tau, Journal of the American
        Statistical Association 63 (1968) 1379-1389; Theil 1950.
    """
    opens = now_us - round(TREND_WINDOW_H * _US_PER_H)
    first = np.searchsorted(observed_us, opens, "left")
    turned = [at for at in turns_us if opens <= at <= now_us]
    if turned:
        first = np.searchsorted(observed_us, max(turned), "right")
    last = np.searchsorted(observed_us, now_us, "right")
    at, value = observed_us[first:last], temperature_c[first:last]
    if at.size < FEWEST_READINGS or at[-1] - at[0] < SHORTEST_SPAN_H * _US_PER_H:
        return None
    if at.size > _MOST_READINGS:
        kept = np.linspace(0, at.size - 1, _MOST_READINGS).round().astype(np.int64)
        at, value = at[kept], value[kept]
    return _theil_sen_slope((at - at[0]) / _US_PER_DAY, value)


def _theil_sen_slope(day: NDArray[np.float64], value: NDArray[np.float64]) -> float:
    early, late = np.triu_indices(day.size, 1)
    run = day[late] - day[early]
    apart = run > 0
    return float(np.median((value[late] - value[early])[apart] / run[apart]))
