"""What is kept only so long: readings past an organisation's policy, and what passes through on its way.

The service may delete no reading. The owner of the record does, organisation by organisation, each behind the same wall
as everybody: its policies hold for the owner, too.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Final

from sqlalchemy import Connection, Engine, text

from service.storage.database import STEWARD_ROLE
from service.storage.partitions import EVIDENCE, LONG_AGO, Month, detach, enter_plain, finish, months

MOST_AT_ONCE: Final = 10_000
"""Rows looked at in one transaction."""
KEEP_ANSWERS: Final = timedelta(days=7)
KEEP_STREAMS: Final = timedelta(days=30)

GoOn = Callable[[], None]
"""Called between steps; raises when the work is to stop."""


@dataclass(frozen=True)
class Policy:
    """How long an organisation keeps readings that are no evidence; for ever when ``keep_months`` is None."""

    organisation_id: int
    keep_months: int | None

    def before(self, now: datetime) -> datetime | None:
        """Return the instant before which readings may go: the first of a month, so that whole months go."""
        if self.keep_months is None:
            return None
        month = now.astimezone(UTC).year * 12 + now.astimezone(UTC).month - 1 - self.keep_months
        return max(LONG_AGO, datetime(month // 12, month % 12 + 1, 1, tzinfo=UTC))


def owns_the_record(engine: Engine) -> bool:
    """Say whether this login owns the tables, which deleting and detaching need."""
    with engine.begin() as connection:
        return bool(
            connection.execute(
                text(
                    "select pg_has_role(current_user, relowner, 'usage') from pg_class"
                    " where oid = to_regclass('reading')"
                )
            ).scalar()
        )


def policies(engine: Engine) -> list[Policy]:
    """Return every organisation's policy; only the steward sees them all."""
    with engine.begin() as connection:
        connection.execute(text(f"set local role {STEWARD_ROLE}"))
        rows = connection.execute(
            text("select organisation_id, keep_readings_months from organisation order by organisation_id")
        ).all()
    return [Policy(*row) for row in rows]


def empty_months(engine: Engine, known: Sequence[Policy], now: datetime, go_on: GoOn) -> list[str]:
    """Empty the months that are past every organisation's policy and hold no evidence, each at one stroke.

    Returns
    -------
    list[str]
        The months taken out of the table and made again.
    """
    numbers = [policy.organisation_id for policy in known]
    made = finish(engine, numbers)
    limits = [policy.before(now) for policy in known]
    if not limits or None in limits:
        return made
    limit = min(one for one in limits if one is not None)
    with engine.begin() as connection:
        past = [month for month in months(connection) if not month.is_early and month.until <= limit]
    for month in past:
        go_on()
        if _is_worth_emptying(engine, month, numbers):
            detach(engine, month)
            made += finish(engine, numbers)
    return made


_HOLDS: Final = """
select exists (
  select from reading r where r.organisation_id = :organisation_id
    and r.observed_at >= :since and r.observed_at < :until {only})
"""


def _is_worth_emptying(engine: Engine, month: Month, organisations: Sequence[int]) -> bool:
    """Say whether a month holds readings and none of them is evidence."""
    found = False
    for organisation_id in organisations:
        with engine.begin() as connection:
            enter_plain(connection, organisation_id)
            asked = {"organisation_id": organisation_id, "since": month.since, "until": month.until}
            if not connection.execute(text(_HOLDS.format(only="")), asked).scalar():
                continue
            if connection.execute(text(_HOLDS.format(only=f"and {EVIDENCE}")), asked).scalar():
                return False
            found = True
    return found


def forget_readings(engine: Engine, policy: Policy, now: datetime, go_on: GoOn) -> int:
    """Delete an organisation's readings past its policy, except evidence; return how many rows went.

    With them go the values that disputed them, and readings held for probes that were never registered: nothing can
    rest on those. Who sent which batch when stays on record.
    """
    before = policy.before(now)
    if before is None:
        return 0
    with engine.begin() as connection:
        due = [month for month in months(connection) if month.since < before]
    gone = 0
    for month in due:
        gone += _forget(
            engine, policy.organisation_id, "reading", month.since, min(month.until, before), go_on
        )
    gone += _forget(engine, policy.organisation_id, "disputed_reading", LONG_AGO, before, go_on)
    held = "held_reading where organisation_id = :organisation_id and observed_at < :before"
    return gone + _delete(engine, policy.organisation_id, held, {"before": before}, go_on)


