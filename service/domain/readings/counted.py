"""What readings come to once corrections are laid over and every test has looked: which of them count."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.quantities import QualityFlag, Quantity
from service.domain.readings.corrected import Corrected
from service.domain.readings.quality import (
    Flags,
    ReadSeries,
    assess_pile,
    combine,
    counts_as_evidence,
    flag_by_value,
)

_GOOD: Final = np.int16(QualityFlag.GOOD)


@dataclass(frozen=True, eq=False)
class Counted:
    """Readings of one probe at one place as they count.

    Attributes
    ----------
    readings
        ``(n,)`` with corrections laid over; its flags are those stored on arrival.
    flag
        ``(n,)`` with every objection found, also by tests that look at other readings.
    counts
        ``(n,)`` where a reading is evidence: no test keeps it out, or a person accepted it; it carries a number,
        nobody excluded it, and none stands on its instant before it.
    """

    readings: Corrected
    flag: Flags
    counts: NDArray[np.bool_]

    def within(self, since_us: int, until_us: int) -> "Counted":
        """Cut to a half-open span of corrected time."""
        first, last = np.searchsorted(
            self.readings.columns.observed_us, (since_us, max(since_us, until_us)), "left"
        )
        cut = slice(int(first), int(last))
        return Counted(self.readings.within(since_us, until_us), self.flag[cut], self.counts[cut])


def count_temperatures(
    positions: Sequence[Corrected],
    *,
    depths_cm: Sequence[float | None],
    turns: Sequence[int] = (),
    air: ReadSeries | None = None,
) -> tuple[Counted, ...]:
    """Tell which temperatures of a pile count.

    What a person excluded, and what shares its instant with a reading that goes before it, is compared with nothing.

    Parameters
    ----------
    positions
        One per stay of a probe.
    depths_cm
        How deep each sat [cm]; None: not known.
    turns
        Instants of turns [us since 1970-01-01T00:00Z].
    air
        Air temperature at the site.
    """
    compared = [~(one.excluded | one.rival) for one in positions]
    series = [
        _series(one, mask, depth) for one, mask, depth in zip(positions, compared, depths_cm, strict=True)
    ]
    assessed = assess_pile(series, turns=turns, air=air)
    return tuple(
        _counted(one, _spread(one, mask, found.flag))
        for one, mask, found in zip(positions, compared, assessed, strict=True)
    )


def count(readings: Corrected, quantity: Quantity) -> Counted:
    """Tell which readings of any quantity count by what each says of itself."""
    return _counted(readings, _by_value(readings, quantity))


def air_of(readings: Corrected) -> ReadSeries | None:
    """Return air temperatures as the tests look at them: without what a person excluded; None if there are none."""
    kept = ~(readings.excluded | readings.rival)
    if not kept.any():
        return None
    columns = readings.columns
    flag = np.where(readings.accepted, _GOOD, columns.flag)
    return ReadSeries(columns.observed_us[kept], columns.value[kept], columns.unit[kept], flag[kept])


def _series(readings: Corrected, compared: NDArray[np.bool_], depth_cm: float | None) -> ReadSeries:
    columns = readings.columns
    part: Any = slice(None) if compared.all() else compared
    return ReadSeries(
        columns.observed_us[part],
        columns.value[part],
        columns.unit[part],
        columns.flag[part],
        depth_cm=depth_cm,
    )


def _spread(readings: Corrected, compared: NDArray[np.bool_], found: Flags) -> Flags:
    if compared.all():
        return found
    flag = _by_value(readings, Quantity.TEMPERATURE)
    flag[compared] = found
    return flag


def _by_value(readings: Corrected, quantity: Quantity) -> Flags:
    columns = readings.columns
    same = np.full(columns.value.shape, int(quantity), np.int16)
    return combine(columns.flag, flag_by_value(same, columns.unit, columns.value))


def _counted(readings: Corrected, flag: Flags) -> Counted:
    counts = counts_as_evidence(flag) | readings.accepted
    counts &= ~(readings.excluded | readings.rival) & np.isfinite(readings.columns.value)
    return Counted(readings, flag, counts)
