"""What a rule demands of heat: holds, turnings, the mix and the curing, joined by all-of and any-of."""

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from service.domain.compliance.proofs import Duty
from service.domain.compliance.thresholds import Operator
from service.domain.quantities import Unit

Continuity = Literal[
    "consecutive", "cumulative", "silent_maintained", "silent_attains", "contiguous_if_possible"
]
TurnWindow = Literal["hot_period", "sliding", "any", "before_each"]


@dataclass(frozen=True, slots=True)
class DayCount:
    """When calendar days may stand in for elapsed hours.

    Attributes
    ----------
    days
        Days asked for.
    qualifies
        ``one_reading``: a day counts with one qualifying reading at each position; ``every_reading``: with at
        least one, and none that fails.
    record
        ``any``: the rule itself asks for daily readings, so days may be counted whatever the record;
        ``daily``: only where the record is one of daily readings.
    max_gap_h
        Longest time between two qualifying readings of successive days [h].
    daily_spacing_h
        A record whose readings stand a median of this many hours apart, or more, is one of daily readings [h].
    mixed_day_cool_h
        On a denser record a day with readings below the limit counts if it was cool no longer than this [h].
    """

    days: int
    qualifies: Literal["one_reading", "every_reading"]
    record: Literal["any", "daily"]
    max_gap_h: float
    daily_spacing_h: float
    mixed_day_cool_h: float


@dataclass(frozen=True, slots=True)
class DayGap:
    """A longer gap that still joins two readings when each due day between them has one.

    Attributes
    ----------
    max_gap_h
        Longest gap [h]; 24 h are added for each day between that is not due.
    weekdays
        Days on which a reading is due, Monday 0.
    """

    max_gap_h: float
    weekdays: frozenset[int]


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean over the whole period, by time and at each position, in the unit of the hold it belongs to."""

    operator: Operator
    threshold: Fraction


@dataclass(frozen=True, slots=True)
class Hold:
    """A temperature kept for a time.

    Attributes
    ----------
    name
        The profile in words, for example ``55 °C for 14 days``.
    operator, threshold, unit
        A reading qualifies when it stands in this relation to the limit, in the unit of the text.
    upper_limit
        Readings above it do not qualify either; None if the text has no ceiling.
    duration_h
        Elapsed hours asked for [h].
    continuity
        What the text itself says about interruptions.
    max_gap_h
        Longest time between two qualifying readings over which heat counts as held [h].
    day_gap, day_count
        Easier terms for rules whose evidence is a reading a day.
    mean
        What the mean over the period must come to; None if the text names none.
    within
        Holds whose time must lie within one stretch of ``duration_h`` of this one; their hours add up in it unless
        the text says consecutive.
    """

    name: str
    operator: Operator
    threshold: Fraction
    unit: Unit
    upper_limit: Fraction | None
    duration_h: float
    continuity: Continuity
    max_gap_h: float
    day_gap: DayGap | None = None
    day_count: DayCount | None = None
    mean: Mean | None = None
    within: tuple["Hold", ...] = ()

    @property
    def longest_gap_h(self) -> float:
        """Longest time between two readings that any of the terms allows [h]."""
        return max(self.max_gap_h, self.day_gap.max_gap_h if self.day_gap else 0.0)


@dataclass(frozen=True, slots=True)
class Turns:
    """Turnings a rule asks for.

    Attributes
    ----------
    minimum
        Number of turnings.
    window
        ``hot_period``: all inside the period kept hot, however long; ``sliding``: all inside one stretch with
        just the rule's hours; ``any``: at any time; ``before_each``: each after the hold's hours of heat since the
        turning counted before it.
    spacing_h
        Least time between turnings stated by the text [h]; 0 if none.
    hot_before_h
        The last reading before a turning must qualify and be no older than this [h]; None if not asked.
    regain_in_text
        True if the text itself asks that heat be reached again after the last turning.
    """

    minimum: int
    window: TurnWindow
    spacing_h: float
    hot_before_h: float | None
    regain_in_text: bool


@dataclass(frozen=True, slots=True)
class InitialMix:
    """Range of the carbon to nitrogen ratio the mix must have had at the start, ends included."""

    carbon_nitrogen_min: Fraction
    carbon_nitrogen_max: Fraction


@dataclass(frozen=True, slots=True)
class Curing:
    """A curing record the rule asks for; ``minimum_days`` is 0 where the text names no time."""

    minimum_days: float


@dataclass(frozen=True, slots=True)
class Heat:
    """A hold, and the turnings tied to its period; None if the rule asks for none."""

    hold: Hold
    turns: Turns | None = None


@dataclass(frozen=True, slots=True)
class AllOf:
    """Every part is asked."""

    of: tuple["Node", ...]


@dataclass(frozen=True, slots=True)
class AnyOf:
    """One part is enough; each is judged alone on the whole record."""

    of: tuple["Node", ...]


Node = Heat | Duty | AllOf | AnyOf


def heats(node: "Node") -> tuple[Heat, ...]:
    """Return the holds of a tree, in order."""
    if isinstance(node, AllOf | AnyOf):
        return tuple(one for part in node.of for one in heats(part))
    return (node,) if isinstance(node, Heat) else ()