_FORGET: Final = """
with looked_at as materialized (
  select r.organisation_id, r.probe, r.quantity, r.observed_at
  from {table} r
  where r.organisation_id = :organisation_id and r.observed_at >= :since and r.observed_at < :until
    and (r.probe, r.quantity, r.observed_at) > (:probe, :quantity, :observed_at)
  order by r.probe, r.quantity, r.observed_at
  limit :most),
past as (select * from looked_at r where not {evidence}),
gone as (
  delete from {table} r using past
  where r.organisation_id = :organisation_id and r.observed_at >= :since and r.observed_at < :until
    and r.probe = past.probe and r.quantity = past.quantity and r.observed_at = past.observed_at
  returning 1)
select (select count(*) from gone), probe, quantity, observed_at
from looked_at order by probe desc, quantity desc, observed_at desc limit 1
"""


def _forget(
    engine: Engine, organisation_id: int, table: str, since: datetime, until: datetime, go_on: GoOn
) -> int:
    """Delete readings that are no evidence, in the order of their key: each is looked at once, some at a time."""
    statement = text(_FORGET.format(table=table, evidence=EVIDENCE))
    last = {"probe": -1, "quantity": -1, "observed_at": LONG_AGO}
    gone = 0
    while True:
        go_on()
        with engine.begin() as connection:
            enter_plain(connection, organisation_id)
            # A verdict that is on file before its readings are gone keeps them: none is issued meanwhile.
            connection.execute(text("lock table verdict in share mode"))
            asked = {"organisation_id": organisation_id, "since": since, "until": until, **last}
            row = connection.execute(statement, {**asked, "most": MOST_AT_ONCE}).one_or_none()
        if row is None:
            return gone
        gone += row[0]
        last = {"probe": row[1], "quantity": row[2], "observed_at": row[3]}


def forget_passing(engine: Engine, organisation_id: int, now: datetime, go_on: GoOn) -> int:
    """Delete an organisation's answers kept for repetition, pieces of ended imports and old stream positions."""
    answers = "idempotent_answer where organisation_id = :organisation_id and created_at < :answers"
    streams = "reading_stream where organisation_id = :organisation_id and updated_at < :streams"
    pieces = (
        "import_chunk where organisation_id = :organisation_id and import_id in (select id from reading_import"
        " where organisation_id = :organisation_id and state in ('done', 'cancelled', 'failed'))"
    )
    limits = {"answers": now - KEEP_ANSWERS, "streams": now - KEEP_STREAMS}
    return sum(_delete(engine, organisation_id, which, limits, go_on) for which in (answers, streams, pieces))


def _delete(engine: Engine, organisation_id: int, which: str, limits: dict[str, Any], go_on: GoOn) -> int:
    """Delete rows of a table without partitions, some at a time."""
    table, condition = which.split(" where ", 1)
    statement = text(
        f"delete from {table} where ctid = any(array(select ctid from {table} where {condition} limit :most))"  # noqa: S608
    )
    gone = 0
    while True:
        go_on()
        with engine.begin() as connection:
            enter_plain(connection, organisation_id)
            count = connection.execute(
                statement, {"organisation_id": organisation_id, "most": MOST_AT_ONCE, **limits}
            ).rowcount
        gone += count
        if count < MOST_AT_ONCE:
            return gone


_LATE: Final = text("""
select exists (
  select from batch b
  where b.organisation_id = :organisation_id and b.received_at > :since
    and exists (
      select from verdict v
      where v.organisation_id = b.organisation_id and v.judged_at >= coalesce(b.earliest_at, '-infinity')
        and v.issued_at < b.received_at + interval '1 minute'))
""")


def has_late_batches(connection: Connection, organisation_id: int, since: datetime) -> bool:
    """Say whether a bag that came in after ``since`` reaches back to before an older verdict's instant."""
    asked = {"organisation_id": organisation_id, "since": since}
    return bool(connection.execute(_LATE, asked).scalar())
