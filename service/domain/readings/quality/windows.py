"""Windows over a series: the range inside each, and the readings that any of them covers."""

import numpy as np
from numpy.typing import NDArray

Places = NDArray[np.intp]


def ranges(told: NDArray[np.float64], first: Places, last: Places) -> NDArray[np.float64]:
    """Return highest less lowest of ``told[first..last]``, both ends included, for each window.

    Doubling windows: n log(longest window) steps of NumPy and no loop over readings.
    """
    found = np.empty(first.shape)
    if not first.size:
        return found
    level = np.frexp(last - first + 1)[1] - 1
    high = low = told
    for power in range(int(level.max()) + 1):
        if power:
            half = 1 << (power - 1)
            high, low = np.maximum(high[:-half], high[half:]), np.minimum(low[:-half], low[half:])
        here = level == power
        begin, end = first[here], last[here] - (1 << power) + 1
        found[here] = np.maximum(high[begin], high[end]) - np.minimum(low[begin], low[end])
    return found


def covered(size: int, first: Places, last: Places) -> NDArray[np.bool_]:
    """Return which of ``size`` readings lie in any window ``first..last``, both ends included."""
    opened = np.bincount(first, minlength=size + 1) - np.bincount(last + 1, minlength=size + 1)
    inside: NDArray[np.bool_] = np.cumsum(opened)[:size] > 0
    return inside
