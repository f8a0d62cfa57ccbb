"""The months of the reading table, made ahead of time.

There is no default partition: beside one, a month could not be detached without stopping writers. What was observed
before the first month lies in ``reading_early``; nothing is observed after the last, which is years ahead.
"""

from typing import Final

from sqlalchemy import Connection, text

MONTHS_BACK: Final = 36
MONTHS_AHEAD: Final = 24

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
    due = connection.execute(_DUE, {"ahead": MONTHS_AHEAD}).all()
    for name, first_day, next_month in due:
        make_month(connection, name, first_day, next_month)
    return [name for name, _, _ in due]


def make_month(connection: Connection, name: str, first_day: str, next_month: str) -> None:
    """Make one month's partition, behind the same wall as the table."""
    connection.execute(
        text(
            f"create table {name} partition of reading"
            f" for values from ('{first_day} 00:00+00') to ('{next_month} 00:00+00')"
        )
    )
    connection.execute(text(f"alter table {name} enable row level security"))
    connection.execute(text(f"alter table {name} force row level security"))
