"""What was recorded of one pile, as a verdict needs it."""

import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from fractions import Fraction
from typing import Final

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.instants import DISTANT_FUTURE, DISTANT_PAST, Instants, to_us
from service.domain.compliance.thresholds import TEMPERATURE_UNITS, written
from service.domain.errors import FieldError, Invalid
from service.domain.quantities import QualityFlag, Unit, temperature_in

EXCLUDED: Final = (QualityFlag.FAIL, QualityFlag.MISSING)
FLAGS: Final = frozenset(int(flag) for flag in QualityFlag)
UNITS: Final = frozenset(int(unit) for unit in TEMPERATURE_UNITS)


@dataclass(frozen=True, slots=True)
class Reading:
    """One temperature reading.

    Attributes
    ----------
    position
        Place in the pile.
    observed_at
        Aware time of observation.
    value, unit
        As recorded; never converted before it meets a rule.
    flag
        Quality; ``FAIL`` and ``MISSING`` are not evidence.
    """

    position: str
    observed_at: datetime
    value: float
    unit: Unit = Unit.CEL
    flag: int = QualityFlag.GOOD


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """The readings of one position.

    Attributes
    ----------
    position
        Place in the pile.
    observed_at
        ``(n,)`` microseconds since 1970 UTC, strictly ascending.
    value
        ``(n,)`` as recorded.
    unit
        ``(n,)`` codes of :class:`~service.domain.quantities.Unit`.
    flag
        ``(n,)`` codes of :class:`~service.domain.quantities.QualityFlag`.
    required_from, required_until
        The position is part of the pile between these aware times; None for the whole record. Readings taken
        outside are not evidence about the pile.

    Raises
    ------
    Invalid
        If arrays differ in length, times do not ascend, or a unit or flag is unknown.
    """

    position: str
    observed_at: Instants
    value: NDArray[np.float64]
    unit: NDArray[np.uint8]
    flag: NDArray[np.uint8]
    required_from: datetime | None = None
    required_until: datetime | None = None

    def __post_init__(self) -> None:
        pointer = f"/series/{self.position}"
        if len({self.observed_at.shape, self.value.shape, self.unit.shape, self.flag.shape}) != 1:
            raise Invalid.field(
                pointer, "times, values, units and flags differ in number; give one of each per reading"
            )
        if self.observed_at.size and not bool((self.observed_at[1:] > self.observed_at[:-1]).all()):
            raise Invalid.field(pointer, "times do not ascend; sort the readings and keep one per instant")
        for name, found, known in (
            ("unit", self.unit, UNITS),
            ("flag", self.flag, FLAGS),
        ):
            strange = sorted(set(np.unique(found).tolist()) - known)
            if strange:
                allowed = ", ".join(str(code) for code in sorted(known))
                raise Invalid.field(
                    f"{pointer}/{name}", f"{strange[0]} is not a temperature {name}; use one of {allowed}"
                )
        if self.starts_us >= self.ends_us:
            raise Invalid.field(
                f"{pointer}/required_until", "not after required_from; swap or correct the two times"
            )

    @property
    def starts_us(self) -> int:
        """Instant from which the position belongs to the pile."""
        pointer = f"/series/{self.position}/required_from"
        return DISTANT_PAST if self.required_from is None else to_us(self.required_from, pointer)

    @property
    def ends_us(self) -> int:
        """Instant up to which the position belongs to the pile."""
        pointer = f"/series/{self.position}/required_until"
        return DISTANT_FUTURE if self.required_until is None else to_us(self.required_until, pointer)


@dataclass(frozen=True, slots=True, eq=False)
class History:
    """What was recorded of one pile.

    Attributes
    ----------
    series
        One per position, in any order; build from plain readings with :func:`series_of`.
    turns
        Aware times of whole-pile turnings, in any order.
    restarts
        Aware times at which fresh material was added; nothing before the last one counts.
    initial_carbon_nitrogen_ratio
        Of the mix at the start, from recipe or laboratory; None if not on record.
    cured_days
        Days of curing on record [d]; None if there is no curing record.
    duties_recorded
        Names of the duties for which a record exists.
    required_positions
        Positions that must all be hot; None for every position seen.
    closed
        True when the process has ended and no more heat can come.

    Raises
    ------
    Invalid
        If a position comes twice, or a figure is impossible.
    """

    series: tuple[Series, ...] = ()
    turns: tuple[datetime, ...] = ()
    restarts: tuple[datetime, ...] = ()
    initial_carbon_nitrogen_ratio: float | None = None
    cured_days: float | None = None
    duties_recorded: frozenset[str] = frozenset()
    required_positions: frozenset[str] | None = None
    closed: bool = False
    turns_us: tuple[int, ...] = field(init=False)
    restarts_us: tuple[int, ...] = field(init=False)

    def __post_init__(self) -> None:
        names = [series.position for series in self.series]
        errors = [
            FieldError("/series", f"position {name!r} comes twice; give all its readings in one series")
            for name in sorted({name for name in names if names.count(name) > 1})
        ]
        ratio, cured = self.initial_carbon_nitrogen_ratio, self.cured_days
        if ratio is not None and not (math.isfinite(ratio) and ratio > 0):
            errors.append(
                FieldError(
                    "/initial_carbon_nitrogen_ratio",
                    f"{ratio} is not a ratio; give carbon per nitrogen, above 0",
                )
            )
        if cured is not None and not (math.isfinite(cured) and cured >= 0):
            errors.append(
                FieldError("/cured_days", f"{cured} is not a number of days; give 0 or more, or null")
            )
        if errors:
            raise Invalid(*errors)
        for name in ("turns", "restarts"):
            moments = {to_us(at, f"/{name}/{i}") for i, at in enumerate(getattr(self, name))}
            object.__setattr__(self, f"{name}_us", tuple(sorted(moments)))


