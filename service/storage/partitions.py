"""The months of the reading table: made ahead of time, and emptied whole once nobody keeps them.

There is no default partition: beside one, a month could not be detached without stopping writers. What was observed
before the first month lies in ``reading_early``; nothing is observed after the last, which is years ahead.

Nothing here stops a writer of another month. A month is made beside the table and then attached, because ``create table
... partition of`` locks the whole table; and it is detached ``concurrently``. That takes several transactions, so a
crash may leave it half done: :func:`finish` goes on from whatever it finds.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

from sqlalchemy import Connection, Engine, text

MONTHS_BACK: Final = 36
MONTHS_AHEAD: Final = 24
_DETACHED: Final = "_detached"
_DETACH_WITHIN: Final = "20s"
"""How long a detach waits for those who use the table; when they take longer it is finished by the next run."""
_ONE_AT_A_TIME: Final = 7_210_441_904

_DUE: Final = text("""
with early as (
  select (regexp_match(pg_get_expr(relpartbound, oid), 'TO \\(''([^'']+)''\\)'))[1]::timestamptz as ends
  from pg_class where oid = 'reading_early'::regclass)
select to_char(month, '"reading_"YYYY_MM') as name,
       to_char(month, 'YYYY-MM-DD') as first_day,
       to_char(month + interval '1 month', 'YYYY-MM-DD') as next_month
from early, generate_series(
    early.ends at time zone 'UTC',
    date_trunc('month', now() at time zone 'UTC') + make_interval(months => :ahead),
    interval '1 month') as month
where to_regclass(to_char(month, '"reading_"YYYY_MM')) is null
""")


def keep_ahead(connection: Connection) -> list[str]:
    """Make each month's partition that is missing, up to two years ahead; return the names made."""
    connection.execute(text("select pg_advisory_xact_lock(:key)"), {"key": _ONE_AT_A_TIME})
    due = connection.execute(_DUE, {"ahead": MONTHS_AHEAD}).all()
    for name, first_day, next_month in due:
        make_month(connection, name, first_day, next_month)
    return [name for name, _, _ in due]


def make_month(connection: Connection, name: str, first_day: str, next_month: str) -> None:
    """Make one month's partition, behind the same wall as the table."""
    connection.execute(text(f"create table {name} (like reading including all)"))
    connection.execute(text(f"alter table {name} enable row level security"))
    connection.execute(text(f"alter table {name} force row level security"))
    connection.execute(
        text(
            f"alter table reading attach partition {name}"
            f" for values from ('{first_day} 00:00+00') to ('{next_month} 00:00+00')"
        )
    )


@dataclass(frozen=True)
class Month:
    """A partition of readings: of one month, or of everything before the first."""

    name: str
    since: datetime
    until: datetime

    @property
    def is_early(self) -> bool:
        """Whether it is the one of everything before the first month."""
        return self.name == "reading_early"


LONG_AGO: Final = datetime(1970, 1, 1, tzinfo=UTC)
"""No reading is older: the formats refuse it."""

_MONTHS: Final = text("""
with bounds as (
  select c.relname as name, pg_get_expr(c.relpartbound, c.oid) as bound
  from pg_inherits i join pg_class c on c.oid = i.inhrelid
  where i.inhparent = 'reading'::regclass and not i.inhdetachpending)
select name,
       (regexp_match(bound, 'FROM \\(''([^'']+)''\\)'))[1]::timestamptz,
       (regexp_match(bound, 'TO \\(''([^'']+)''\\)'))[1]::timestamptz
from bounds order by 2 nulls first
""")


def months(connection: Connection) -> list[Month]:
    """Return the attached partitions, earliest first."""
    rows = connection.execute(_MONTHS).all()
    return [Month(name, since or LONG_AGO, until) for name, since, until in rows]


