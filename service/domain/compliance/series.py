"""The readings of one position, and how plain readings become such series."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any, Final, Literal
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from service.domain.compliance.instants import DISTANT_FUTURE, DISTANT_PAST, Instants, to_us
from service.domain.compliance.thresholds import TEMPERATURE_UNITS
from service.domain.errors import Invalid
from service.domain.quantities import QualityFlag, Unit, temperature_in
from service.domain.readings.quality import Flags, counts_as_evidence, primary
from service.domain.temperatures import written

ACCEPTED: Final = 1
EXCLUDED: Final = -1
"""What a person said of a reading; 0: nothing."""

FLAGS: Final = frozenset(int(flag) for flag in QualityFlag)
_FLAGS_END: Final = 1 << 15
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
        Quality, with or without the bits of tests that objected; ``EVIDENCE_EXCLUDES`` names what is not evidence.
    """

    position: str
    observed_at: datetime
    value: float
    unit: Unit = Unit.CEL
    flag: int = QualityFlag.GOOD


@dataclass(frozen=True, slots=True, eq=False)
class Applied:
    """A person's entry that speaks of readings of one position.

    Attributes
    ----------
    correction
        Its id.
    kind
        What it says of them.
    observed_at
        ``(m,)`` instants of the readings it holds for, ascending [us].
    """

    correction: UUID
    kind: Literal["accept", "exclude", "shift", "unit"]
    observed_at: Instants


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
        ``(n,)`` codes of :class:`~service.domain.quantities.QualityFlag`, with or without the bits of tests that
        objected on arrival.
    required_from, required_until
        The position is part of the pile between these aware times; None for the whole record. Readings taken
        outside are not evidence about the pile.
    assessed
        ``(n,)`` flags once the tests have looked at all readings of the pile together; None: ``flag`` is all that
        is known.
    said
        ``(n,)`` ``ACCEPTED`` (evidence whatever its flag), ``EXCLUDED`` (never) or 0; None: nobody said anything.
    applied
        The entries of persons behind the series.
    depth_cm, accuracy_c, calibrated_at
        How deep the probe sits [cm], by how much it may be off [Cel], and its last calibration (aware); None where
        nobody said.

    Raises
    ------
    Invalid
        If arrays differ in length, times do not ascend, or a unit or flag is unknown.
    """

    position: str
    observed_at: Instants
    value: NDArray[np.float64]
    unit: NDArray[np.integer[Any]]
    flag: NDArray[np.integer[Any]]
    required_from: datetime | None = None
    required_until: datetime | None = None
    assessed: Flags | None = None
    said: NDArray[np.int8] | None = None
    applied: tuple[Applied, ...] = ()
    depth_cm: float | None = None
    accuracy_c: float | None = None
    calibrated_at: datetime | None = None

    def __post_init__(self) -> None:
        pointer = f"/series/{self.position}"
        columns = (self.observed_at, self.value, self.unit, self.flag, self.assessed, self.said)
        if len({column.shape for column in columns if column is not None}) != 1:
            raise Invalid.field(
                pointer, "times, values, units and flags differ in number; give one of each per reading"
            )
        if self.observed_at.size and not bool((self.observed_at[1:] > self.observed_at[:-1]).all()):
            raise Invalid.field(pointer, "times do not ascend; sort the readings and keep one per instant")
        for name, found, known in (
            ("unit", self.unit, UNITS),
            ("flag", primary(self.flag), FLAGS),
        ):
            strange = _strange(found, known)
            if strange:
                allowed = ", ".join(str(code) for code in sorted(known))
                raise Invalid.field(
                    f"{pointer}/{name}", f"{strange[0]} is not a temperature {name}; use one of {allowed}"
                )
        for name in ("depth_cm", "accuracy_c"):
            figure = getattr(self, name)
            if figure is not None and not (math.isfinite(figure) and figure >= 0):
                raise Invalid.field(f"{pointer}/{name}", f"{figure} is not a figure; give 0 or more, or null")
        if self.calibrated_at is not None:
            to_us(self.calibrated_at, f"{pointer}/calibrated_at")
        if self.starts_us >= self.ends_us:
            raise Invalid.field(
                f"{pointer}/required_until", "not after required_from; swap or correct the two times"
            )

    def counts(self, until: int) -> NDArray[np.bool_]:
        """Return which of the first ``until`` readings are evidence, wherever the position was placed."""
        flag = self.flag if self.assessed is None else self.assessed
        counted: NDArray[np.bool_] = counts_as_evidence(flag[:until])
        if self.said is not None:
            counted = (counted | (self.said[:until] == ACCEPTED)) & (self.said[:until] != EXCLUDED)
        return counted & ~np.isnan(self.value[:until])

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


def _strange(codes: NDArray[np.integer[Any]], known: frozenset[int]) -> list[int]:
    if codes.size and int(codes.min()) >= 0 and set(np.flatnonzero(np.bincount(codes)).tolist()) <= known:
        return []
    return sorted(set(np.unique(codes).tolist()) - known)


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
    if not 0 <= reading.flag < _FLAGS_END or int(primary(np.array(reading.flag))) not in FLAGS:
        raise Invalid.field(
            f"/readings/{index}/flag", f"{reading.flag} is not a quality flag; use 1, 2, 3, 4 or 9"
        )


def _rank(reading: Reading) -> tuple[bool, Fraction, int, int]:
    if math.isnan(reading.value):
        return True, Fraction(0), int(reading.unit), int(reading.flag)
    celsius = temperature_in(written(float(reading.value)), reading.unit, Unit.CEL)
    counts = bool(counts_as_evidence(np.array(reading.flag)))
    return not counts, celsius, int(reading.unit), int(reading.flag)


def _series(
    position: str, rows: Sequence[tuple[int, Reading]], since: datetime | None, until: datetime | None
) -> Series:
    return Series(
        position,
        np.array([at for at, _ in rows], dtype=np.int64),
        np.array([reading.value for _, reading in rows], dtype=np.float64),
        np.array([reading.unit for _, reading in rows], dtype=np.uint8),
        np.array([reading.flag for _, reading in rows], dtype=np.int16),
        since,
        until,
    )
