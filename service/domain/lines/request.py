"""What a line of piles is planned from: crews, bays, piles, material that arrives, volumes that are wanted."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from service.domain.schedules import Pattern, TurnConstraint, weekday_of

LONGEST_HORIZON_DAYS: Final = 366
MOST_PILES: Final = 200
"""Of one site in one plan; a year of twelve bays is about half of it."""


@dataclass(frozen=True)
class Bay:
    """A place where one pile stands.

    Attributes
    ----------
    name
        As the crew calls it.
    volume_m3
        Filled to the mark.
    """

    name: str
    volume_m3: float


@dataclass(frozen=True)
class Work:
    """How long the work takes; the defaults are for forks and barrows.

    Attributes
    ----------
    build_m3_per_person_h, turn_m3_per_person_h, screen_m3_per_person_h
        What one person moves in an hour [m3/h]. Hand-turning 1 to 3 m3/h (recipes of the house, from memory, low
        confidence); building and screening are common practice, no source. Sites put their own in their place.
    check_min
        Minutes for one look at one pile: temperature, moisture, smell.
    """

    build_m3_per_person_h: float = 1.0
    turn_m3_per_person_h: float = 2.0
    screen_m3_per_person_h: float = 1.0
    check_min: int = 10


@dataclass(frozen=True)
class Promise:
    """Dates a crew was told before, which a new plan keeps unless it must move them."""

    build_on: dt.date
    turn_on: tuple[dt.date, ...]


@dataclass(frozen=True)
class PileWish:
    """A pile to be built, or one that stands already.

    Attributes
    ----------
    name
        Unique in the request.
    pattern
        When it is turned, how long it cures, whether it is screened.
    volume_m3
        As built.
    rule
        What a published rule asks of its turns, or None.
    needs_kg
        Feedstock by name, wet mass taken on the build day.
    earliest, latest
        Dates between which the build is wanted; a later one is a broken wish, an earlier one is impossible.
    bays
        Names of the bays it may stand in; None for any that holds it.
    built_on, turns_done
        For a pile that stands already, with the bay it stands in as the only one of ``bays``, or none if it was set
        aside to cure.
    soon
        Why a pile that stands is to be turned on the next day a crew can, such as "it runs too hot"; None for a turn
        when the pattern has it.
    is_spare
        Built only if the wanted volumes need it.
    promised
        Dates of the plan before, for a repair.
    """

    name: str
    pattern: Pattern
    volume_m3: float
    rule: TurnConstraint | None = None
    needs_kg: Mapping[str, float] = field(default_factory=dict)
    earliest: dt.date | None = None
    latest: dt.date | None = None
    bays: tuple[str, ...] | None = None
    built_on: dt.date | None = None
    turns_done: tuple[dt.date, ...] = ()
    soon: str | None = None
    is_spare: bool = False
    promised: Promise | None = None


@dataclass(frozen=True)
class Order:
    """A volume of finished compost that is wanted by a date, in one grade."""

    name: str
    grade: str
    volume_m3: float
    by: dt.date


@dataclass(frozen=True)
class Arrival:
    """Feedstock that is there (on the first day) or comes later."""

    feedstock: str
    on: dt.date
    kg: float


@dataclass(frozen=True)
class LineRequest:
    """One site's line.

    Attributes
    ----------
    first, days
        The horizon: builds fall on its days; turns, curing and screening may run past its end.
    crew_min
        Person-minutes by local date; 0 is a day on which the site is closed, a date without an entry one without a
        crew that might be opened. It should reach past the horizon by as
        much as a pile takes.
    grades
        For each grade, the part of the finished volume that comes off the mesh as that grade; a grade ``bulk`` of
        1 is unscreened compost.
    kept_pct
        Volume left after heat and curing, % of the built volume. Default 40: 45 % after the hot phase, of that
        90 % after curing (planning figures, judgement; handbooks print losses of 20 to 70 %).
    cures_in_bay
        Whether a pile keeps its bay until it is ready; otherwise it leaves the bay when its hot phase is over.
    on_hand_m3
        Finished volume by grade that is there on the first day.
    today
        Nothing is planned before it; the first day when None.
    reliability
        By weekday (``mon`` to ``sun``), the part of a day's planned work that gets done as a rule; the crew's minutes
        are counted at that much less. 1 where it is not given.
    """

    first: dt.date
    days: int
    crew_min: Mapping[dt.date, int]
    bays: Sequence[Bay]
    piles: Sequence[PileWish]
    orders: Sequence[Order] = ()
    arrivals: Sequence[Arrival] = ()
    grades: Mapping[str, float] = field(default_factory=lambda: {"bulk": 1.0})
    kept_pct: float = 40.0
    work: Work = field(default_factory=Work)
    cures_in_bay: bool = False
    on_hand_m3: Mapping[str, float] = field(default_factory=dict)
    today: dt.date | None = None
    reliability: Mapping[str, float] = field(default_factory=dict)

    @property
    def opens(self) -> dt.date:
        """The first day on which anything may be done."""
        return max(self.first, self.today or self.first)

    @property
    def counted_on(self) -> "LineRequest":
        """The request with the crews' minutes at what gets done of them as a rule."""
        if not self.reliability:
            return self
        crew = {
            on: int(there * self.reliability.get(weekday_of(on), 1.0)) for on, there in self.crew_min.items()
        }
        return replace(self, crew_min=crew, reliability={})

    @property
    def last(self) -> dt.date:
        """The last day on which a pile may be built."""
        return self.first + dt.timedelta(self.days - 1)
