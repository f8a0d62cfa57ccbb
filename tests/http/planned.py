"""Plans put into force for tests as the job does it, without the search."""

import uuid
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from service.operations.plans import TaskToKeep, issue_plan
from service.storage.database import Database
from service.storage.tables import LinePlanRow
from tests.conftest import Tenant

ZONE = ZoneInfo("Europe/Lisbon")
NOW = datetime.now(UTC)
TODAY = NOW.astimezone(ZONE).date()


def day(offset: int) -> date:
    return TODAY + timedelta(offset)


def a_turn(offset: int, **overrides: Any) -> TaskToKeep:
    values: dict[str, Any] = {
        "pile": "A",
        "task": "turn",
        "number": 1,
        "on_date": day(offset),
        "bay": "1",
        "to_bay": None,
        "minutes": 60,
        "day_of_pile": 7,
        "reason": "turn 1 of 9",
        "crew": None,
    }
    return TaskToKeep(**values | overrides)


def in_force(
    database: Database, tenant: Tenant, site_id: str, *tasks: TaskToKeep, at: datetime = NOW
) -> None:
    """Put a plan into force at an instant: its answer on file, its tasks in the schedule."""
    answer = {
        "tasks": [
            {
                "pile": one.pile,
                "task": one.task,
                "date": one.on_date.isoformat(),
                "number": one.number,
                "crews": [] if one.crew is None else [{"crew": one.crew, "minutes": one.minutes}],
            }
            for one in tasks
        ]
    }
    with database.begin(tenant.organisation_id) as session:
        row = LinePlanRow(
            organisation_id=tenant.organisation_id,
            site_id=uuid.UUID(site_id),
            state="done",
            asked={"wish": {"orders": [], "arrivals": []}},
            answer=answer,
            created_at=at,
            ended_at=at,
        )
        session.add(row)
        session.flush()
        today = at.astimezone(ZONE).date()
        issue_plan(session, tenant.organisation_id, row.site_id, row.id, tasks, today=today, now=at)


def nine(offset: int) -> datetime:
    """Return half past nine on a day, local time."""
    return datetime.combine(day(offset), datetime.min.time(), ZONE) + timedelta(hours=9, minutes=30)
