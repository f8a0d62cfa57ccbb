"""A line of piles on the wire: what is planned from, and the plan."""

from typing import Annotated, Any, Literal
from uuid import UUID

from pydantic import Field

from service.http.patterns import PatternIn
from service.http.values import Amount, Code, Day, FeedstockCode, Flag, In, Name, Number, Out, Positive, Whole

Share = Annotated[Number, Field(description="0 to 1.")]
Minutes = Annotated[Whole, Field(ge=0, le=1440)]
Aim = Literal["broken wishes", "promises moved", "readiness", "busiest day"]
Kind = Literal["build", "turn", "move", "check", "screen"]


class WorkIn(In):
    """What one person moves in an hour; the defaults are for forks and barrows."""

    build_m3_per_person_h: Positive = Field(default=1.0, description="Common practice, no source.")
    turn_m3_per_person_h: Positive = Field(
        default=2.0, description="By hand 1 to 3; from memory, low confidence."
    )
    screen_m3_per_person_h: Positive = Field(default=1.0, description="Common practice, no source.")
    check_min: Minutes = Field(default=10, description="For one look at one pile.")


class OrderIn(In):
    """A volume of finished compost that is wanted by a date, in one grade."""

    name: Name
    grade: Name = "bulk"
    volume_m3: Number
    by: Day


class ArrivalIn(In):
    """Feedstock that is there or comes later."""

    feedstock: FeedstockCode
    on: Day
    kg: Number


class LineAimsIn(In):
    """What a plan of one line is made with, whatever its piles are."""

    days: Whole = Field(description="How many days ahead piles may be built; at most 366.")
    orders: list[OrderIn] = Field(default_factory=list, max_length=500)
    arrivals: list[ArrivalIn] = Field(default_factory=list, max_length=2000)
    grades: dict[Name, Number] = Field(
        default_factory=lambda: {"bulk": 1.0},
        max_length=20,
        description="For each grade, the part of the finished volume that comes off the mesh as that grade.",
    )
    kept_pct: Number = Field(
        default=40.0,
        description="Volume left after heat and curing, % of the built volume; 40 is a planning figure, judgement.",
    )
    work: WorkIn = Field(default_factory=WorkIn)
    cures_in_bay: Flag = Field(default=False, description="Whether a pile keeps its bay until it is ready.")
    on_hand_m3: dict[Name, Amount] = Field(
        default_factory=dict, max_length=20, description="Finished volume there is, by grade."
    )
    reliability: dict[Name, Number] | None = Field(
        default=None,
        max_length=7,
        description="By weekday, the part of a day's planned work that gets done as a rule, 1 where left out. Null:"
        " what the site's record shows; of a line that is on no record all of it.",
    )


class PileOfLineIn(In):
    """A pile to be built, or one that stands already."""

    name: Name
    pattern: PatternIn | None = Field(default=None, description="The request's own when null.")
    volume_m3: Number
    rule: Code | None = None
    needs_kg: dict[FeedstockCode, Amount] = Field(default_factory=dict, max_length=50)
    earliest: Day | None = None
    latest: Day | None = Field(default=None, description="A later build is a broken wish.")
    bays: list[Name] | None = Field(
        default=None,
        max_length=200,
        description="Those it may stand in; of one that stands just the one, or [].",
    )
    built_on: Day | None = None
    turns_done: list[Day] = Field(default_factory=list, max_length=400)
    is_spare: Flag = Field(default=False, description="Built only if the wanted volumes need it.")


class WishedPileIn(In):
    """A pile to be built at a site, or so many of the kind; what stands there is on record."""

    name: Name
    count: Annotated[Whole, Field(ge=1, le=200)] | None = Field(
        default=None, description="So many, named 'name 1', 'name 2' …; one by the name itself when null."
    )
    pattern: PatternIn | None = None
    pattern_code: Code | None = Field(
        default=None, description="Shipped or own; the request's when both are null."
    )
    volume_m3: Number
    rule: Code | None = None
    recipe_id: UUID | None = Field(
        default=None, description="What it takes follows from it, made to its volume."
    )
    needs_kg: dict[FeedstockCode, Amount] = Field(default_factory=dict, max_length=50)
    earliest: Day | None = None
    latest: Day | None = None
    bays: list[Name] | None = Field(default=None, max_length=200)
    is_spare: Flag = False


class PlanAskIn(LineAimsIn):
    """What is wished of a site's line; calendar, bays, standing piles and stock are those on record."""

    piles: list[WishedPileIn] = Field(default_factory=list, max_length=200)
    pattern: PatternIn | None = Field(default=None, description="For piles that have none of their own.")
    pattern_code: Code | None = None
    stock_kg: dict[FeedstockCode, Amount] = Field(
        default_factory=dict,
        max_length=200,
        description="Feedstock that lies there, in place of its stock book; so do arrivals of it.",
    )
    within_s: Annotated[Number, Field(gt=0, le=600)] = Field(
        default=30.0, description="How long the search may take; it ends earlier when the plan is proven."
    )


class LineTaskCrewOut(Out):
    """A crew's part in a task."""

    crew: str
    minutes: int = Field(description="Person-minutes.")


class LineTaskOut(Out):
    """One task on one local date."""

    date: Day
    pile: str
    task: Kind
    bay: str
    to_bay: str | None
    number: int = Field(description="Which of its kind in the pile's life; a check's is its day of the pile.")
    of: int | None
    day_of_pile: int
    minutes: int = Field(description="Person-minutes.")
    reason: str
    crews: list[LineTaskCrewOut]


class LinePileOut(Out):
    """One pile of the line."""

    name: str
    bay: str
    build_on: Day
    turn_on: list[Day]
    hot_until: Day
    ready_on: Day
    ready_m3: dict[str, float]
    moved_days: int


class ChangeOut(Out):
    """A change that would mend a broken wish; it was tried."""

    kind: Literal["later", "extra_day", "extra_bay", "extra_pile", "material"]
    text: str
    dates: list[Day]
    days: int | None
    kg: float | None
    piles: int | None


class LineMisfitOut(Out):
    """A wish that cannot be kept."""

    wish: str
    kind: Literal["pile", "order", "turn"]
    because: str
    short_m3: float | None
    changes: list[ChangeOut]


class DayLoadOut(Out):
    """A day's work beside what is counted on of its crews [person-minutes]."""

    date: Day
    planned_min: int
    crew_min: int


class CrewWorkOut(Out):
    """A crew's work on one date."""

    date: Day
    crew: str
    people: int
    planned_min: int
    crew_min: int
    each_min: float = Field(description="How long each of its people works [min].")


class StageOut(Out):
    """How far one aim was brought, the aims before it being kept."""

    aim: Aim
    value: float
    bound: float = Field(description="Below it nothing exists.")
    gap_pct: float
    is_proven: bool


class LinePlanOut(Out):
    """The plan of a line."""

    state: Literal["planned", "cannot_be_kept"]
    piles: list[LinePileOut]
    left_out: list[str]
    tasks: list[LineTaskOut]
    misfits: list[LineMisfitOut]
    loads: list[DayLoadOut]
    crew_work: list[CrewWorkOut]
    how_shared: str
    stages: list[StageOut]
    gap_pct: float = Field(
        description="The largest of the aims that decide: wishes kept, then readiness or, of a repair, promises."
    )
    took_s: float
    ended_by: Literal["proof", "work", "clock", "caller"] = Field(
        description="'clock': another run may differ; all others give the same plan for the same request."
    )
    moves: list[str] = Field(description="What a repair moved.")
    notes: list[str] = Field(default_factory=list, description="What could not be planned with, and why.")
    network: dict[str, Any] | None = None
