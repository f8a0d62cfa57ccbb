"""How long a crew needs, and what is too heavy for one of them."""

import math
from typing import Final

from .practice import PRACTICE

_STEP_MIN: Final = 15
"""A crew plans by quarters of an hour."""


def minutes_for(volume_m3: float | None, people: int, m3_per_person_hour: float) -> int | None:
    """Return the minutes a crew needs to load, wet and level a pile, rounded up to a quarter of an hour.

    Parameters
    ----------
    volume_m3
        Loose, as loaded; ``None`` gives ``None``.
    people
        How many work at it.
    m3_per_person_hour
        Loose volume that one person loads in an hour. Fetching and chopping are extra.
    """
    if volume_m3 is None:
        return None
    minutes = 60 * volume_m3 / (people * m3_per_person_hour)
    return _STEP_MIN * max(1, math.ceil(minutes / _STEP_MIN - 1e-9))


def heavy(kind: str, full_kg: float, limit_kg: float) -> bool:
    """Return whether a full measure asks more of one person than the limit.

    A bucket or a fork is lifted whole; of a barrow, about half hangs on the handles; a scale is not lifted.
    """
    if kind == "scale":
        return False
    share = PRACTICE["handle_share"].value if kind == "barrow" else 1.0
    return full_kg * share > limit_kg
