"""Asking that verdicts on file be looked at again, because what they rest on may have changed."""

from datetime import UTC, datetime
from typing import Final

from sqlmodel import Session

from service.storage.jobs import defer_plain
from service.storage.readings import Plain

REOPEN: Final = "reopen_verdicts"
WAIT_FOR_MORE_S: Final = 5.0
"""A gateway that comes back sends its bags one after another; one look is enough for all of them."""
LONG_PAST: Final = datetime(1970, 1, 1, tzinfo=UTC)
"""No evidence is older: since then means every verdict on file."""


def reopen(session: Session, organisation_id: int, since: datetime) -> None:
    """Ask for a new look at an organisation's verdicts, in the transaction that changed the evidence.

    Parameters
    ----------
    since
        Aware; the earliest instant whose evidence changed. Verdicts judged before it are not touched by the change,
        and without a later one nothing is asked for.
    """
    session.flush()
    plain: Plain = session.connection().connection.driver_connection  # type: ignore[assignment]
    reopen_plain(plain, organisation_id, since)


def reopen_plain(connection: Plain, organisation_id: int, since: datetime) -> None:
    """Do the same on the driver's own connection, in one statement whose answer nobody awaits."""
    defer_plain(
        connection, REOPEN, organisation_id, since, lock=lock_of(organisation_id), wait_s=WAIT_FOR_MORE_S
    )


def lock_of(organisation_id: int) -> str:
    """Return the name under which no two jobs reopen an organisation's verdicts at the same time."""
    return f"{REOPEN}:{organisation_id}"
