"""Taking care of the record, as the login that owns it: months ahead, what is kept only so long, lost signals."""

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Final

import structlog
from sqlalchemy import Engine, text
from sqlmodel import Session

from service.jobs.tasks import KEEP_ENDED, Task, Tools
from service.operations import handover, imports
from service.operations.reopening import LONG_PAST, reopen
from service.storage import partitions, retention
from service.storage.jobs import forget_ended, rescue

CARETAKE: Final = "caretake"
SWEEP: Final = "sweep_verdicts"
SWEEP_ALL: Final = "sweep_all_verdicts"
RESCUE: Final = "rescue_jobs"
CUT_OFF_AFTER: Final = timedelta(days=1)
"""How long a body may take to come in before it is given up."""
LOOK_BACK: Final = timedelta(hours=1)
"""How old a lost signal the sweep still finds; it comes by six times in that while."""
_ONE_AT_A_TIME: Final = 7_210_441_903

log = structlog.get_logger()


def caretake(tools: Tools) -> None:
    """Make the months that are due, delete what is kept only so long, and empty months that nobody keeps."""
    owner = _owner(tools)
    now = datetime.now(UTC)
    with _alone(owner) as alone:
        if not alone:
            log.info("caretaking_is_done_by_another")
            return
        with owner.begin() as connection:
            made = partitions.keep_ahead(connection)
        known = retention.policies(owner)
        emptied = retention.empty_months(owner, known, now, tools.go_on)
        passing, readings = 0, 0
        for policy in known:
            passing += retention.forget_passing(owner, policy.organisation_id, now, tools.go_on)
            readings += retention.forget_readings(owner, policy, now, tools.go_on)
            with _inside(owner, policy.organisation_id) as session:
                imports.drop_cut_off(session, policy.organisation_id, before=now - CUT_OFF_AFTER, now=now)
        with Session(owner) as session, session.begin():
            jobs = forget_ended(session, before=now - KEEP_ENDED, most=retention.MOST_AT_ONCE)
        log.info(
            "caretaking_done",
            months_made=made,
            months_emptied=emptied,
            readings_deleted=readings,
            passing_deleted=passing,
            jobs_deleted=jobs,
        )


@contextmanager
def _alone(owner: Engine) -> Iterator[bool]:
    """Give whether no other worker takes care at this moment; keeps others out meanwhile."""
    with owner.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        asked = {"key": _ONE_AT_A_TIME}
        alone = bool(connection.execute(text("select pg_try_advisory_lock(:key)"), asked).scalar())
        try:
            yield alone
        finally:
            if alone:
                connection.execute(text("select pg_advisory_unlock(:key)"), asked)


def sweep_verdicts(tools: Tools) -> None:
    """Find late readings nobody looked at and imports nobody reads, ask for that again, and mark tasks nobody did.

    The service cannot list organisations, the owner cannot look past their walls: the steward lists them, and each is
    asked about from inside.
    """
    _sweep(tools, since=datetime.now(UTC) - LOOK_BACK)


def sweep_all_verdicts(tools: Tools) -> None:
    """Ask for a new look at every verdict on file: whatever signal was lost, by whatever way, is made good."""
    _sweep(tools, since=None)


def _sweep(tools: Tools, *, since: datetime | None) -> None:
    owner = _owner(tools)
    for policy in retention.policies(owner):
        tools.go_on()
        with _inside(owner, policy.organisation_id) as session:
            late = since is None or retention.has_late_batches(
                session.connection(), policy.organisation_id, since
            )
            if late:
                reopen(session, policy.organisation_id, LONG_PAST)
            imports.ask_again(session, policy.organisation_id, before=datetime.now(UTC) - LOOK_BACK)
            handover.mark_missed(session, policy.organisation_id, now=datetime.now(UTC))


@contextmanager
def _inside(owner: Engine, organisation_id: int) -> Iterator[Session]:
    """Open one transaction of the owner's inside one organisation."""
    with Session(owner) as session, session.begin():
        partitions.enter_plain(session.connection(), organisation_id)
        yield session


def _owner(tools: Tools) -> Engine:
    assert tools.owner is not None, "only a worker that knows the owner's login serves this queue"
    return tools.owner


def rescue_jobs(tools: Tools) -> None:
    """Put back the jobs of workers that died."""
    with Session(tools.database.engine) as session, session.begin():
        rescued = rescue(session)
    for job_id, task, given_up in rescued:
        log.error("job_failed" if given_up else "job_rescued", task=task, job_id=job_id)


TASKS: Final = (
    Task(CARETAKE, caretake, every="17 2 * * *", needs_owner=True),
    Task(SWEEP, sweep_verdicts, every="*/10 * * * *", needs_owner=True),
    Task(SWEEP_ALL, sweep_all_verdicts, every="47 3 * * *", needs_owner=True),
    Task(RESCUE, rescue_jobs, every="*/2 * * * *"),
)
