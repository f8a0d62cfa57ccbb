"""The jobs that append to the log what was committed since, organisation by organisation."""

from typing import Final

import structlog

from service.domain.errors import DomainError
from service.jobs.tasks import Task, Tools
from service.operations import log as operations
from service.storage import retention

APPEND: Final = "append_to_logs"
SWEEP: Final = "sweep_logs"

log = structlog.get_logger()


def append_to_logs(tools: Tools) -> None:
    """Append what was recorded lately and has no leaf.

    The steward lists the organisations; each one's log is appended to as the service, which may not change it.
    """
    _append(tools, everything=False)


def sweep_logs(tools: Tools) -> None:
    """Append whatever has no leaf, however old: what committed so late that the quick look missed it."""
    _append(tools, everything=True)


def _append(tools: Tools, *, everything: bool) -> None:
    assert tools.owner is not None, "only a worker that knows the owner's login serves this queue"
    for policy in retention.policies(tools.owner):
        try:
            append_of(tools, policy.organisation_id, everything=everything)
        except DomainError:
            raise
        except Exception:
            # One organisation's record must not keep the others' from being logged.
            log.exception("log_not_appended", organisation_id=policy.organisation_id)


def append_of(tools: Tools, organisation_id: int, *, everything: bool = False) -> int:
    """Append to one organisation's log until nothing is left, some leaves at a time; return how many."""
    appended = 0
    while True:
        tools.go_on()
        with tools.database.begin(organisation_id) as session:
            count = operations.append_due(session, organisation_id, everything=everything)
        appended += count
        if count < operations.MOST_AT_ONCE:
            return appended


TASKS: Final = (
    Task(APPEND, append_to_logs, every="* * * * *", needs_owner=True),
    Task(SWEEP, sweep_logs, every="32 3 * * *", needs_owner=True),
)
