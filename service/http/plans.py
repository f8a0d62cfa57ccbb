"""Plans of a site's line on record: asked for, watched, cancelled, mended, compared; and the schedule in force."""

from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Final, Literal
from uuid import UUID

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse
from pydantic import Field

from service.domain.errors import Conflict, Invalid
from service.domain.lines.comparing import PlanChanges, compared
from service.http.authority import CanRead, CanWrite, Database
from service.http.exchange import After, CreateOnce, Limit, PageOut
from service.http.line_models import Aim, ArrivalIn, Kind, LinePlanOut, OrderIn, PlanAskIn
from service.http.values import Day, In, Instant, Note, Out, shown_as
from service.operations import plans
from service.operations.sites import site_of
from service.storage import plans as stored
from service.storage.plans import OVER
from service.storage.sites import zone_of
from service.storage.tables import LinePlanRow

router = APIRouter(tags=["schedules"])

_MOST_DAYS: Final = 800


class LinePlanIn(PlanAskIn):
    """What is wished of a site's line."""

    model_config = shown_as(
        {
            "days": 120,
            "pattern_code": "week-then-mon-wed-fri",
            "piles": [{"name": "spring", "count": 6, "volume_m3": 1.5}],
            "orders": [{"name": "beds", "volume_m3": 1.2, "by": "2126-05-20"}],
            "within_s": 20,
        }
    )


class RepairIn(In):
    """Why a plan is to be mended, and what has come on top of what was wished for."""

    model_config = shown_as({"because": "the chipper is broken until Friday"})

    because: Annotated[Note, Field(max_length=500)] | None = None
    orders: list[OrderIn] = Field(default_factory=list, max_length=500)
    arrivals: list[ArrivalIn] = Field(
        default_factory=list,
        max_length=2000,
        description="Of these feedstocks the stock book no longer counts.",
    )


class PlanSummaryOut(Out):
    """How far a plan is."""

    id: UUID
    site_id: UUID
    state: Literal["waiting", "running", "done", "cancelled", "failed"]
    follows_id: UUID | None = Field(description="The plan this one mends.")
    because: str | None = Field(description="What made that necessary.")
    network_id: UUID | None
    progress_pct: float = Field(description="Share of the time the search was given.")
    aim: Aim | None = Field(description="What is being made small at this moment.")
    gap_pct: float | None = Field(
        description="How much of the aim's value might still be saved; null: not known."
    )
    is_cancel_asked: bool
    problem: str | None
    created_at: Instant
    ended_at: Instant | None


class PlanOnRecordOut(PlanSummaryOut):
    """A plan as it was asked for and answered."""

    asked: dict[str, Any] = Field(
        description="What was wished for and, once it runs, every fact it was made from."
    )
    plan: LinePlanOut | None


class MovedOut(Out):
    """A task both plans have, at another date or place."""

    pile: str
    task: Kind
    number: int
    from_date: Day
    to_date: Day
    from_bay: str
    to_bay: str
    because: str


class OnlyOut(Out):
    """A task only one of the plans has."""

    pile: str
    task: Kind
    number: int
    date: Day
    bay: str
    because: str


class PlanChangesOut(Out):
    """What a plan does otherwise than an earlier one; checks follow from the rest and are left out."""

    plan_id: UUID
    since: UUID
    because: str | None
    moved: list[MovedOut]
    new: list[OnlyOut]
    gone: list[OnlyOut]
    unchanged: int


class TaskOut(Out):
    """A task in force; it keeps its id for life."""

    id: UUID
    plan_id: UUID = Field(description="The plan that changed it last.")
    pile: str
    pile_id: UUID | None
    task: Kind
    number: int
    on_date: Day
    bay: str
    to_bay: str | None
    minutes: int
    day_of_pile: int
    crew: str | None
    reason: str
    state: Literal["planned", "done", "missed", "cancelled"]
    sequence: int
    changed_at: Instant
    done_at: Instant | None
    event_id: UUID | None


class ScheduleOut(Out):
    """A site's tasks in force."""

    site_id: UUID
    time_zone: str
    plan_id: UUID | None = Field(description="The plan in force; null while there is none.")
    items: list[TaskOut]


def summary(row: LinePlanRow) -> PlanSummaryOut:
    """Return how far a plan is."""
    so_far = (row.answer or {}) if row.state not in OVER else {}
    return PlanSummaryOut.model_validate(row.model_dump() | {"aim": so_far.get("aim")})


def _shown(row: LinePlanRow) -> PlanOnRecordOut:
    answer = row.answer if row.answer is not None and "tasks" in row.answer else None
    return PlanOnRecordOut.model_validate(summary(row).model_dump() | {"asked": row.asked, "plan": answer})


def _taken(row: LinePlanRow) -> tuple[PlanSummaryOut, dict[str, str]]:
    return summary(row), {"Location": f"/v1/sites/{row.site_id}/plans/{row.id}"}


