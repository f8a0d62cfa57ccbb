"""Planning a line of piles as asked, touching no record."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Annotated, Any, Final

from fastapi import APIRouter
from pydantic import Field

from service.domain.authority import Caller
from service.domain.calendars import SiteCalendar, crew_minutes, refuse_what_does_not_fit
from service.domain.errors import FieldError, Invalid
from service.domain.lines.crews import CrewThere
from service.domain.lines.document import kept_plan
from service.domain.lines.request import (
    LONGEST_HORIZON_DAYS,
    Arrival,
    Bay,
    LineRequest,
    Order,
    PileWish,
    Work,
)
from service.domain.schedules import TurnConstraint, read_pattern
from service.domain.turning_demands import turn_constraint
from service.http.authority import CanRead, Database
from service.http.calendar_models import CalendarIn
from service.http.line_models import LineAimsIn, LinePlanOut, PileOfLineIn
from service.http.patterns import PatternIn
from service.http.rules import rule_named
from service.http.values import Day, In, Name, Number, shown_as
from service.operations.line_requests import PAST_HORIZON_DAYS
from service.operations.site_calendars import asked_calendar
from service.storage.database import Database as Record

router = APIRouter(tags=["schedules"])

LONGEST_S: Final = 10.0


class LineBayIn(In):
    """A place where one pile stands."""

    name: Name
    volume_m3: Number


class LineIn(LineAimsIn):
    """One site's line, whole."""

    model_config = shown_as(
        {
            "first": "2026-03-02",
            "days": 60,
            "calendar": {
                "week": {
                    "mon": [{"crew": "Year 9", "people": 4, "hours": 2}],
                    "wed": [{"crew": "Year 9", "people": 4, "hours": 2}],
                    "fri": [{"crew": "Year 9", "people": 4, "hours": 2}],
                }
            },
            "bays": [{"name": "cage 1", "volume_m3": 1.5}, {"name": "cage 2", "volume_m3": 1.5}],
            "pattern": {
                "rest_days": 7,
                "turn_on": ["mon", "wed", "fri"],
                "last_turn_day": 27,
                "curing_days": 30,
            },
            "piles": [{"name": "first", "volume_m3": 1.5}, {"name": "second", "volume_m3": 1.5}],
            "orders": [{"name": "beds", "volume_m3": 1, "by": "2026-05-20"}],
            "within_s": 2,
        }
    )

    first: Day = Field(description="The first day on which a pile may be built.")
    today: Day | None = Field(default=None, description="Nothing is planned before it; 'first' when null.")
    calendar: CalendarIn
    bays: list[LineBayIn] = Field(max_length=200)
    pattern: PatternIn | None = Field(default=None, description="For piles that have none of their own.")
    piles: list[PileOfLineIn] = Field(max_length=500)
    within_s: Annotated[Number, Field(gt=0, le=LONGEST_S)] = Field(
        default=5.0, description="How long the search may take; it ends earlier when the plan is proven."
    )


@router.post("/schedules/line", response_model=LinePlanOut)
def plan_line_of_piles(body: LineIn, caller: CanRead, database: Database) -> dict[str, Any]:
    """Plan a line of piles: builds, turns, bays and who works how long; touches no record, but for own rules.

    Best is, in this order: fewest wishes broken, earliest readiness, the least busy busiest day.
    """
    from service.domain.lines.planning import plan_line  # noqa: PLC0415 - slow to load, and seldom needed

    calendar = _calendar(body)
    request = replace(_request(body, calendar), piles=_piles(body, caller, database))
    try:
        plan = plan_line(request, within_s=body.within_s)
    except Invalid as error:
        raise Invalid(*(_as_asked(one) for one in error.errors)) from error
    return kept_plan(plan, _crews(calendar, request))


def _as_asked(error: FieldError) -> FieldError:
    """Return a refusal with the pointer the caller knows: crews' minutes follow from the calendar."""
    return FieldError("/calendar" if error.pointer.startswith("/crew_min") else error.pointer, error.detail)


def _piles(body: LineIn, caller: Caller, database: Record) -> list[PileWish]:
    rules: dict[str, TurnConstraint] = {}
    found = []
    for place, one in enumerate(body.piles):
        if one.rule is not None and one.rule not in rules:
            try:
                rules[one.rule] = turn_constraint(rule_named(one.rule, caller, database))
            except Invalid as error:
                raise Invalid.field(f"/piles/{place}/rule", error.errors[0].detail) from error
        found.append(_pile(one, body.pattern, place, rules.get(one.rule or "")))
    return found


def _pile(one: PileOfLineIn, usual: PatternIn | None, place: int, rule: TurnConstraint | None) -> PileWish:
    pattern = one.pattern or usual
    if pattern is None:
        raise Invalid.field(
            f"/piles/{place}/pattern",
            "no turning pattern is given, here or for all piles; GET /v1/schedules/patterns lists some",
        )
    return PileWish(
        name=one.name,
        pattern=read_pattern(pattern.model_dump()),
        volume_m3=one.volume_m3,
        rule=rule,
        needs_kg=one.needs_kg,
        earliest=one.earliest,
        latest=one.latest,
        bays=None if one.bays is None else tuple(one.bays),
        built_on=one.built_on,
        turns_done=tuple(sorted(one.turns_done)),
        is_spare=one.is_spare,
    )


def _crews(calendar: SiteCalendar, request: LineRequest) -> dict[date, tuple[CrewThere, ...]]:
    return {
        on: tuple(CrewThere(one.crew, one.people, one.minutes) for one in calendar.crews_on(on))
        for on in request.crew_min
    }


def _calendar(body: LineIn) -> SiteCalendar:
    asked = body.calendar.model_dump(mode="json", by_alias=True)
    try:
        calendar = asked_calendar(asked)
        refuse_what_does_not_fit(calendar, body.first)
    except Invalid as error:
        raise Invalid(*(FieldError(f"/calendar{one.pointer}", one.detail) for one in error.errors)) from error
    return calendar


def _until(body: LineIn) -> date:
    if not 1 <= body.days <= LONGEST_HORIZON_DAYS:
        raise Invalid.field("/days", f"{body.days} days cannot be planned; give 1 to {LONGEST_HORIZON_DAYS}")
    return body.first + timedelta(body.days - 1 + PAST_HORIZON_DAYS)


def _request(body: LineIn, calendar: SiteCalendar) -> LineRequest:
    return LineRequest(
        first=body.first,
        days=body.days,
        crew_min=crew_minutes(calendar, body.first, _until(body)),
        bays=[Bay(one.name, one.volume_m3) for one in body.bays],
        piles=(),
        orders=[Order(one.name, one.grade, one.volume_m3, one.by) for one in body.orders],
        arrivals=[Arrival(one.feedstock, one.on, one.kg) for one in body.arrivals],
        grades=body.grades,
        kept_pct=body.kept_pct,
        work=Work(**body.work.model_dump()),
        cures_in_bay=body.cures_in_bay,
        on_hand_m3=body.on_hand_m3,
        today=body.today,
        reliability=body.reliability or {},
    )
