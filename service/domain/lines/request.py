"""What a line of piles is planned from: crews, bays, piles, material that arrives, volumes that are wanted."""

import datetime as dt
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from service.domain.errors import FieldError, Invalid
from service.domain.schedules import Pattern, TurnConstraint

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
        For a pile that stands already, with the bay it stands in as the only one of ``bays``.
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

    @property
    def last(self) -> dt.date:
        """The last day on which a pile may be built."""
        return self.first + dt.timedelta(self.days - 1)

    def refuse_what_does_not_fit(self) -> None:
        """Check every value.

        Raises
        ------
        Invalid
            With one pointer for each value that does not fit.
        """
        found = [
            *_horizon_errors(self),
            *_crew_errors(self),
            *_bay_errors(self),
            *_pile_errors(self),
            *_order_errors(self),
            *_figure_errors(self),
        ]
        if found:
            raise Invalid(*found)


def _horizon_errors(request: LineRequest) -> Iterator[FieldError]:
    if not 1 <= request.days <= LONGEST_HORIZON_DAYS:
        detail = f"{request.days} days cannot be planned; give 1 to {LONGEST_HORIZON_DAYS}"
        yield FieldError("/days", detail)
    if len(request.piles) > MOST_PILES:
        detail = f"{len(request.piles)} piles are too many for one plan; give at most {MOST_PILES}"
        yield FieldError("/piles", detail)


def _crew_errors(request: LineRequest) -> Iterator[FieldError]:
    for on, minutes in request.crew_min.items():
        if minutes < 0:
            yield FieldError(f"/crew_min/{on}", f"{minutes} is below 0; give the person-minutes of that day")
    if not any(
        minutes > 0 and request.first <= on <= request.last for on, minutes in request.crew_min.items()
    ):
        detail = (
            f"no crew is there on any day from {request.first} to {request.last}; give work days with hours and"
            " people, or an extra day, or shorten the closures"
        )
        yield FieldError("/crew_min", detail)


def _bay_errors(request: LineRequest) -> Iterator[FieldError]:
    seen: set[str] = set()
    if not request.bays:
        yield FieldError("/bays", "no bay is given; a pile needs a place to stand")
    for index, bay in enumerate(request.bays):
        if bay.name in seen:
            detail = f"bay '{bay.name}' stands twice; one pile stands in a bay: name each bay once"
            yield FieldError(f"/bays/{index}/name", detail)
        seen.add(bay.name)
        if not bay.volume_m3 > 0:
            yield FieldError(f"/bays/{index}/volume_m3", f"{bay.volume_m3} holds no pile; give more than 0")


def _pile_errors(request: LineRequest) -> Iterator[FieldError]:
    names = {bay.name for bay in request.bays}
    largest = max((bay.volume_m3 for bay in request.bays), default=0.0)
    seen: set[str] = set()
    for index, pile in enumerate(request.piles):
        at = f"/piles/{index}"
        if pile.name in seen:
            yield FieldError(f"{at}/name", f"pile '{pile.name}' stands twice; name each pile once")
        seen.add(pile.name)
        yield from pile.pattern.errors(f"{at}/pattern")
        if not pile.volume_m3 > 0:
            yield FieldError(f"{at}/volume_m3", f"{pile.volume_m3} is no pile; give more than 0")
        elif pile.built_on is None and pile.bays is None and pile.volume_m3 > largest > 0:
            detail = f"{pile.volume_m3} m3 fits no bay; the largest holds {largest} m3: build smaller, or two piles"
            yield FieldError(f"{at}/volume_m3", detail)
        for place, bay in enumerate(pile.bays or ()):
            if bay not in names:
                detail = f"'{bay}' is no bay of this site; use one of {', '.join(sorted(names))}"
                yield FieldError(f"{at}/bays/{place}", detail)
        if pile.earliest is not None and pile.latest is not None and pile.earliest > pile.latest:
            detail = f"{pile.latest} lies before the earliest build {pile.earliest}; give a later date"
            yield FieldError(f"{at}/latest", detail)
        if pile.built_on is not None and pile.built_on > (request.today or request.first):
            detail = f"{pile.built_on} is to come; leave it out and wish for it with earliest and latest"
            yield FieldError(f"{at}/built_on", detail)


def _order_errors(request: LineRequest) -> Iterator[FieldError]:
    today = request.today or request.first
    for index, order in enumerate(request.orders):
        at = f"/orders/{index}"
        if order.by < today:
            yield FieldError(f"{at}/by", f"{order.by} is past; give {today} or later")
        if order.grade not in request.grades:
            detail = f"'{order.grade}' is no grade here; use one of {', '.join(sorted(request.grades))}"
            yield FieldError(f"{at}/grade", detail)
        if not order.volume_m3 > 0:
            yield FieldError(f"{at}/volume_m3", f"{order.volume_m3} asks for nothing; give more than 0")


def _figure_errors(request: LineRequest) -> Iterator[FieldError]:
    for index, arrival in enumerate(request.arrivals):
        if arrival.kg < 0:
            yield FieldError(f"/arrivals/{index}/kg", f"{arrival.kg} is below 0; give what arrives")
    for grade, share in request.grades.items():
        if not 0 < share <= 1:
            yield FieldError(f"/grades/{grade}", f"{share} is no part of a volume; give above 0, at most 1")
    if not 0 < request.kept_pct <= 100:  # noqa: PLR2004 - a whole
        yield FieldError("/kept_pct", f"{request.kept_pct} % cannot be left; give above 0, at most 100")
    work = request.work
    for name in ("build_m3_per_person_h", "turn_m3_per_person_h", "screen_m3_per_person_h"):
        if not getattr(work, name) > 0:
            yield FieldError(f"/work/{name}", f"{getattr(work, name)} moves nothing; give more than 0")
