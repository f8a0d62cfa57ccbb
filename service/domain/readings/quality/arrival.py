"""What one reading says of itself when it arrives: its range, its unit, its clock. On the path of every write."""

from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.errors import Invalid
from service.domain.quantities import UNITS_OF, QualityFlag, Quantity, Unit, temperature_in
from service.domain.readings.quality.flags import Flags, Test, combine, primary
from service.domain.readings.quality.units import PLAINLY_FAHRENHEIT

FAIL_BELOW_C: Final = -30
FAIL_ABOVE_C: Final = 95
SUSPECT_ABOVE_C: Final = 80
"""Gross range of a compost probe [Cel]; common practice, no source."""

CLOCK_SET_FROM: Final = datetime(2020, 1, 1, tzinfo=UTC)
"""A device that believes it is earlier has lost its clock; house figure."""
AHEAD_BY: Final = timedelta(minutes=5)
"""A reading further ahead of its receipt comes from a clock that runs fast; house figure."""

_GOOD, _NOT_EVALUATED = int(QualityFlag.GOOD), int(QualityFlag.NOT_EVALUATED)
_SUSPECT, _FAIL = int(QualityFlag.SUSPECT), int(QualityFlag.FAIL)
_UNSET_BEFORE_S: Final = CLOCK_SET_FROM.timestamp()
_CLOCK_BITS: Final = np.int16(Test.CLOCK_UNSET | Test.CLOCK_FUTURE | Test.CLOCK_SKEW)
_WIDTH: Final = max(Unit) + 1
_Ladder = tuple[NDArray[np.float64], Flags]


def flag_on_arrival(
    quantity: NDArray[np.int16],
    unit: NDArray[np.int16],
    value: NDArray[np.float64],
    observed_s: NDArray[np.float64],
    *,
    received_at: datetime,
    skew_suspect: bool | NDArray[np.bool_] = False,
) -> Flags:
    """Flag readings by what they say of themselves; vectorised, no reading is looked at twice.

    Parameters
    ----------
    quantity, unit, value
        Columns of equal length; values as recorded, in a unit that fits the quantity.
    observed_s
        Seconds since 1970-01-01T00:00Z.
    received_at
        Aware instant of the service's clock.
    skew_suspect
        Whether the sender's clock is known to be off, for all readings or for each.

    Raises
    ------
    Invalid
        If ``received_at`` has no offset.

    References
    ----------
    [1] IOOS QARTOD manuals, tests "timing" and "gross range"; the figures are house figures or common practice.
    """
    if received_at.tzinfo is None:
        raise Invalid.field("/received_at", f"{received_at.isoformat()} has no offset; give one, such as Z")
    flags = flag_by_value(quantity, unit, value)
    latest_s = (received_at + AHEAD_BY).timestamp()
    if not value.size or (
        skew_suspect is False and observed_s.min() >= _UNSET_BEFORE_S and observed_s.max() <= latest_s
    ):
        return flags
    doubts = np.zeros(value.shape, np.int16)
    doubts[observed_s < _UNSET_BEFORE_S] |= int(Test.CLOCK_UNSET)
    doubts[observed_s > latest_s] |= int(Test.CLOCK_FUTURE)
    doubts[np.broadcast_to(np.asarray(skew_suspect, np.bool_), value.shape)] |= int(Test.CLOCK_SKEW)
    doubts[doubts != 0] |= _SUSPECT
    doubts[doubts == 0] = _NOT_EVALUATED
    return combine(flags, doubts)


def flag_by_value(quantity: NDArray[np.int16], unit: NDArray[np.int16], value: NDArray[np.float64]) -> Flags:
    """Flag each reading by its number alone: gross range, and a number that is plainly degF sent as Cel.

    Quantities without a range are ``NOT_EVALUATED``; what is not a number is ``MISSING``.
    """
    if not value.size:
        return np.zeros(0, np.int16)
    key = quantity * _WIDTH + unit
    first = int(key[0])
    # Nearly every bag holds one quantity in one unit: one search then tells all of it.
    if (key == first).all():
        edges, codes = _LADDERS.get(first, _UNRANGED)
        return codes.take(edges.searchsorted(value, "right"))
    flags = np.empty(value.shape, np.int16)
    for code in np.flatnonzero(np.bincount(key)).tolist():
        edges, codes = _LADDERS.get(code, _UNRANGED)
        here = key == code
        flags[here] = codes.take(edges.searchsorted(value[here], "right"))
    return flags


def flag_anew(
    flag: NDArray[np.integer[Any]],
    quantity: NDArray[np.int16],
    value: NDArray[np.float64],
    *,
    recorded_unit: NDArray[np.int16],
    unit: NDArray[np.int16],
) -> Flags:
    """Return the stored flags of readings whose unit a person has put right.

    What the number said in the wrong unit is taken back and told in the right one; what the clock said stays. Where
    a flag is worse than both explain, as one a sender gave may be, it stays as bad.
    """
    clock = np.where(flag & _CLOCK_BITS, flag & _CLOCK_BITS | _SUSPECT, _NOT_EVALUATED)
    fresh = combine(flag_by_value(quantity, unit, value), clock)
    explained = combine(flag_by_value(quantity, recorded_unit, value), clock)
    return np.where(primary(flag) == primary(explained), fresh, combine(fresh, primary(flag)))


def _above(bound: float) -> float:
    return float(np.nextafter(bound, np.inf))


def _ladder(*steps: tuple[float, int], below: int) -> _Ladder:
    """Return edges and the flag from each of them up; what is not a number sorts above all and is missing."""
    edges = np.array([*(edge for edge, _ in steps), np.nan])
    return edges, np.array([below, *(code for _, code in steps), int(QualityFlag.MISSING)], np.int16)


def _of_temperature(unit: Unit) -> _Ladder:
    low, suspect, high = (
        float(temperature_in(Fraction(bound), Unit.CEL, unit))
        for bound in (FAIL_BELOW_C, SUSPECT_ABOVE_C, FAIL_ABOVE_C)
    )
    out = _FAIL | int(Test.GROSS_RANGE)
    steps = [
        (low, _GOOD),
        (_above(suspect), _SUSPECT | int(Test.GROSS_RANGE)),
        (_above(high), out),
    ]
    if unit is Unit.CEL:
        steps += [
            (PLAINLY_FAHRENHEIT[0], out | int(Test.UNIT_DOUBTFUL)),
            (_above(PLAINLY_FAHRENHEIT[1]), out),
        ]
    return _ladder(*steps, below=out)


_UNRANGED: Final = _ladder(below=_NOT_EVALUATED)
_SHARE: Final = _ladder(
    (0.0, _GOOD),
    (_above(100.0), _FAIL | int(Test.GROSS_RANGE)),
    below=_FAIL | int(Test.GROSS_RANGE),
)
_LADDERS: Final[dict[int, _Ladder]] = {
    **{
        int(Quantity.TEMPERATURE) * _WIDTH + int(unit): _of_temperature(unit)
        for unit in UNITS_OF[Quantity.TEMPERATURE]
    },
    **{
        int(quantity) * _WIDTH + int(Unit.PCT): _SHARE
        for quantity in (Quantity.MOISTURE, Quantity.OXYGEN, Quantity.CARBON_DIOXIDE)
    },
}
