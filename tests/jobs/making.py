"""A hot pile with a verdict on file, and jobs run as a worker would."""

import asyncio
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import structlog
from procrastinate import App
from sqlalchemy import Engine, text
from sqlmodel import Session

from service.jobs.tasks import Task, Tools, register
from service.jobs.verdicts import reopen_verdicts
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, Database, connect_engine
from service.worker import TASKS, connector
from tests.builders import a_pile, a_placement, a_probe, a_site
from tests.conftest import Tenant, Urls

RULE = "us-503-pfrp-asp"
"""40 CFR Part 503, Appendix B, B.1: a static aerated pile is at 55 degC or higher for 3 consecutive days."""
BEGAN = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=90)


def at(hours: float) -> str:
    """Return an instant some hours after the pile was built."""
    return (BEGAN + timedelta(hours=hours)).isoformat()


def wobble(hour: float) -> float:
    """Return what a living pile's temperature moves by; one that stands still is taken for a stuck probe."""
    return hour % 7 / 5


@dataclass(frozen=True)
class HotPile:
    """A pile with one probe."""

    tenant: Tenant
    pile_id: str
    serial: str
    probe_id: str
    placement: dict[str, Any]

    def send(self, hours: Sequence[float], value: float = 60.0, *, serial: str | None = None) -> None:
        """Send readings of these hours."""
        readings = [
            {
                "probe": serial or self.serial,
                "observed_at": at(hour),
                "quantity": "temperature",
                "value": value + wobble(hour),
                "unit": "Cel",
            }
            for hour in hours
        ]
        receipt = self.tenant.post("/v1/readings", {"readings": readings})
        assert receipt["refused"] == []

    def issue(self, rule: str = RULE, interpretation: str = "inspector") -> dict[str, Any]:
        """Issue a verdict now."""
        issued: dict[str, Any] = self.tenant.post(
            f"/v1/piles/{self.pile_id}/verdicts", {"rule": rule, "interpretation": interpretation}
        )
        return issued

    def event(self, kind: str, hour: float, **details: Any) -> dict[str, Any]:
        """Record an event."""
        made: dict[str, Any] = self.tenant.post(
            f"/v1/piles/{self.pile_id}/events", {"kind": kind, "at": at(hour), **details}
        )
        return made

    @property
    def verdicts(self) -> list[dict[str, Any]]:
        """What is on file, oldest first."""
        items: list[dict[str, Any]] = self.tenant.get(f"/v1/piles/{self.pile_id}/verdicts")["items"]
        return items


def a_hot_pile(tenant: Tenant, **overrides: Any) -> HotPile:
    site = a_site(tenant)
    pile = a_pile(tenant, site["id"], built_at=at(0), rules=[RULE], **overrides)
    probe = a_probe(tenant)
    placement = a_placement(tenant, probe["id"], pile["id"], **{"from": at(0)})
    return HotPile(tenant, pile["id"], probe["serial"], probe["id"], placement)


def waiting(database: Database, task: str, organisation_id: int | None = None) -> list[dict[str, Any]]:
    """Return the jobs of a task that wait, oldest first."""
    with Session(database.engine) as session:
        rows = session.execute(
            text(
                "select * from procrastinate_jobs where status = 'todo' and task_name = :task"
                " and (cast(:o as int) is null or (args ->> 'organisation_id')::int = :o) order by id"
            ),
            {"task": task, "o": organisation_id},
        ).mappings()
        return [dict(row) for row in rows]


def forget_jobs(database: Database, organisation_id: int) -> None:
    """Lose an organisation's signals."""
    with Session(database.engine) as session, session.begin():
        session.execute(
            text(
                "delete from procrastinate_jobs where status = 'todo' and (args ->> 'organisation_id')::int = :o"
            ),
            {"o": organisation_id},
        )


def hurry(database: Database) -> None:
    """Let waiting jobs be due now."""
    with Session(database.engine) as session, session.begin():
        session.execute(text("update procrastinate_jobs set scheduled_at = null where status = 'todo'"))


def tools_of(urls: Urls, *, owner: Engine | None = None) -> Tools:
    database = Database(connect_engine(urls.service, role=SERVICE_ROLE))
    return Tools(database, owner, threading.Event(), Settings())


def work_off(urls: Urls, tools: Tools, tasks: Sequence[Task] = TASKS, *, concurrency: int = 1) -> None:
    """Run every job that is due, as a worker does, and come back when none is left."""

    async def work() -> None:
        app = App(connector=connector(urls.service))
        queues = register(app, [Task(t.name, t.body, None, t.needs_owner) for t in tasks], tools)
        async with app.open_async():
            await app.run_worker_async(
                queues=queues,
                wait=False,
                listen_notify=False,
                install_signal_handlers=False,
                concurrency=concurrency,
                delete_jobs="successful",
            )

    asyncio.run(work())


def heard(run: Callable[[], None]) -> list[dict[str, Any]]:
    """Return what is logged while something runs."""
    with structlog.testing.capture_logs() as logs:
        run()
    return [dict(entry) for entry in logs]


def look(tools: Tools, tenant: Tenant) -> None:
    reopen_verdicts(tools, organisation_id=tenant.organisation_id)


def outline(pile: HotPile) -> list[tuple[str, str | None]]:
    return [(item["verdict"]["state"], item["because"]) for item in pile.verdicts]