@router.post("/sites/{site_id}/plans", status_code=202, response_model=PlanSummaryOut)
def create_plan(
    site_id: UUID, body: LinePlanIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Ask for a plan of a site's line; it is searched for by a job, and ``Location`` says how far that is.

    What stands, the calendar, the bays and the stock are those on record. The answer is always 202: a plan that is
    quick is there a moment later. Once it is done its tasks are the site's schedule.
    """
    caller.must_reach_site(site_id, "site")

    def make() -> tuple[PlanSummaryOut, dict[str, str]]:
        return _taken(plans.ask_plan(session, caller, site_id, body.model_dump(), now=datetime.now(UTC)))

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make, status=202)


@router.post("/sites/{site_id}/plans/repair", status_code=202, response_model=PlanSummaryOut)
def repair_plan(
    site_id: UUID, body: RepairIn, caller: CanWrite, database: Database, once: CreateOnce
) -> JSONResponse:
    """Mend the plan in force: what crews were told is kept unless it must move; both plans stay on file."""
    caller.must_reach_site(site_id, "site")
    more = body.model_dump(mode="json", include={"orders", "arrivals"})

    def make() -> tuple[PlanSummaryOut, dict[str, str]]:
        return _taken(plans.must_repair(session, caller, site_id, body.because, more, now=datetime.now(UTC)))

    with database.begin(caller.organisation_id) as session:
        return once.create(session, caller, body, make, status=202)


@router.get("/sites/{site_id}/plans", response_model=PageOut[PlanSummaryOut])
def list_plans(
    site_id: UUID, caller: CanRead, database: Database, limit: Limit = 100, after: After = None
) -> object:
    """List a site's plans, oldest first."""
    with database.begin(caller.organisation_id) as session:
        site_of(session, caller, site_id)
        found = stored.plans_page(session, caller.organisation_id, site_id, limit=limit, after=after)
        return {"items": [summary(row) for row in found.items], "next": found.next}


@router.get("/sites/{site_id}/plans/{plan_id:uuid}", response_model=PlanOnRecordOut)
def get_plan(site_id: UUID, plan_id: UUID, caller: CanRead, database: Database) -> object:
    """Return a plan: how far it is, what it was made from and, once it is over, its answer."""
    with database.begin(caller.organisation_id) as session:
        site_of(session, caller, site_id)
        return _shown(stored.find_plan(session, caller.organisation_id, site_id, plan_id))


@router.post("/sites/{site_id}/plans/{plan_id:uuid}/cancel", response_model=PlanSummaryOut)
def cancel_plan(site_id: UUID, plan_id: UUID, caller: CanWrite, database: Database) -> object:
    """End a plan that is searched for; the schedule stays as it is, and the best so far can still be read."""
    with database.begin(caller.organisation_id) as session:
        return summary(plans.cancel_plan(session, caller, site_id, plan_id, now=datetime.now(UTC)))


@router.get("/sites/{site_id}/plans/{plan_id:uuid}/changes", response_model=PlanChangesOut)
def get_plan_changes(
    site_id: UUID,
    plan_id: UUID,
    since: Annotated[UUID, Query(description="The earlier plan.")],
    caller: CanRead,
    database: Database,
) -> object:
    """Compare a plan with an earlier one: tasks that moved, are new, or are gone, each with the reason."""
    with database.begin(caller.organisation_id) as session:
        site_of(session, caller, site_id)
        later = stored.find_plan(session, caller.organisation_id, site_id, plan_id)
        earlier = stored.find_plan(session, caller.organisation_id, site_id, since)
        zone = zone_of(session, caller.organisation_id, site_id)
        found = _compared(earlier, later, later.created_at.astimezone(zone).date().isoformat())
    return PlanChangesOut.model_validate(
        {"plan_id": plan_id, "since": since, "because": later.because, **vars(found)}
    )


def _compared(earlier: LinePlanRow, later: LinePlanRow, made_on: str) -> PlanChanges:
    tasks = []
    for row in (earlier, later):
        if row.answer is None or "tasks" not in row.answer:
            raise Conflict(f"plan {row.id} is {row.state} and has no tasks to compare; wait until it is done")
        tasks.append(row.answer["tasks"])
    return compared(tasks[0], tasks[1], made_on=made_on, because=later.because)


@router.get("/sites/{site_id}/schedule", response_model=ScheduleOut)
def get_site_schedule(
    site_id: UUID,
    since: Annotated[Day, Query(alias="from", description="The first local date.")],
    until: Annotated[Day, Query(alias="to", description="The local date after the last.")],
    caller: CanRead,
    database: Database,
    crew: Annotated[str | None, Query(max_length=200, description="Only this crew's, and nobody's.")] = None,
) -> object:
    """Return a site's tasks in force, by date, then bay."""
    if not timedelta(0) < until - since <= timedelta(_MOST_DAYS):
        raise Invalid.field(
            "/to", f"{until} is {(until - since).days} days after {since}; give 1 to {_MOST_DAYS} days"
        )
    with database.begin(caller.organisation_id) as session:
        site = site_of(session, caller, site_id)
        in_force = stored.plan_in_force(session, caller.organisation_id, site_id)
        tasks = stored.tasks_of(session, caller.organisation_id, site_id, since, until, crew)
        return ScheduleOut.model_validate(
            {
                "site_id": site_id,
                "time_zone": site.time_zone,
                "plan_id": None if in_force is None else in_force.id,
                "items": [TaskOut.model_validate(one) for one in tasks],
            }
        )
