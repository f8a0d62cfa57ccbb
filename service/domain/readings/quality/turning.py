"""Turns as the tests see them: a stretch of work around the instant that was recorded."""

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.readings.quality.columns import HOUR_US

TURN_WORK_H: Final = 3.0
"""Probes come out before a turn and go back after it, and it is recorded when the work is done; house figure."""

Turns = Sequence[int] | NDArray[np.int64]
"""Instants of turns [us since 1970-01-01T00:00Z], in any order."""


def turn_between(turns: Turns, first_us: NDArray[np.int64], last_us: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return where the work of a turn touches the time from ``first_us`` to ``last_us``."""
    ordered = np.sort(np.asarray(turns, np.int64))
    work_us = round(TURN_WORK_H * HOUR_US)
    before = np.searchsorted(ordered, first_us - work_us, "left")
    until = np.searchsorted(ordered, last_us + work_us, "right")
    touched: NDArray[np.bool_] = until > before
    return touched
