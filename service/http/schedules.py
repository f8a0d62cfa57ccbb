"""Planning the turns of one pile: as asked, touching no record, or of a pile on record."""

from datetime import UTC, datetime
from typing import Literal
from uuid import UUID

from fastapi import APIRouter
from pydantic import Field

from service.domain.compliance import RULES
from service.domain.errors import Invalid
from service.domain.schedules import Plan, PlanRequest, plan
from service.domain.turning_demands import turn_constraint
from service.http.authority import CanRead, Database
from service.http.patterns import PatternIn, ShippedPatternOut, shipped, to_pattern
from service.http.values import Code, Day, In, Out, ZoneName, shown_as
from service.http.weekdays import Weekday
from service.operations import piles
from service.operations.standing import schedule
from service.storage import piles as stored

router = APIRouter(tags=["schedules"])


class PlanIn(In):
    """One pile on one site's crew days."""

    model_config = shown_as(
        {
            "time_zone": "Europe/Lisbon",
            "build_on": "2026-03-02",
            "work_days": ["mon", "wed", "fri"],
            "closures": ["2026-04-03"],
            "pattern": {"rest_days": 7, "turn_on": ["mon", "wed", "fri"], "last_turn_day": 27},
            "rule": "us-nop-windrow",
        }
    )

    time_zone: ZoneName
    build_on: Day
    work_days: list[Weekday] = Field(max_length=7)
    closures: list[Day] = Field(default_factory=list, max_length=2000)
    extra_days: list[Day] = Field(
        default_factory=list, max_length=2000, description="One-off days with a crew, such as one Saturday."
    )
    pattern: PatternIn
    rule: Code | None = Field(default=None, description="The rule whose demands on turning must be kept.")
    earliest_build_on: Day | None = Field(
        default=None, description="No nearest plan builds before it; six days before the wish when null."
    )


class PlannedTaskOut(Out):
    """One task on one local date."""

    date: Day
    task: Literal["build", "turn", "check", "move", "screen"]
    day_of_pile: int
    reason: str


class MisfitOut(Out):
    """A build or turn that cannot stand where the pattern puts it."""

    date: Day
    task: Literal["build", "turn", "check", "move", "screen"]
    day_of_pile: int
    weekday: Weekday
    causes: list[str]
    because: str
    remedy: str


class PlanWarningOut(Out):
    """Something to arrange before the plan starts."""

    kind: str
    from_date: Day
    to_date: Day
    detail: str


class NearestPlanOut(Out):
    """The keepable plan that deviates least."""

    state: Literal["planned", "cannot_be_kept"]
    built_on: Day
    days: list[PlannedTaskOut]
    misfits: list[MisfitOut]
    moved_days: int | None
    warnings: list[PlanWarningOut]


class PlanOut(NearestPlanOut):
    """The plan as asked, what does not fit, and the nearest that does."""

    nearest: NearestPlanOut | None
    cautions: list[str]


@router.post("/schedules/plan", response_model=PlanOut)
def plan_schedule(body: PlanIn, caller: CanRead) -> Plan:  # noqa: ARG001 - the key is what is checked
    """Plan one pile's build, turns and checks."""
    rule = None
    if body.rule is not None:
        if body.rule not in RULES:
            raise Invalid.field(
                "/rule", f"{body.rule} is not a rule of this service; GET /v1/rules lists them"
            )
        rule = turn_constraint(RULES[body.rule])
    return plan(
        PlanRequest(
            time_zone=body.time_zone,
            build_on=body.build_on,
            work_days=tuple(body.work_days),
            closures=tuple(body.closures),
            extra_days=tuple(body.extra_days),
            pattern=to_pattern(body.pattern.model_dump()),
            rule=rule,
            earliest_build_on=body.earliest_build_on,
        )
    )


@router.get("/piles/{pile_id}/schedule", response_model=PlanOut)
def get_schedule(pile_id: UUID, caller: CanRead, database: Database) -> Plan:
    """Plan a pile's turns on its site's crew days; once it is built, what is left, mended after missed turns."""
    with database.begin(caller.organisation_id) as session:
        loaded = stored.load(session, piles.pile_of(session, caller, pile_id), readings=False)
    return schedule(loaded, now=datetime.now(UTC))


class PatternsOut(Out):
    """The patterns that come with the service."""

    items: list[ShippedPatternOut]


@router.get("/schedules/patterns")
def list_patterns(caller: CanRead) -> PatternsOut:  # noqa: ARG001 - the key is what is checked
    """List the turning patterns that come with the service, each with its source."""
    return PatternsOut(items=shipped())
