"""How the warmth of a pile decides how fast it decays; shared by what sizes cost in heat and by remedies."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

COLDEST_C, BEST_C, HOTTEST_C = -5.0, 57.0, 72.5


def warmth(temperature_c: ArrayLike) -> NDArray[np.float64]:
    """Return the rate of decay at a temperature over the best rate.

    Parameters
    ----------
    temperature_c
        [Cel].

    Returns
    -------
    ndarray
        0 to 1: none at -5 and 72.5 Cel, best at 57.

    References
    ----------
    [1] Rosso, Lobry and Flandrois 1993, Journal of Theoretical Biology 162: cardinal temperatures with inflection.
        From memory; one curve stands for all the microbes of a pile.
    """
    low, best, high = COLDEST_C, BEST_C, HOTTEST_C
    at = np.clip(np.asarray(temperature_c, dtype=np.float64), low, high)
    above = (at - high) * (at - low) ** 2
    below = (best - low) * ((best - low) * (at - best) - (best - high) * (best + low - 2 * at))
    found: NDArray[np.float64] = (above / below).clip(0, 1)
    return found