def series_of(
    readings: Iterable[Reading],
    bounds: Mapping[str, tuple[datetime | None, datetime | None]] | None = None,
) -> tuple[Series, ...]:
    """Sort plain readings into one series per position.

    The order of arrival does not matter. Of two readings for one position and instant one is kept: evidence
    before what a check failed, then the colder one, so that a disputed pair can never favour the pile.

    Parameters
    ----------
    readings
        In any order, repeated ones included.
    bounds
        By position, the aware times from and until which it belongs to the pile.

    Raises
    ------
    Invalid
        If a time has no offset, a value is infinite, or a unit or flag is unknown; names the reading.
    """
    found: dict[str, dict[int, Reading]] = {}
    for index, reading in enumerate(readings):
        at = to_us(reading.observed_at, f"/readings/{index}/observed_at")
        _refuse_unusable(reading, index)
        kept = found.setdefault(reading.position, {})
        if at not in kept or _rank(reading) < _rank(kept[at]):
            kept[at] = reading
    limits = bounds or {}
    return tuple(
        _series(position, sorted(found.get(position, {}).items()), *limits.get(position, (None, None)))
        for position in sorted(found.keys() | limits.keys())
    )


def _refuse_unusable(reading: Reading, index: int) -> None:
    if reading.unit not in UNITS:
        raise Invalid.field(
            f"/readings/{index}/unit", f"{reading.unit!r} is not a temperature unit; use Cel, [degF] or K"
        )
    if math.isinf(reading.value):
        raise Invalid.field(
            f"/readings/{index}/value", f"{reading.value} is not a temperature; leave the reading out"
        )
    if reading.flag not in FLAGS:
        raise Invalid.field(
            f"/readings/{index}/flag", f"{reading.flag} is not a quality flag; use 1, 2, 3, 4 or 9"
        )


def _rank(reading: Reading) -> tuple[bool, Fraction, int, int]:
    if math.isnan(reading.value):
        return True, Fraction(0), int(reading.unit), int(reading.flag)
    celsius = temperature_in(written(float(reading.value)), reading.unit, Unit.CEL)
    return reading.flag in EXCLUDED, celsius, int(reading.unit), int(reading.flag)


def _series(
    position: str, rows: Sequence[tuple[int, Reading]], since: datetime | None, until: datetime | None
) -> Series:
    return Series(
        position,
        np.array([at for at, _ in rows], dtype=np.int64),
        np.array([reading.value for _, reading in rows], dtype=np.float64),
        np.array([reading.unit for _, reading in rows], dtype=np.uint8),
        np.array([reading.flag for _, reading in rows], dtype=np.uint8),
        since,
        until,
    )


def readings_digest(history: History, judged_us: int) -> str:
    """Return a digest of every reading a verdict saw, the same for any order of arrival.

    SHA-256 over, for each position in order of its name: the name in UTF-8, a zero byte, the number of readings
    as a little-endian 64-bit integer, then the times (64-bit integers, microseconds since 1970 UTC), the values
    (64-bit IEEE floats), the unit codes and the flags (one byte each), all little-endian and in order of time.

    Returns
    -------
    str
        ``sha256:`` and 64 hexadecimal digits.
    """
    digest = hashlib.sha256()
    for series in sorted(history.series, key=lambda one: one.position):
        n = int(np.searchsorted(series.observed_at, judged_us, side="right"))
        if n == 0:
            continue
        digest.update(series.position.encode() + b"\0" + n.to_bytes(8, "little"))
        # Adding 0.0 turns -0.0 into 0.0, and every not-a-number into one, so equal values have equal bytes.
        values = np.where(np.isnan(series.value[:n]), np.nan, series.value[:n] + 0.0)
        digest.update(series.observed_at[:n].astype("<i8").tobytes())
        digest.update(values.astype("<f8").tobytes())
        digest.update(series.unit[:n].astype("u1").tobytes() + series.flag[:n].astype("u1").tobytes())
    return f"sha256:{digest.hexdigest()}"
