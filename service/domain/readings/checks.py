"""What makes one reading unusable, and what makes it doubtful; the two are never mixed.

An unusable reading is refused and named; a doubtful one is kept and flagged.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.quantities import UNITS_OF, QualityFlag, Quantity, Unit, temperature_in

FUTURE_TOLERANCE: Final = timedelta(minutes=10)
EARLIEST: Final = datetime(1970, 1, 1, tzinfo=UTC)
_LARGEST: Final = 1e9

FAIL_BELOW_C: Final = -30
FAIL_ABOVE_C: Final = 95
SUSPECT_ABOVE_C: Final = 80
"""Gross range of a compost probe [Cel]; common practice, no source."""


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

_BOUNDS: Final = {
    unit: tuple(
        float(temperature_in(Fraction(bound), Unit.CEL, unit))
        for bound in (FAIL_BELOW_C, SUSPECT_ABOVE_C, FAIL_ABOVE_C)
    )
    for unit in UNITS_OF[Quantity.TEMPERATURE]
}


def flag_by_range(
    quantity: NDArray[np.int16], unit: NDArray[np.int16], value: NDArray[np.float64]
) -> NDArray[np.int16]:
    """Flag each reading by the gross range of its quantity.

    Parameters
    ----------
    quantity, unit, value
        Columns of equal length; values as recorded.

    Returns
    -------
    NDArray[np.int16]
        ``QualityFlag`` values; quantities without a range are ``NOT_EVALUATED``.

    References
    ----------
    [1] IOOS QARTOD manuals, test 4 "gross range"; the bounds are common practice, no source.
    """
    flags = np.full(len(value), QualityFlag.NOT_EVALUATED, np.int16)
    for code, (low, suspect, high) in _BOUNDS.items():
        here = (quantity == Quantity.TEMPERATURE) & (unit == code)
        flags[here] = QualityFlag.GOOD
        flags[here & (value > suspect)] = QualityFlag.SUSPECT
        flags[here & ((value < low) | (value > high))] = QualityFlag.FAIL
    share = (unit == Unit.PCT) & np.isin(
        quantity, (Quantity.MOISTURE, Quantity.OXYGEN, Quantity.CARBON_DIOXIDE)
    )
    flags[share] = QualityFlag.GOOD
    flags[share & ((value < 0) | (value > 100))] = QualityFlag.FAIL  # noqa: PLR2004 - a percentage
    return flags
