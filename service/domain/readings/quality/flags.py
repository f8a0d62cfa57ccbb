"""One small number per reading: what it is worth, and which tests objected.

The low four bits hold the QARTOD primary flag, each higher bit one test that objected. A row written before the
tests had bits holds a bare primary flag and reads the same way.

References
----------
[1] IOOS QARTOD, Manual for Real-Time Oceanographic Data Quality Control Flags, version 1.2 (2020): 1 pass,
    2 not evaluated, 3 suspect, 4 fail, 9 missing.
"""

from collections.abc import Iterator
from enum import IntFlag
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.quantities import QualityFlag

Flags = NDArray[np.int16]
"""Primary flag and bits of each reading."""

PRIMARY_BITS: Final = 0b1111


class Test(IntFlag):
    """A test that can object to a reading; the number is its bit in a flag."""

    GROSS_RANGE = 1 << 4
    UNIT_DOUBTFUL = 1 << 5
    CLOCK_UNSET = 1 << 6
    CLOCK_FUTURE = 1 << 7
    CLOCK_SKEW = 1 << 8
    NEAR_AMBIENT = 1 << 9
    RATE_OF_CHANGE = 1 << 10
    SPIKE = 1 << 11
    FLAT_LINE = 1 << 12
    NEIGHBOURS = 1 << 13

    @property
    def label(self) -> str:
        """Return the name used outside, for example ``gross_range``."""
        return str(self.name).lower()


NEEDS_CONTEXT: Final = Test.NEAR_AMBIENT | Test.RATE_OF_CHANGE | Test.SPIKE | Test.FLAT_LINE | Test.NEIGHBOURS
"""Tests that look at other readings; their bits are found when asked for, never stored with a reading."""

QUESTIONS: Final = {
    Test.UNIT_DOUBTFUL.label: "Which unit was the instrument set to? The number would fit in the other one.",
    Test.NEIGHBOURS.label: "Are both depths and positions right? Two readings of one depth are far apart.",
}
"""Objections that only a person can settle, and what to ask."""

_WORST_LAST: Final = (
    QualityFlag.NOT_EVALUATED,
    QualityFlag.GOOD,
    QualityFlag.SUSPECT,
    QualityFlag.FAIL,
    QualityFlag.MISSING,
)
_RANK: Final = np.zeros(PRIMARY_BITS + 1, np.int8)
_RANK[list(_WORST_LAST)] = range(len(_WORST_LAST))


def raised(objects: NDArray[np.bool_], test: Test, worth: QualityFlag) -> Flags:
    """Return the flags of one test: ``worth`` where it objects, else not evaluated, which changes nothing."""
    return np.where(objects, np.int16(test | worth), np.int16(QualityFlag.NOT_EVALUATED))


def primary(flags: NDArray[np.integer[Any]]) -> Flags:
    """Return the ``QualityFlag`` codes of flags."""
    codes: Flags = (flags & PRIMARY_BITS).astype(np.int16, copy=False)
    return codes


def tests_in(flag: int) -> Iterator[Test]:
    """Yield the tests that objected, in the order of their bits."""
    return (test for test in Test if flag & test)


def tests_of(flag: int) -> list[str]:
    """Return the names of the tests that objected, for example ``["gross_range", "clock_skew"]``."""
    return [test.label for test in tests_in(int(flag))]


def combine(*flags: NDArray[np.integer[Any]]) -> Flags:
    """Bring several flags of the same readings into one: every objection, and the worst primary flag.

    Parameters
    ----------
    *flags
        One or more columns of equal length.

    Returns
    -------
    Flags
        Not evaluated < good < suspect < fail < missing: what one test passed and another did not look at is good,
        as in the roll-up of QARTOD flags; a reading without a number is missing whatever else was found.
    """
    whole = flags[0].astype(np.int16, copy=True)
    for other in flags[1:]:
        keeps = _RANK.take(whole & PRIMARY_BITS) >= _RANK.take(other & PRIMARY_BITS)
        bits = (whole | other) & ~PRIMARY_BITS
        whole = (np.where(keeps, whole, other) & PRIMARY_BITS | bits).astype(np.int16)
    return whole
