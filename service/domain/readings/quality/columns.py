"""Readings of one probe as the tests see them: in order of time, told in Cel, without what already failed."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.errors import Invalid
from service.domain.quantities import UNITS_OF, QualityFlag, Quantity
from service.domain.readings.quality.flags import NEEDS_CONTEXT, Flags, primary, tests_of
from service.domain.temperatures import celsius

HOUR_US: Final = 3_600_000_000
DAY_US: Final = 24 * HOUR_US
ROUND_OFF_C: Final = 1e-6
"""Two thermometers that tell the same tenth differ by less in binary."""

HAND_READ_FROM_H: Final = 6.0
"""Readings further apart than this are taken by hand; common practice, no source."""

WHOLE_DEGREE_C: Final = 1.0
FEWEST_DISTINCT: Final = 5
"""A logger that has told fewer different numbers may be stuck, so its grid is not learned from them; house
figure."""

_GRIDS: Final = ((1.0, 0.0, 1.0), (1.8, 32.0, 5 / 9), (2.0, 0.0, 0.5), (3.6, 64.0, 5 / 18))
"""Whole Cel, whole degF, half Cel, half degF, coarsest first: per Cel, at 0 Cel, and the step [Cel]."""
_ON_GRID: Final = 1e-4
_GLANCE: Final = 64
_TEMPERATURE_UNITS: Final = frozenset(int(unit) for unit in UNITS_OF[Quantity.TEMPERATURE])
_PRIMARY: Final = frozenset(int(flag) for flag in QualityFlag)


@dataclass(frozen=True, eq=False)
class ReadSeries:
    """Temperature readings of one probe at one place, in any order.

    Attributes
    ----------
    observed_us
        ``(n,)`` microseconds since 1970-01-01T00:00Z.
    value, unit
        ``(n,)`` as recorded; ``Unit`` codes of a temperature.
    flag
        ``(n,)`` as stored on arrival: primary flag, with or without the bits of tests that need no context.
    is_hand_read
        Whether a person reads it; None: learned from its rhythm.
    depth_cm
        How deep it sits [cm]; None: not known.
    resolution_c
        Step of its scale [Cel]; None: learned from its numbers.

    Raises
    ------
    Invalid
        If columns differ in length, or a unit, a flag, the depth or the resolution is impossible.
    """

    observed_us: NDArray[np.int64]
    value: NDArray[np.float64]
    unit: NDArray[np.int16]
    flag: Flags
    is_hand_read: bool | None = None
    depth_cm: float | None = None
    resolution_c: float | None = None

    def __post_init__(self) -> None:
        lengths = {name: getattr(self, name).shape[0] for name in ("observed_us", "value", "unit", "flag")}
        if len(set(lengths.values())) != 1:
            told = ", ".join(f"{name} {length}" for name, length in lengths.items())
            raise Invalid.field(
                "/observed_us", f"columns differ in length ({told}); give one of each per reading"
            )
        _refuse_unknown("/unit", self.unit, _TEMPERATURE_UNITS, "a temperature unit")
        _refuse_unknown("/flag", primary(self.flag), _PRIMARY, "a QARTOD primary flag")
        late = int(np.bitwise_or.reduce(self.flag, initial=0)) & int(NEEDS_CONTEXT)
        if late:
            raise Invalid.field(
                "/flag", f"already carries {', '.join(tests_of(late))}; give flags as stored on arrival"
            )
        for name in ("depth_cm", "resolution_c"):
            figure = getattr(self, name)
            if figure is not None and not 0 <= figure < np.inf:
                raise Invalid.field(f"/{name}", f"{figure} is not a length of scale; give 0 or more, or null")


def _refuse_unknown(pointer: str, column: NDArray[np.integer[Any]], known: frozenset[int], what: str) -> None:
    if column.size and (int(column.min()) < 0 or not _among(column, known)):
        strange = min(set(np.unique(column).tolist()) - known)
        allowed = ", ".join(str(code) for code in sorted(known))
        raise Invalid.field(pointer, f"{strange} is not {what}; use one of {allowed}")


def _among(column: NDArray[np.integer[Any]], known: frozenset[int]) -> bool:
    present = np.flatnonzero(np.bincount(column))
    return set(present.tolist()) <= known


@dataclass(frozen=True, eq=False)
class Track:
    """The readings of a series that the tests compare, ascending in time.

    Attributes
    ----------
    series
        Where they come from.
    places
        ``(m,)`` where each stands in the series.
    at_us, temperature_c, value, unit
        ``(m,)`` instants [us], told in Cel, and as recorded.
    """

    series: ReadSeries
    places: NDArray[np.intp]
    at_us: NDArray[np.int64]
    temperature_c: NDArray[np.float64]
    value: NDArray[np.float64]
    unit: NDArray[np.int16]

    @property
    def size(self) -> int:
        """Number of readings compared."""
        return self.at_us.size

    @cached_property
    def is_hand_read(self) -> bool:
        """Whether a person reads it: as told, else when half its readings are more than 6 h apart."""
        if self.series.is_hand_read is not None:
            return self.series.is_hand_read
        return self.size < 2 or float(np.median(np.diff(self.at_us))) > HAND_READ_FROM_H * HOUR_US  # noqa: PLR2004 - a spacing needs two

    @cached_property
    def resolution_c(self) -> float:
        """Step of the scale [Cel], as told, else the coarsest of 1 Cel, 1 degF and their halves on which all lie.

        The same whatever unit the numbers were sent in; 0 where there is no such step.
        """
        if self.series.resolution_c is not None:
            return self.series.resolution_c
        for per_c, at_zero, step_c in _GRIDS:
            if self._on_grid(slice(_GLANCE), per_c, at_zero) and self._on_grid(slice(None), per_c, at_zero):
                learned = self.is_hand_read or np.unique(self.temperature_c).size >= FEWEST_DISTINCT
                return step_c if learned else 0.0
        return 0.0

    def _on_grid(self, part: slice, per_c: float, at_zero: float) -> bool:
        steps = self.temperature_c[part] * per_c + at_zero
        return bool((np.abs(steps - np.rint(steps)) <= _ON_GRID).all())


def track(series: ReadSeries, flag: Flags) -> Track:
    """Put a series in order of time and leave out what carries no number or has failed by ``flag``."""
    code = primary(flag)
    usable = (code != QualityFlag.FAIL) & (code != QualityFlag.MISSING) & np.isfinite(series.value)
    at = series.observed_us
    if bool((at[1:] > at[:-1]).all()):
        places = np.flatnonzero(usable)
    else:
        # By value and unit within an instant, so that the order of arrival decides nothing.
        order = np.lexsort((series.unit, series.value, at))
        places = order[usable[order]]
    value, unit = series.value[places], series.unit[places]
    return Track(series, places, at[places], celsius(value, unit), value, unit)
