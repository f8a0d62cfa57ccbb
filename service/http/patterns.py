"""Turning patterns: the shape piles and plans share, those shipped and one's own."""

from typing import Annotated, Any, Literal
from uuid import UUID

from fastapi import APIRouter, Query, Response
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.schedules import ShippedPattern, kept_pattern, shipped_patterns
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import CreateOnce, IfMatch, answer, etag
from service.http.values import Code, Flag, In, Instant, Name, Note, Number, Out, Whole, omitted, shown_as
from service.http.weekdays import Weekday
from service.operations import patterns
from service.operations.patterns import OWN
from service.storage import patterns as stored
from service.storage.tables import OwnPatternRow

router = APIRouter(tags=["schedules"])

Days = Annotated[Whole, Field(ge=0, le=366)]
Standing = Literal["published", "common practice, no source"]


class ReminderIn(In):
    """To cover or to wet: on days of the pile, with a task, or under a condition (in words, and as a figure)."""

    kind: Literal["cover", "wet"]
    say: Annotated[Note, Field(min_length=1, description="What the crew is to do.")]
    on_days: list[Days] = Field(default_factory=list, max_length=100)
    with_task: Literal["build", "turn", "move"] | None = None
    when: Note | None = Field(default=None, description="The condition in words; always when null.")
    measure: Literal["moisture_pct", "temperature_c", "rain_24h_mm"] | None = None
    below: Number | None = None
    above: Number | None = None
    source: Note = "none"
    status: Standing = "common practice, no source"


class ReminderShownOut(Out):
    """A reminder as a pattern has it."""

    kind: Literal["cover", "wet"]
    say: str
    when: str | None
    measure: Literal["moisture_pct", "temperature_c", "rain_24h_mm"] | None
    below: float | None
    above: float | None
    source: str
    status: Standing


class PatternIn(In):
    """When a pile is turned, in days of the pile: on weekdays or at an interval, never both."""

    rest_days: Days = Field(
        description="Days left alone after the build; the first turn may fall on this day."
    )
    turn_on: list[Weekday] | None = Field(default=None, max_length=7)
    turn_every_days: Days | None = Field(default=None, description="Counted from the end of the rest.")
    last_turn_day: Days
    check_every_days: Days | None = Field(
        default=None, description="Longest time between visits while hot; a check every crew day when null."
    )
    min_spacing_days: Days | None = None
    move_on_turning: Flag = False
    curing_days: Days | None = None
    screen: Flag = Field(
        default=False, description="Screen it on the first crew day after the hot phase and the curing."
    )
    done_on_day: Days | None = Field(
        default=None,
        description="Day of the pile on which the hot phase is over at the earliest; an interval after the last"
        " turn when null.",
    )
    reminders: list[ReminderIn] = Field(default_factory=list, max_length=50)


class PatternOut(Out):
    """A turning pattern: one that comes with the service, or one's own."""

    id: UUID | None = Field(description="Of an own pattern; null for one that comes with the service.")
    code: str
    title: str
    source: str | None
    status: Literal["published", "common practice, no source", "own"]
    note: str | None
    site_id: UUID | None = Field(description="The site an own pattern is for; null for all.")
    pattern: PatternIn
    curing_source: str | None
    curing_status: Standing | None


class OwnPatternIn(In):
    """A turning pattern to keep."""

    model_config = shown_as(
        {
            "code": "tuesday-thursday",
            "title": "Five days' rest, then Tuesday and Thursday for four weeks",
            "source": "our own five seasons",
            "pattern": {
                "rest_days": 5,
                "turn_on": ["tue", "thu"],
                "last_turn_day": 33,
                "curing_days": 30,
                "screen": True,
                "reminders": [
                    {
                        "kind": "wet",
                        "with_task": "turn",
                        "when": "a squeezed handful lets no drop go",
                        "measure": "moisture_pct",
                        "below": 50,
                        "say": "Two cans of water on each layer.",
                    }
                ],
            },
        }
    )

    code: Code
    title: Name
    note: Note | None = None
    source: Note | None = None
    site_id: UUID | None = Field(
        default=None, description="For one site; for all of the organisation's if null."
    )
    pattern: PatternIn


class OwnPatternChange(In):
    """What may be changed of an own pattern; fields left out stay as they are."""

    title: Name = omitted()
    note: Note | None = omitted()
    source: Note | None = omitted()
    pattern: PatternIn = omitted()


class OwnPatternOut(PatternOut):
    """An own pattern as it is on record."""

    created_at: Instant


class PatternsOut(Out):
    """The patterns there are; all fit on one page."""

    items: list[PatternOut]
    next: None = None


@router.get("/schedules/patterns")
def list_patterns(
    caller: CanRead,
    database: Database,
    site_id: Annotated[
        UUID | None, Query(description="Of the own ones, only those this site may use.")
    ] = None,
) -> PatternsOut:
    """List the turning patterns: those that come with the service, each with its source, then one's own."""
    with database.begin(caller.organisation_id) as session:
        own = [_own(row) for row in stored.own_patterns(session, caller, site_id)]
    return PatternsOut(items=[*map(_shipped, shipped_patterns().values()), *own])


@router.post("/schedules/patterns", status_code=201, response_model=OwnPatternOut)
def create_pattern(
    body: OwnPatternIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Write a turning pattern of one's own; one that cannot be turned by is refused with the reason."""
    values = body.model_dump(mode="python") | {"pattern": body.pattern.model_dump(mode="json")}

    def make() -> tuple[OwnPatternOut, dict[str, str]]:
        row = patterns.create_pattern(session, caller, values)
        where = f"/v1/schedules/patterns/{row.id}"
        return _own(row), {"ETag": etag(row.version), "Location": where}

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make)


@router.get("/schedules/patterns/{pattern_id}", response_model=OwnPatternOut)
def get_pattern(pattern_id: UUID, caller: CanRead, database: Database, response: Response) -> object:
    """Return one own pattern."""
    with database.begin(caller.organisation_id) as session:
        row = patterns.pattern_of(session, caller, pattern_id)
    return answer(_own(row), response, row.version)


@router.patch("/schedules/patterns/{pattern_id}", response_model=OwnPatternOut)
def change_pattern(
    pattern_id: UUID,
    body: OwnPatternChange,
    caller: CanWrite,
    database: Database,
    version: IfMatch,
    response: Response,
) -> object:
    """Change an own pattern; piles that took it before keep it as it was."""
    changes = body.given()
    if "pattern" in changes:
        changes["pattern"] = body.pattern.model_dump(mode="json")
    with database.begin(caller.organisation_id) as session:
        row = patterns.change_pattern(session, caller, pattern_id, version, changes)
    return answer(_own(row), response, row.version)


def _shipped(one: ShippedPattern) -> PatternOut:
    return PatternOut(
        id=None,
        code=one.code,
        title=one.title,
        source=one.source,
        status=one.status,
        note=one.note,
        site_id=None,
        pattern=PatternIn.model_validate(kept_pattern(one.pattern)),
        curing_source=one.curing_source,
        curing_status=one.curing_status,
    )


def _own(row: OwnPatternRow) -> OwnPatternOut:
    kept: dict[str, Any] = {"status": OWN, "curing_source": None, "curing_status": None}
    return OwnPatternOut.model_validate(row.model_dump() | kept)
