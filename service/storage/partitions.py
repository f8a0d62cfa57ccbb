"""The months of the reading table, made ahead of time."""

from typing import Final

from sqlalchemy import Connection, text

MONTHS_BACK: Final = 36
MONTHS_AHEAD: Final = 24

_DUE: Final = text("""
select to_char(month, '"reading_"YYYY_MM') as name,
       to_char(month, 'YYYY-MM-DD') as first_day,
       to_char(month + interval '1 month', 'YYYY-MM-DD') as next_month
from generate_series(
    date_trunc('month', now() at time zone 'UTC') - make_interval(months => :back),
    date_trunc('month', now() at time zone 'UTC') + make_interval(months => :ahead),
    interval '1 month') as month
where to_regclass(to_char(month, '"reading_"YYYY_MM')) is null
  and not exists (
    select from reading_elsewhere
    where observed_at >= month at time zone 'UTC'
      and observed_at < (month + interval '1 month') at time zone 'UTC')
""")
"""A month whose readings lie in ``reading_elsewhere`` stays there; moving them is a task of its own."""


def keep_ahead(connection: Connection) -> list[str]:
    """Make each month's partition that is missing around now; return the names made.

    Readings older or newer than any month made are kept in ``reading_elsewhere``.
    """
    made = []
    for name, first_day, next_month in connection.execute(
        _DUE, {"back": MONTHS_BACK, "ahead": MONTHS_AHEAD}
    ).all():
        connection.execute(
            text(
                f"create table {name} partition of reading"
                f" for values from ('{first_day} 00:00+00') to ('{next_month} 00:00+00')"
            )
        )
        connection.execute(text(f"alter table {name} enable row level security"))
        connection.execute(text(f"alter table {name} force row level security"))
        made.append(name)
    return made
