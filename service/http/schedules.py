"""Planning the turns of one pile: as asked, touching no record, or of a pile on record."""

from datetime import UTC, datetime
from typing import Literal
from uuid import UUID

from fastapi import APIRouter
from pydantic import Field

from service.domain.authority import Caller
from service.domain.errors import Invalid
from service.domain.schedules import Pattern, Plan, PlanRequest, plan, read_pattern
from service.domain.turning_demands import turn_constraint
from service.http.authority import CanRead, Database
from service.http.patterns import PatternIn, ReminderShownOut
from service.http.rules import rule_named
from service.http.values import Code, Day, In, Out, ZoneName, shown_as
from service.http.weekdays import Weekday
from service.operations import piles
from service.operations.patterns import Named, pattern_named
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
    pattern: PatternIn | None = Field(default=None, description="When it is turned; this or pattern_code.")
    pattern_code: Code | None = Field(
        default=None, description="A shipped or own pattern (GET /v1/schedules/patterns) instead."
    )
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


class ReminderOut(Out):
    """A reminder on its date; without one where only its condition says when."""

    date: Day | None
    day_of_pile: int | None
    reminder: ReminderShownOut


class NearestPlanOut(Out):
    """The keepable plan that deviates least."""

    state: Literal["planned", "cannot_be_kept"]
    built_on: Day
    days: list[PlannedTaskOut]
    misfits: list[MisfitOut]
    moved_days: int | None
    warnings: list[PlanWarningOut]
    hot_until: Day = Field(description="When the hot phase is over.")
    hot_until_day: int = Field(description="The same as a day of the pile.")
    reminders: list[ReminderOut]


class PlanOut(NearestPlanOut):
    """The plan as asked, what does not fit, and the nearest that does."""

    nearest: NearestPlanOut | None
    cautions: list[str]


class PatternNamedOut(Out):
    """Which pattern a plan follows, and what stands behind it."""

    code: str
    title: str
    source: str
    status: str


class PlanAskedOut(PlanOut):
    """A plan, with the pattern its code named."""

    pattern_named: PatternNamedOut | None


@router.post("/schedules/plan")
def plan_schedule(body: PlanIn, caller: CanRead, database: Database) -> PlanAskedOut:
    """Plan one pile's build, turns and checks; touches no record, but for a rule or a pattern of one's own."""
    rule = None
    if body.rule is not None:
        rule = turn_constraint(rule_named(body.rule, caller, database))
    pattern, named = _pattern_of(body, caller, database)
    found = plan(
        PlanRequest(
            time_zone=body.time_zone,
            build_on=body.build_on,
            work_days=tuple(body.work_days),
            closures=tuple(body.closures),
            extra_days=tuple(body.extra_days),
            pattern=pattern,
            rule=rule,
            earliest_build_on=body.earliest_build_on,
        )
    )
    shown = None if named is None else PatternNamedOut.model_validate(named)
    return PlanAskedOut(**dict(PlanOut.model_validate(found)), pattern_named=shown)


def _pattern_of(body: PlanIn, caller: Caller, database: Database) -> tuple[Pattern, Named | None]:
    """Return the pattern of a request, and its name where a code names it."""
    if body.pattern is not None:
        if body.pattern_code is not None:
            detail = f"stands beside pattern_code '{body.pattern_code}'; leave one of them out"
            raise Invalid.field("/pattern", detail)
        return read_pattern(body.pattern.model_dump()), None
    if body.pattern_code is None:
        detail = "is required unless pattern_code names one; GET /v1/schedules/patterns lists those there are"
        raise Invalid.field("/pattern", detail)
    with database.begin(caller.organisation_id) as session:
        named = pattern_named(session, caller, body.pattern_code)
    return named.pattern, named


@router.get("/piles/{pile_id}/schedule", response_model=PlanOut)
def get_schedule(pile_id: UUID, caller: CanRead, database: Database) -> Plan:
    """Plan a pile's turns on its site's crew days; once it is built, what is left, mended after missed turns."""
    with database.begin(caller.organisation_id) as session:
        loaded = stored.load(session, piles.pile_of(session, caller, pile_id), readings=False)
    return schedule(loaded, now=datetime.now(UTC))
