"""What a task is, what it works with, and how it is run: counted, tried again after growing waits, and stopped."""

import functools
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Final

import structlog
from procrastinate import App, BaseRetryStrategy, JobContext, RetryDecision
from procrastinate.jobs import Job
from prometheus_client import Counter
from sqlalchemy import Engine
from sqlmodel import Session

from service.settings import Settings
from service.storage.database import Database
from service.storage.jobs import MOST_ATTEMPTS, QUEUE, let_go

CARETAKING: Final = "caretaking"
"""The queue of tasks that need the login that owns the record; a worker without it leaves them to others."""
_FIRST_WAIT_S: Final = 4

JOBS: Final = Counter("heapledger_jobs_total", "Jobs by what became of them.", ["task", "outcome"])

log = structlog.get_logger()


class Interrupted(Exception):
    """The worker is being stopped: the job goes back to the queue and is begun again elsewhere or later."""


@dataclass(frozen=True)
class Tools:
    """What tasks work with.

    Attributes
    ----------
    database
        The record as the service sees it.
    owner
        The login that owns the record; None where only the service's is known.
    stopping
        Set when the worker is to stop.
    settings
        Of the worker's process.
    """

    database: Database
    owner: Engine | None
    stopping: threading.Event
    settings: Settings

    def go_on(self) -> None:
        """Return, unless the worker is to stop; a long task calls this between its steps.

        Raises
        ------
        Interrupted
            It is; what was committed stays, and the job is begun again.
        """
        if self.stopping.is_set():
            raise Interrupted


@dataclass(frozen=True)
class Task:
    """A kind of job.

    Attributes
    ----------
    name
        What it is deferred by.
    body
        Takes the tools, then the job's arguments by name.
    every
        When it is deferred by itself, as a cron line in UTC.
    needs_owner
        Whether it works with ``Tools.owner``.
    """

    name: str
    body: Callable[..., None]
    every: str | None = None
    needs_owner: bool = False


class Backoff(BaseRetryStrategy):
    """Try again after 4 s, 16 s, 64 s ...; a job that was only interrupted goes back at once, as often as it takes."""

    def get_retry_decision(self, *, exception: BaseException, job: Job) -> RetryDecision | None:
        """Return when to try again, None when it has failed for good."""
        if isinstance(exception, Interrupted):
            return RetryDecision()
        if job.attempts >= MOST_ATTEMPTS:
            return None
        return RetryDecision(retry_in={"seconds": _FIRST_WAIT_S ** (job.attempts + 1)})


def register(app: App, tasks: Sequence[Task], tools: Tools) -> list[str]:
    """Make tasks known to a worker's app, and return the queues it can serve."""
    usable = [task for task in tasks if tools.owner is not None or not task.needs_owner]
    for task in usable:
        declared = app.task(
            name=task.name,
            queue=CARETAKING if task.needs_owner else QUEUE,
            retry=Backoff(),
            pass_context=True,
        )(functools.partial(_run, task, tools))
        if task.every is not None:
            app.periodic(cron=task.every, queueing_lock=task.name, lock=task.name)(declared)
    return [QUEUE] if tools.owner is None else [QUEUE, CARETAKING]


def _run(task: Task, tools: Tools, context: JobContext, **arguments: Any) -> None:  # noqa: ANN401 - ids of any kind
    """Run one job: say what became of it, and let a failed one be tried again."""
    job = context.job
    if task.every is not None:
        arguments.pop("timestamp", None)
    told = {"task": task.name, "job_id": job.id, "attempt": job.attempts + 1}
    try:
        tools.go_on()
        task.body(tools, **arguments)
    except Interrupted:
        JOBS.labels(task.name, "interrupted").inc()
        _free(tools, job)
        raise
    except Exception:
        for_good = job.attempts >= MOST_ATTEMPTS
        JOBS.labels(task.name, "failed" if for_good else "tried_again").inc()
        log.exception("job_failed" if for_good else "job_will_be_tried_again", **told, **arguments)
        _free(tools, job)
        raise
    JOBS.labels(task.name, "done").inc()


def _free(tools: Tools, job: Job) -> None:
    if job.queueing_lock is not None and job.id is not None:
        with Session(tools.database.engine) as session, session.begin():
            let_go(session, job.id)


KEEP_ENDED: Final = timedelta(days=30)
"""How long a job that failed for good stands to be seen."""
