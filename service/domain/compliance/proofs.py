"""What a rule asks besides heat, and by what kind of evidence each demand is shown."""

from dataclasses import dataclass
from fractions import Fraction
from typing import Final, Literal

Limit = Literal["<", "<=", ">", ">="]
LIMITS: Final[tuple[Limit, ...]] = ("<", "<=", ">", ">=")


def keeps(value: Fraction, operator: Limit, limit: Fraction) -> bool:
    """Tell whether a figure stands to its limit as asked, exactly."""
    return (
        (operator == "<" and value < limit)
        or (operator == "<=" and value <= limit)
        or (operator == ">" and value > limit)
        or (operator == ">=" and value >= limit)
    )


@dataclass(frozen=True, slots=True)
class OnRecord:
    """Shown only by a record that carries the duty's name, or one that stands in its place."""


@dataclass(frozen=True, slots=True)
class ReadingDays:
    """Shown by a reading at each position on each of these weekdays, Monday 0."""

    weekdays: frozenset[int]


@dataclass(frozen=True, slots=True)
class TurnsOnFile:
    """Shown by a number of turnings on file."""

    least: int


@dataclass(frozen=True, slots=True)
class ReadingGaps:
    """Shown by readings that are nowhere further apart than this [h]."""

    max_gap_h: float


@dataclass(frozen=True, slots=True)
class Laboratory:
    """Shown by the samples of one day; results of different days are never put together.

    Attributes
    ----------
    figure
        Name of the figure, unit included, for example ``fecal_coliform_mpn_g``.
    operator, limit
        How it must stand to its limit.
    statistic
        ``each``: every sample of that day; ``geometric_mean``: their geometric mean.
    samples
        Least number of samples.
    """

    figure: str
    operator: Limit
    limit: Fraction
    statistic: Literal["each", "geometric_mean"] = "each"
    samples: int = 1


@dataclass(frozen=True, slots=True)
class Measured:
    """Shown by a figure on record, ends included; None where the text names no end."""

    figure: str
    least: Fraction | None
    most: Fraction | None


@dataclass(frozen=True, slots=True)
class Depths:
    """Shown by the depth at which each position lies [cm], ends included."""

    least_cm: float
    most_cm: float


@dataclass(frozen=True, slots=True)
class Places:
    """Shown by enough positions: one per length or per volume or fraction of it, and a least number.

    Attributes
    ----------
    per_m, per_m3
        Length [m] and volume [m3] that one position may stand for; None if not named. Where both are, one suffices.
    least
        Least number of positions whatever the size.
    """

    per_m: float | None
    per_m3: float | None
    least: int


@dataclass(frozen=True, slots=True)
class Calibrated:
    """Shown by a calibration of every probe, no longer before its last reading that counts than this [d]."""

    within_days: float


@dataclass(frozen=True, slots=True)
class ByMethod:
    """Shown by the way the pile is composted."""

    methods: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Every:
    """Every part must be shown."""

    of: tuple["Shown", ...]


@dataclass(frozen=True, slots=True)
class AnyOne:
    """One part is enough."""

    of: tuple["Shown", ...]


Proof = (
    OnRecord
    | ReadingDays
    | TurnsOnFile
    | ReadingGaps
    | Laboratory
    | Measured
    | Depths
    | Places
    | Calibrated
    | ByMethod
    | Every
    | AnyOne
)


@dataclass(frozen=True, slots=True)
class Shown:
    """One part of a proof.

    Attributes
    ----------
    name
        A record of this name also shows it; empty if none can.
    proof
        By what it is shown.
    """

    name: str
    proof: Proof


@dataclass(frozen=True, slots=True)
class Duty:
    """Something the rule asks besides temperature, time and turning.

    Attributes
    ----------
    name
        The name a record of it carries.
    requirement
        What is asked, in words.
    proof
        By what it is shown.
    instead
        Names of records that also discharge it.
    guidance
        True if the text does not ask for it and a careful inspector does.
    """

    name: str
    requirement: str
    proof: Proof
    instead: frozenset[str] = frozenset()
    guidance: bool = False
