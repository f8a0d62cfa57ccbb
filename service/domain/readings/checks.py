"""What makes one reading unusable.

An unusable reading is refused and named; a doubtful one is kept and flagged (``quality``).
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.quantities import UNITS_OF, Quantity, Unit

FUTURE_TOLERANCE: Final = timedelta(minutes=10)
EARLIEST: Final = datetime(1970, 1, 1, tzinfo=UTC)
_LARGEST: Final = 1e9


@dataclass(frozen=True)
class Refusal:
    """Why one reading cannot be used.

    Attributes
    ----------
    member
        The part of it that is wrong.
    line
        Where it began in a body made of lines, counted from 1.
    """

    member: str
    code: str
    detail: str
    line: int | None = None


def refuse(
    quantity: Quantity, unit: Unit, value: float, observed_at: datetime, *, now: datetime
) -> Refusal | None:
    """Return why a reading is unusable, or None when it is usable.

    Parameters
    ----------
    value
        As recorded, in ``unit``.
    observed_at, now
        Aware instants; a reading may be at most ten minutes ahead of the service's clock.
    """
    if unit not in UNITS_OF[quantity]:
        known = ", ".join(sorted(known.ucum for known in UNITS_OF[quantity]))
        return Refusal(
            "unit", "unit-does-not-fit", f"{quantity.label} is not told in {unit.ucum}; use {known}"
        )
    if not abs(value) <= _LARGEST:
        return Refusal("value", "not-a-number", "must be a finite number of ordinary size")
    if observed_at > now + FUTURE_TOLERANCE:
        return Refusal(
            "observed_at",
            "in-the-future",
            f"{observed_at.isoformat()} is more than ten minutes ahead of {now.isoformat()}; set the clock",
        )
    if observed_at < EARLIEST:
        return Refusal("observed_at", "clock-not-set", "is before 1970; set the clock of the device")
    return None


def usable(
    quantity: NDArray[np.int16],
    unit: NDArray[np.int16],
    value: NDArray[np.float64],
    observed_s: NDArray[np.float64],
    *,
    now: datetime,
) -> NDArray[np.bool_]:
    """Return where :func:`refuse` would say None, for whole columns of equal length; seconds since 1970."""
    latest = (now + FUTURE_TOLERANCE).timestamp()
    fits: NDArray[np.bool_] = (
        _FITTING[quantity, unit] & (np.abs(value) <= _LARGEST) & (observed_s <= latest) & (observed_s >= 0)
    )
    return fits


_FITTING: Final = np.array(
    [
        [
            q in set(Quantity) and u in set(Unit) and Unit(u) in UNITS_OF[Quantity(q)]
            for u in range(max(Unit) + 1)
        ]
        for q in range(max(Quantity) + 1)
    ]
)
