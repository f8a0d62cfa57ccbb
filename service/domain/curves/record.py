"""What a curve is drawn from: lines of readings, limits, turns and spans that did not count."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from service.domain.errors import FieldError, Invalid

HOUR_US: Final = 3_600_000_000
DAY_US: Final = 24 * HOUR_US


@dataclass(frozen=True, eq=False)
class Line:
    """The readings of one position.

    Attributes
    ----------
    label
        The position's name.
    observed_us
        ``(n,)`` ascending instants [us since 1970-01-01T00:00Z].
    temperature_c
        ``(n,)`` [Cel]; not a number where a reading carries none.
    counts
        ``(n,)`` where a reading is evidence.
    since_us, until_us
        The position belongs to the pile between these instants.

    Raises
    ------
    Invalid
        If the columns differ in length or the instants do not ascend.
    """

    label: str
    observed_us: NDArray[np.int64]
    temperature_c: NDArray[np.float64]
    counts: NDArray[np.bool_]
    since_us: int
    until_us: int

    def __post_init__(self) -> None:
        pointer = f"/lines/{self.label}"
        if len({self.observed_us.shape, self.temperature_c.shape, self.counts.shape}) != 1:
            raise Invalid.field(
                pointer, "columns differ in length; give one temperature and mark per instant"
            )
        if bool((self.observed_us[1:] < self.observed_us[:-1]).any()):
            raise Invalid.field(pointer, "instants do not ascend; sort the readings by observed_us")

    def where(self, kept: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return the instants and temperatures of some readings, without those that carry no number."""
        told: NDArray[Any] = kept & np.isfinite(self.temperature_c)
        return self.observed_us[told], self.temperature_c[told]


@dataclass(frozen=True)
class Limit:
    """A temperature a rule names.

    Attributes
    ----------
    temperature_c
        [Cel], told to a millionth as readings are.
    label
        As the text has it, for example ``≥ 131 °F``.
    is_upper
        True for a ceiling.
    """

    temperature_c: float
    label: str
    is_upper: bool = False


@dataclass(frozen=True)
class TurnMark:
    """A recorded turn and whether the rule counts it."""

    at_us: int
    counts: bool = True


@dataclass(frozen=True)
class LostSpan:
    """A stretch that did not count: when, why, and at which position (None: the whole pile)."""

    from_us: int
    to_us: int
    cause: str
    position: str | None = None


@dataclass(frozen=True)
class AlsoAsked:
    """Another hold of the same rule: its name, where heat counted under it ``(from, to)`` [us], and what was lost."""

    name: str
    held: Sequence[tuple[int, int]]
    lost: Sequence[LostSpan]


@dataclass(frozen=True, eq=False)
class CurveRecord:
    """All that one curve shows.

    Attributes
    ----------
    heading
        What stands above it, for example the pile's label.
    rule_title
        The rule its limits come from; None without a rule.
    lines, limits, turns, lost
        See the classes.
    held
        Spans ``(from, to)`` in which heat counted [us].
    also
        Other holds of the same rule, each drawn beneath.
    suspected_us
        Where the lines fall as they do at a turn, and none is on record [us].
    zone
        The site's time zone.
    since_us, until_us
        The span shown [us].
    longest_gap_us
        Two readings further apart are never joined.
    in_fahrenheit
        Whether the rule's text speaks in degF: then a second axis does.

    Raises
    ------
    Invalid
        If the span shown is empty, or two lines carry one label.
    """

    heading: str
    rule_title: str | None
    lines: Sequence[Line]
    limits: Sequence[Limit]
    turns: Sequence[TurnMark]
    lost: Sequence[LostSpan]
    held: Sequence[tuple[int, int]]
    zone: ZoneInfo
    since_us: int
    until_us: int
    longest_gap_us: int = DAY_US
    in_fahrenheit: bool = False
    also: Sequence[AlsoAsked] = ()
    suspected_us: Sequence[int] = ()

    def __post_init__(self) -> None:
        errors = []
        if self.since_us >= self.until_us:
            errors.append(FieldError("/until_us", "not after since_us; give a span of time to show"))
        labels = [line.label for line in self.lines]
        errors += [
            FieldError("/lines", f"{label!r} comes twice; give each position one line")
            for label in sorted({label for label in labels if labels.count(label) > 1})
        ]
        if errors:
            raise Invalid(*errors)
