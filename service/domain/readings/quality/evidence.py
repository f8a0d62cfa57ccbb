"""Which readings a verdict counts, said as data so that a verdict can print it. Nothing is hidden or deleted."""

from collections.abc import Iterator
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.quantities import QualityFlag
from service.domain.readings.quality.flags import PRIMARY_BITS, Test

EVIDENCE_EXCLUDES: Final = (
    QualityFlag.MISSING.name.lower(),
    QualityFlag.FAIL.name.lower(),
    Test.CLOCK_UNSET.label,
    Test.CLOCK_FUTURE.label,
    Test.CLOCK_SKEW.label,
    Test.NEAR_AMBIENT.label,
    Test.FLAT_LINE.label,
)
"""Primary flags, then tests, that keep a reading out of the evidence unless a rule or a person says otherwise.

A clock that is off says nothing of when; a stuck or pulled-out probe says nothing of the pile. A doubtful rate, a
doubtful unit, neighbours that disagree and a spike that is no more than suspect stay in: leaving out the cold
reading after a turn nobody recorded would favour the pile. House rule; regulatory counts rest on rules, never on
what a model expected.
"""

_PRIMARY_OUT: Final = {flag.name.lower(): int(flag) for flag in (QualityFlag.MISSING, QualityFlag.FAIL)}
_BIT_OUT: Final = {test.label: int(test) for test in Test if test.label in EVIDENCE_EXCLUDES}
# Of its own width: flags of one byte, without bits, are asked too.
_BITS_OUT: Final = np.int16(sum(_BIT_OUT.values()))
_COUNTS: Final = np.array(
    [code not in _PRIMARY_OUT.values() for code in range(PRIMARY_BITS + 1)], dtype=np.bool_
)


def counts_as_evidence(flag: NDArray[np.integer[Any]]) -> NDArray[np.bool_]:
    """Return where a verdict counts a reading, for flags with or without bits."""
    counted: NDArray[np.bool_] = _COUNTS.take(flag & PRIMARY_BITS) & ((flag & _BITS_OUT) == 0)
    return counted


def reasons_out(flag: NDArray[np.integer[Any]]) -> Iterator[tuple[str, NDArray[np.bool_]]]:
    """Yield which readings are no evidence by the first of ``EVIDENCE_EXCLUDES`` that holds; each reading once."""
    open_still = ~counts_as_evidence(flag)
    for name in EVIDENCE_EXCLUDES:
        if not open_still.any():
            return
        if name in _PRIMARY_OUT:
            here = open_still & ((flag & PRIMARY_BITS) == _PRIMARY_OUT[name])
        else:
            here = open_still & ((flag & np.int16(_BIT_OUT[name])) != 0)
        if here.any():
            yield name, here
            open_still &= ~here


def left_out(flag: NDArray[np.integer[Any]]) -> dict[str, int]:
    """Count the readings that are no evidence, by the first of ``EVIDENCE_EXCLUDES`` that holds; each once."""
    return {name: int(here.sum()) for name, here in reasons_out(flag)}
