"""What the probes of one pile said: readings of one placement, cut to it and told in Cel."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from service.domain.errors import Invalid
from service.domain.piles.events import CLOCK_TOLERANCE
from service.domain.quantities import QualityFlag, Unit
from service.domain.readings.quality import (
    HAND_READ_FROM_H,
    ReadSeries,
    Track,
    celsius,
    mistaken_unit_c,
    primary,
    track,
)

FLAG_FAIL: Final = QualityFlag.FAIL
FLAG_MISSING: Final = QualityFlag.MISSING
"""QARTOD primary flags; 1 good, 2 not evaluated and 3 suspect are used (IOOS, Manual for Real-Time Oceanographic
Data Quality Control Flags). A pile past 80 Cel is flagged suspect by its range, and must still be seen."""

HAND_READ_FROM: Final = timedelta(hours=HAND_READ_FROM_H)

_LEARN_FROM: Final = 100
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_US: Final = timedelta(microseconds=1)
_US_PER_H: Final = 3_600_000_000
_US_PER_DAY: Final = 24 * _US_PER_H
_DISTANT_US: Final = np.iinfo(np.int64).max


def to_us(moment: datetime) -> int:
    """Return microseconds since 1970-01-01T00:00Z.

    Raises
    ------
    Invalid
        If the time has no offset.
    """
    if moment.tzinfo is None:
        raise Invalid.field("", f"{moment.isoformat()} has no offset; give one, for example +00:00")
    return (moment - _EPOCH) // _US


def from_us(moment_us: int) -> datetime:
    """Return the UTC instant of microseconds since 1970-01-01T00:00Z."""
    return _EPOCH + moment_us * _US


@dataclass(frozen=True, eq=False)
class PositionSeries:
    """Temperature readings of one placement: one probe at one position of the pile.

    Attributes
    ----------
    position, serial, depth_cm
        Where it sits, which probe, how deep [cm].
    observed_us
        Ascending instants [us since 1970-01-01T00:00Z], int64.
    value, unit, flag
        As recorded, ``Unit`` codes, QARTOD flags as stored on arrival; one of each per instant.
    placed_from, placed_until
        Half-open span of the placement; readings outside it are not of this pile. None: still there.
    expected_interval
        How often it should speak; None: learned from its latest readings.
    excluded
        Where a person said that a reading does not count: it was heard, and tells nothing. None: nowhere.

    Raises
    ------
    Invalid
        If the columns differ in length or the instants do not ascend.
    """

    position: str
    serial: str
    depth_cm: float | None
    observed_us: NDArray[np.int64]
    value: NDArray[np.float64]
    unit: NDArray[np.integer[Any]]
    flag: NDArray[np.integer[Any]]
    placed_from: datetime
    placed_until: datetime | None = None
    expected_interval: timedelta | None = None
    excluded: NDArray[np.bool_] | None = None

    def __post_init__(self) -> None:
        pointer = f"/positions/{self.position}"
        columns = (self.observed_us, self.value, self.unit, self.flag, self.excluded)
        if len({column.size for column in columns if column is not None}) != 1:
            raise Invalid.field(
                pointer, "columns differ in length; give one value, unit and flag per instant"
            )
        if np.any(self.observed_us[1:] < self.observed_us[:-1]):
            raise Invalid.field(pointer, "instants do not ascend; sort the readings by observed_us")


@dataclass(frozen=True, eq=False)
class AirSeries:
    """Air temperature at the site: ascending instants [us], temperature [Cel]."""

    observed_us: NDArray[np.int64]
    temperature_c: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Heard:
    """What one placement had said by an instant.

    Attributes
    ----------
    series
        The placement.
    now_us
        The instant [us].
    at_us, temperature_c, value, unit, flag
        Its readings inside the placement that carry a number, failed ones included; primary flags.
    excluded
        Where a person said that a reading does not count.
    """

    series: PositionSeries
    now_us: int
    at_us: NDArray[np.int64]
    temperature_c: NDArray[np.float64]
    value: NDArray[np.float64]
    unit: NDArray[np.integer[Any]]
    flag: NDArray[np.int16]
    excluded: NDArray[np.bool_]

    @property
    def position(self) -> str:
        """Return the name of the position."""
        return self.series.position

    @cached_property
    def name(self) -> str:
        """Return position and probe, as a text names them."""
        return f"{self.series.position} ({self.series.serial})"

    @cached_property
    def in_place(self) -> bool:
        """Whether the probe still sits there."""
        until = self.series.placed_until
        return until is None or to_us(until) > self.now_us

    @cached_property
    def usable(self) -> NDArray[np.bool_]:
        """Where a reading has not failed its checks and nobody excluded it."""
        kept: NDArray[np.bool_] = (self.flag != FLAG_FAIL) & ~self.excluded
        return kept

    @cached_property
    def track(self) -> Track:
        """The usable readings as the tests of quality look at them."""
        series = ReadSeries(
            self.at_us[self.usable],
            self.value[self.usable],
            self.unit[self.usable].astype(np.int16),
            self.flag[self.usable],
            depth_cm=self.series.depth_cm,
        )
        return track(series, series.flag)

    @cached_property
    def usable_us(self) -> NDArray[np.int64]:
        """Instants of the usable readings [us]."""
        return self.at_us[self.usable]

    @cached_property
    def usable_c(self) -> NDArray[np.float64]:
        """Usable readings [Cel]."""
        return self.temperature_c[self.usable]

    @cached_property
    def silent_h(self) -> float:
        """Hours since it last spoke, or since it was placed if it never did [h]."""
        spoke = int(self.at_us[-1]) if self.at_us.size else to_us(self.series.placed_from)
        return max(0.0, (self.now_us - spoke) / _US_PER_H)

    @cached_property
    def would_be_c(self) -> float | None:
        """What the latest reading would be had its unit been mistaken [Cel]; None when there is no such doubt."""
        if not self.at_us.size or self.excluded[-1]:
            return None
        last, before = self.at_us.size - 1, self._usable_before_last
        return mistaken_unit_c(
            float(self.value[last]),
            int(self.unit[last]),
            told_c=float(self.temperature_c[last]),
            before_c=None if before is None else float(self.temperature_c[before]),
            days=0.0 if before is None else int(self.at_us[last] - self.at_us[before]) / _US_PER_DAY,
        )

    @cached_property
    def sound_place(self) -> int | None:
        """Place of the latest reading that has not failed and whose unit is not in doubt; None without one."""
        if self.at_us.size and self.usable[-1] and self.would_be_c is None:
            return self.at_us.size - 1
        return self._usable_before_last

    @cached_property
    def sound_c(self) -> float | None:
        """The latest sound reading [Cel]; None without one."""
        return None if self.sound_place is None else float(self.temperature_c[self.sound_place])

    @cached_property
    def sound_age_h(self) -> float:
        """Age of the latest sound reading [h]; infinite without one."""
        return math.inf if self.sound_place is None else self.age_h(self.sound_place)

    def recorded(self, place: int) -> str:
        """Return a reading as it was sent, for example ``131 [degF]``."""
        return f"{float(self.value[place]):g} {Unit(int(self.unit[place])).ucum}"

    def age_h(self, place: int) -> float:
        """Return the age of the reading at a place [h]."""
        return max(0.0, (self.now_us - int(self.at_us[place])) / _US_PER_H)

    @cached_property
    def _usable_before_last(self) -> int | None:
        earlier = np.flatnonzero(self.usable[:-1])
        return int(earlier[-1]) if earlier.size else None

    @cached_property
    def interval(self) -> timedelta | None:
        """How often it speaks: as told, else the median of its latest spacings; None with one reading."""
        if self.series.expected_interval is not None:
            return self.series.expected_interval
        recent = self.at_us[-_LEARN_FROM - 1 :]
        return float(np.median(np.diff(recent))) * _US if recent.size > 1 else None

    @cached_property
    def is_logger(self) -> bool:
        """Whether it speaks by itself; a probe whose rhythm is not known is taken for one read by hand."""
        return self.interval is not None and self.interval <= HAND_READ_FROM


def hear(series: PositionSeries, now: datetime) -> Heard:
    """Cut a series to its placement and to what had been said by ``now``, give or take ``CLOCK_TOLERANCE``."""
    until = series.placed_until
    ends = min(_DISTANT_US if until is None else to_us(until), to_us(now + CLOCK_TOLERANCE) + 1)
    first, last = np.searchsorted(series.observed_us, (to_us(series.placed_from), ends), "left")
    part = slice(int(first), int(max(first, last)))
    flag = primary(series.flag[part])
    spoken = (flag != FLAG_MISSING) & np.isfinite(series.value[part])
    value, unit = series.value[part][spoken], series.unit[part][spoken]
    return Heard(
        series,
        to_us(now),
        series.observed_us[part][spoken],
        celsius(value, unit),
        value,
        unit,
        flag[spoken],
        np.zeros(value.shape, np.bool_) if series.excluded is None else series.excluded[part][spoken],
    )


def standing(heard: Sequence[Heard]) -> tuple[Heard, ...]:
    """Return who speaks for each position, by position: the probes in place, else the one taken out last."""
    chosen: list[Heard] = []
    for position in sorted({one.position for one in heard}):
        here = sorted(
            (one for one in heard if one.position == position),
            key=lambda one: (one.series.placed_from, one.series.serial),
        )
        chosen += [one for one in here if one.in_place] or here[-1:]
    return tuple(chosen)
