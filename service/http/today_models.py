"""A crew's day as it is sent and shown."""

from typing import Annotated, Literal, Self
from urllib.parse import urlencode
from uuid import UUID

from pydantic import Field

from service.domain.published import Status
from service.domain.today import Item, Recorded, Task
from service.http.events import EventOut, HandTemperature, Height
from service.http.values import Amount, Day, Flag, In, Instant, Name, Note, Number, Out, Positive
from service.operations.today_done import Completed
from service.operations.today_list import TodayList
from service.operations.today_told import Told
from service.storage.tables import PileRow

HandFahrenheit = Annotated[Number, Field(ge=-40, le=752)]


class TaskCautionOut(Out):
    """What can hurt someone, and where that is from."""

    name: str
    text: str
    source: str
    status: Status


class DoneOut(Out):
    """Who did it and when."""

    at: Instant
    crew: str | None
    event_id: UUID | None = Field(
        description="Correct this event to undo it; null where only the plan says so."
    )


class LinksOut(Out):
    """Where to look and where to say that it is done."""

    pile: str | None
    done: str
    build_sheet: str | None = Field(description="For a build whose pile has a recipe and a bay.")


class TodayItemOut(Out):
    """One thing to do at one pile."""

    id: str
    task: Task
    title: str
    pile: str
    pile_id: UUID | None
    bay: str | None
    to_bay: str | None
    why: list[str] = Field(description="Why today, the gravest first.")
    urgency: Literal["now", "today", "planned", "can_wait"] = Field(
        description="now: danger. today: something is lost before the next visit. planned: the plan has it."
    )
    lost_at: Instant | None = Field(description="When a rule loses what it has.")
    due: Day | None
    minutes: int | None = Field(description="Person-minutes; null when not known.")
    place: str = Field(description="Why it stands where it stands in the list.")
    after: list[str] = Field(description="Ids of the items that must be done before it.")
    held: str | None = Field(description="Why it must not be done now.")
    positions: list[str]
    remedies: list[str]
    tools: list[str]
    cautions: list[TaskCautionOut]
    look_for: list[str]
    record: list[Recorded] = Field(description="What to tell when it is done.")
    done: DoneOut | None
    links: LinksOut

    @classmethod
    def of(cls, item: Item, site_id: UUID, pile: PileRow | None) -> Self:
        """Return an item as it is shown."""
        practice = item.practice
        plain = {name: getattr(item, name) for name in cls.model_fields if hasattr(item, name)}
        of_practice = {name: getattr(practice, name) for name in ("title", "tools", "look_for", "record")}
        return cls.model_validate(
            plain
            | of_practice
            | {"cautions": list(practice.cautions), "links": links_of(item, site_id, pile), "done": item.done}
        )


def links_of(item: Item, site_id: UUID, pile: PileRow | None) -> dict[str, str | None]:
    """Return the addresses of an item."""
    sheet = None
    if item.task == "build" and pile is not None and pile.recipe_id is not None and pile.bay_id is not None:
        sheet = f"/v1/recipes/{pile.recipe_id}/build-sheet.txt?{urlencode({'bay_id': str(pile.bay_id)})}"
    return {
        "pile": None if item.pile_id is None else f"/v1/piles/{item.pile_id}",
        "done": f"/v1/sites/{site_id}/today/{item.id}/done",
        "build_sheet": sheet,
    }


class WaitsOut(Out):
    """What falls off a short day."""

    id: str
    text: str


class FitOut(Out):
    """Whether the day's work fits the crew's time, in person-minutes."""

    state: Literal["fits", "short", "too_short", "no_crew"]
    crew_min: int
    needed_min: int
    must_min: int
    spent_min: int
    without_minutes: int = Field(description="Open items nobody knows the minutes of; not counted.")
    text: str
    waits: list[WaitsOut] = Field(description="What may wait, the first to wait first.")
    must: list[str] = Field(description="Ids of what may not.")


class TodayOut(Out):
    """A crew's day, in the order to do it."""

    site_id: UUID
    site: str
    time_zone: str
    on: Day
    crew: str | None
    now: Instant
    next_crew_day: Day | None
    fit: FitOut
    items: list[TodayItemOut]
    notes: list[str]

    @classmethod
    def of(cls, told: TodayList) -> Self:
        """Return a day as it is shown."""
        day = told.day
        rows = told.rows
        return cls(
            site_id=day.site.id,
            site=day.site.name,
            time_zone=day.site.time_zone,
            on=day.on,
            crew=day.crew,
            now=day.now,
            next_crew_day=told.next_crew_day,
            fit=FitOut.model_validate(told.fit),
            items=[
                TodayItemOut.of(one, day.site.id, None if one.pile_id is None else rows.get(one.pile_id))
                for one in told.items
            ],
            notes=list(told.notes),
        )


class DoneIn(In):
    """What the crew did and saw; what it does not know is left out."""

    at: Instant = Field(description="When it was done, at most ten minutes ahead.")
    crew: Name | None = None
    turned: Flag | None = Field(default=None, description="Whether the whole pile was turned while at it.")
    height_m: Height | None = Field(default=None, description="How high the pile stands now [m].")
    temperature_c: HandTemperature | None = Field(
        default=None,
        description="Read by hand [Cel]. A reading, which rules count, where a probe read by hand stands at"
        " 'position'; else an observation.",
    )
    temperature_f: HandFahrenheit | None = Field(
        default=None, description="The same where the thermometer shows [degF]."
    )
    position: Name | None = None
    moisture_feel: Literal["dry", "right", "wet"] | None = None
    smell: Literal["none", "earthy", "ammonia", "sour"] | None = None
    watered: Flag | None = None
    water_l: Positive | None = None
    mesh_mm: Positive | None = None
    fines_m3: Amount | None = None
    overs_m3: Amount | None = None
    note: Note | None = None

    def told(self) -> Told:
        """Return it as the operation takes it."""
        return Told(**self.model_dump())


class ItemDoneOut(Out):
    """An item as it was done."""

    item: TodayItemOut
    event: EventOut
    notes: list[str] = Field(description="What became of a temperature, and what to do if it is too high.")

    @classmethod
    def of(cls, done: Completed, site_id: UUID, pile: PileRow | None) -> Self:
        """Return what was recorded."""
        return cls(
            item=TodayItemOut.of(done.item, site_id, pile),
            event=EventOut.model_validate(done.event),
            notes=list(done.notes),
        )


class TodayLinkIn(In):
    """A link to a page of a site's day, for a phone."""

    crew: Name | None = Field(default=None, description="Only its tasks; everybody's when null.")
    from_: Day | None = Field(default=None, alias="from", description="The first local day; today when null.")
    to: Day | None = Field(default=None, description="The last, at most 30 days after; the first when null.")
    rotate: Flag = Field(
        default=False,
        description="End the links made before: this crew's, or all of the site's when no crew is named.",
    )


class TodayLinkOut(Out):
    """A link just made; write it down, it is not shown again."""

    id: UUID = Field(description="POST /v1/keys/{id}/revoke ends it before its time.")
    path: str = Field(description="The page, below the address of this service; whoever has it may open it.")
    crew: str | None
    from_: Day = Field(serialization_alias="from")
    to: Day
    expires_at: Instant
    revoked: int = Field(description="How many links made before were ended.")