_DETACHING: Final = text("""
select c.relname from pg_inherits i join pg_class c on c.oid = i.inhrelid
where i.inhparent = 'reading'::regclass and i.inhdetachpending
""")
_STANDING_ALONE: Final = text(f"""
select relname from pg_class
where relnamespace = 'public'::regnamespace and relkind = 'r'
  and relname ~ '^reading_[0-9]{{4}}_[0-9]{{2}}({_DETACHED})?$'
  and not exists (select from pg_inherits where inhrelid = pg_class.oid)
""")  # noqa: S608 - a constant of ours


def detach(engine: Engine, month: Month) -> None:
    """Take a month out of the table while others write; :func:`finish` makes it again.

    Until then a reading of that month is refused as ``unavailable``, to be sent again.
    """
    with _by_itself(engine) as connection:
        connection.execute(text(f"alter table reading detach partition {month.name} concurrently"))


def finish(engine: Engine, organisations: Sequence[int]) -> list[str]:
    """Finish each detaching that was begun: make the month again, empty but for evidence, and drop the old table.

    Parameters
    ----------
    organisations
        All there are; what is evidence of theirs is carried over.

    Returns
    -------
    list[str]
        The months made again.
    """
    with _by_itself(engine) as connection:
        for (name,) in connection.execute(_DETACHING).all():
            connection.execute(text(f"alter table reading detach partition {name} finalize"))
        alone = sorted(name for (name,) in connection.execute(_STANDING_ALONE).all())
    with engine.begin() as connection:
        for name in alone:
            if not name.endswith(_DETACHED):
                _set_aside(connection, name)
        made = keep_ahead(connection)
    for name in alone:
        with engine.begin() as connection:
            _carry_over_and_drop(connection, name.removesuffix(_DETACHED) + _DETACHED, organisations)
    return made


def _set_aside(connection: Connection, name: str) -> None:
    """Rename a detached month and its key, so that the month can be made again under its own name."""
    connection.execute(text(f"alter table {name} rename to {name}{_DETACHED}"))
    connection.execute(text(f"alter index {name}_pkey rename to {name}{_DETACHED}_pkey"))


EVIDENCE: Final = """
exists (
  select from placement s
  join probe p on p.organisation_id = s.organisation_id and p.id = s.probe_id
  where s.organisation_id = r.organisation_id and p.number = r.probe
    and r.observed_at >= s.since and r.observed_at < coalesce(s.until, 'infinity')
    and exists (
      select from verdict v where v.organisation_id = s.organisation_id and v.pile_id = s.pile_id))
"""
"""Of a row ``r`` of readings: taken while its probe sat in a pile on which a verdict is on file."""


def _carry_over_and_drop(connection: Connection, name: str, organisations: Sequence[int]) -> None:
    # A verdict that is on file before its readings are gone keeps them: none is issued meanwhile.
    connection.execute(text("lock table verdict in share mode"))
    # Detached, the old table is behind a wall without a gate; it is ours alone from here on.
    connection.execute(text(f"alter table {name} no force row level security"))
    for organisation_id in organisations:
        enter_plain(connection, organisation_id)
        connection.execute(
            text(
                "insert into reading (organisation_id, probe, quantity, observed_at, value, unit, flag, batch_id)"  # noqa: S608
                " select organisation_id, probe, quantity, observed_at, value, unit, flag, batch_id"
                f" from {name} r where r.organisation_id = :organisation_id and {EVIDENCE} on conflict do nothing"
            ),
            {"organisation_id": organisation_id},
        )
    connection.execute(text(f"drop table {name}"))


def enter_plain(connection: Connection, organisation_id: int) -> None:
    """Name the organisation for the present transaction of a connection that is not a session's."""
    connection.execute(
        text("select set_config('heapledger.organisation', :value, true)"), {"value": str(organisation_id)}
    )


@contextmanager
def _by_itself(engine: Engine) -> Iterator[Connection]:
    """Give a connection whose statements are each a transaction, and which is thrown away afterwards."""
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.detach()
        connection.execute(text(f"set statement_timeout = '{_DETACH_WITHIN}'"))
        connection.execute(text(f"set lock_timeout = '{_DETACH_WITHIN}'"))
        yield connection
