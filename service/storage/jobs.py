"""Asking for work: a job is a row that commits with the data that caused it, and carries ids only.

Jobs may run twice or late: each works from what is on record when it runs. ``once`` and a waiting ``lock`` can lose a
signal (the waiting job may start before we commit), so each such task also has a periodic sweep.
"""

import json
from datetime import datetime
from typing import Final

from procrastinate import App, SyncPsycopgConnector
from procrastinate.exceptions import AlreadyEnqueued
from sqlalchemy import text
from sqlmodel import Session

from service.storage.readings import Plain

QUEUE: Final = "default"
MOST_ATTEMPTS: Final = 6
"""After so many retries a job has failed for good; the waits grow from four seconds to an hour and more."""
STALE_AFTER_S: Final = 90
"""A worker tells every ten seconds that it lives; one silent for this long is dead, and its jobs go back."""

queue: Final = App(connector=SyncPsycopgConnector())
"""Only ever defers, on the connection it is given; the worker has an app of its own."""


def defer(
    session: Session, task: str, *, once: str | None = None, lock: str | None = None, **arguments: int | str
) -> None:
    """Ask for work in the caller's transaction.

    Parameters
    ----------
    once
        One waiting job under this name is enough; a second is not made.
    lock
        No two jobs under this name run at the same time.
    """
    try:
        with session.begin_nested():  # a duplicate would otherwise abort the caller's transaction
            raw = session.connection().connection.driver_connection
            asked = queue.configure_task(task, queueing_lock=once, lock=lock, connection=raw)
            asked.defer(**arguments)
    except AlreadyEnqueued:
        pass


_DEFER_PLAIN: Final = f"""
select procrastinate_defer_jobs_v1(array[
  row('{QUEUE}', %s, 0, %s, null, %s::jsonb, now() + make_interval(secs => %s))::procrastinate_job_to_defer_v1])
where exists (select from verdict where organisation_id = %s and judged_at >= %s)
  and not exists (select from procrastinate_jobs where lock = %s and status = 'todo')
"""  # noqa: S608 - a constant of ours
"""No queueing lock: two transactions that both find no waiting job make two, which is harmless, where a unique key
would make one wait for the other, and then fail it."""


def defer_plain(
    connection: Plain, task: str, organisation_id: int, since: datetime, *, lock: str, wait_s: float
) -> None:
    """Ask for work on an organisation if a verdict on file looked at ``since`` or later.

    One statement that waits for nobody, cannot fail for a duplicate and whose answer need not be awaited: it may go
    out in pipeline mode. Without such a verdict it costs one look into an index.

    Parameters
    ----------
    connection
        In an open transaction inside the organisation.
    since
        Aware; the earliest instant whose evidence may have changed.
    lock
        A job that waits under this name is enough; no two run at the same time.
    wait_s
        How long the job waits for company, so that bags arriving together are worked on together [s].
    """
    arguments = json.dumps({"organisation_id": organisation_id})
    connection.execute(
        _DEFER_PLAIN, (task, lock, arguments, wait_s, organisation_id, since, lock), prepare=True
    )


_STALE: Final = text("""
select j.id, j.task_name, j.attempts
from procrastinate_jobs j left join procrastinate_workers w on w.id = j.worker_id
where j.status = 'doing'
  and (j.worker_id is null or w.last_heartbeat < now() - make_interval(secs => :stale_after_s))
order by j.id
for update of j skip locked
""")
_GIVE_BACK: Final = text("select procrastinate_retry_job_v2(:id, now(), null, null, null)")
_GIVE_UP: Final = text("select procrastinate_finish_job_v1(:id, 'failed', false)")
_LET_GO: Final = text("update procrastinate_jobs set queueing_lock = null where id = :id")


def let_go(session: Session, job_id: int) -> None:
    """Take a running job's ``once`` away before it goes back to wait.

    A second one may wait under that name by now, and the queue could then neither put the first back nor end it: it
    would count as running for ever.
    """
    session.execute(_LET_GO, {"id": job_id})


def rescue(session: Session, *, stale_after_s: float = STALE_AFTER_S) -> list[tuple[int, str, bool]]:
    """Put back the jobs of workers that died; return each one's id, task and whether it was given up."""
    found = session.execute(_STALE, {"stale_after_s": stale_after_s}).all()
    for job_id, _, attempts in found:
        let_go(session, job_id)
        session.execute(_GIVE_UP if attempts >= MOST_ATTEMPTS else _GIVE_BACK, {"id": job_id})
    return [(job_id, task, attempts >= MOST_ATTEMPTS) for job_id, task, attempts in found]


_ENDED: Final = text("""
delete from procrastinate_jobs where id = any(array(
  select j.id from procrastinate_jobs j
  where j.status in ('succeeded', 'failed', 'cancelled', 'aborted')
    and not exists (select from procrastinate_events e where e.job_id = j.id and e.at > :before)
  order by j.id
  limit :most))
""")


def forget_ended(session: Session, *, before: datetime, most: int) -> int:
    """Delete jobs that ended before an instant, at most so many; return how many.

    What succeeded is deleted by the worker at once; what failed for good stands until then, to be seen.
    """
    return session.execute(_ENDED, {"before": before, "most": most}).rowcount  # type: ignore[attr-defined, no-any-return]
