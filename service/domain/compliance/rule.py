"""What a published time-temperature rule is made of: criteria, duties, and how its silences are read."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any, Final, Literal, Self

from service.domain.compliance.thresholds import Operator
from service.domain.quantities import Unit

Interpretation = Literal["inspector", "literal", "cumulative"]
INTERPRETATIONS: Final[tuple[Interpretation, ...]] = ("inspector", "literal", "cumulative")

Continuity = Literal["consecutive", "cumulative", "silent_maintained", "contiguous_if_possible"]
TurnWindow = Literal["hot_period", "sliding", "any"]
TextStatus = Literal["read", "second-hand", "unverified"]


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
        just the rule's hours; ``any``: at any time.
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
class Duty:
    """Something the rule asks besides time, temperature, turning, initial mix and curing.

    Attributes
    ----------
    name
        The name a record of it carries.
    requirement
        What is asked, in words.
    evidence
        ``record``: shown only by a record of it; ``reading_days``: judged from the days that have readings;
        ``turns``: judged from the turnings on file; ``reading_gaps``: judged from the longest gap.
    weekdays
        For ``reading_days``: days on which a reading is due, Monday 0.
    least
        For ``turns``: number of turnings that shows it.
    max_gap_h
        For ``reading_gaps``: longest gap [h].
    instead
        Names of records that also discharge it.
    """

    name: str
    requirement: str
    evidence: Literal["record", "reading_days", "turns", "reading_gaps"]
    weekdays: frozenset[int] = frozenset()
    least: int = 0
    max_gap_h: float = 0.0
    instead: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Switch:
    """One silence of the text and how each interpretation fills it.

    Attributes
    ----------
    key
        The field of :class:`TextReading` it sets.
    amb
        Number of the ambiguity, for example ``AMB-05``.
    question
        What the text leaves open.
    values
        The answer by interpretation.
    """

    key: str
    amb: str
    question: str
    values: Mapping[Interpretation, str | float]


@dataclass(frozen=True, slots=True)
class TextReading:
    """How the silences of a text are filled under one interpretation.

    Attributes
    ----------
    continuity
        ``unbroken``: one run, begun again after an interruption; ``cumulative``: hours add up.
    turn_transient_h
        A fall caused by a turning and made good within this time does not break a run [h]; 0 for none.
    turn_apart_h
        Turnings closer together than this count as one [h].
    regain_within_h
        Heat must be shown again within this time of the last turning [h]; 0 if not asked.
    above_limit
        Whether time above the upper limit ``breaks`` a run or is merely ``not_counted``.
    """

    continuity: Literal["unbroken", "cumulative"] = "unbroken"
    turn_transient_h: float = 0.0
    turn_apart_h: float = 0.0
    regain_within_h: float = 0.0
    above_limit: Literal["breaks", "not_counted"] = "breaks"

    def answering(self, switch: Switch, interpretation: Interpretation) -> Self:
        """Return a copy with one silence filled as an interpretation fills it."""
        changed: dict[str, Any] = {
            switch.key: switch.values[interpretation]
        }  # Any: the loader checked the type
        return replace(self, **changed)


@dataclass(frozen=True, slots=True)
class Rule:
    """One published rule, as its data file gives it.

    Attributes
    ----------
    id, title, jurisdiction, methods
        What it is called, where it applies, and to which ways of composting.
    phrase, citation, text_source
        The words that matter, where they stand, and the copy they were taken from.
    text_as_of, text_status
        When that copy was noted (``unverified`` if none was), and whether it was the text itself.
    holds
        Alternatives; each is judged alone on the whole record and one is enough.
    turns, initial_mix, curing, duties, switches
        See the classes.
    version
        ``sha256:`` and the digest of the data file; stored with every verdict.
    """

    id: str
    title: str
    jurisdiction: str
    methods: tuple[str, ...]
    phrase: str
    citation: str
    text_source: str
    text_as_of: str
    text_status: TextStatus
    holds: tuple[Hold, ...]
    turns: Turns | None
    initial_mix: InitialMix | None
    curing: Curing | None
    duties: tuple[Duty, ...]
    switches: tuple[Switch, ...]
    version: str

    def reading(self, interpretation: Interpretation) -> TextReading:
        """Return how this interpretation fills the silences of the text."""
        # Only a text that itself lets hours add up is cumulative without a switch.
        stated = {hold.continuity for hold in self.holds}
        adds_up = stated <= {"cumulative", "contiguous_if_possible"}
        text = TextReading(continuity="cumulative" if adds_up else "unbroken")
        for switch in self.switches:
            text = text.answering(switch, interpretation)
        return text
