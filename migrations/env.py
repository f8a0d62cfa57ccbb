"""Alembic's entry: one transaction for each revision, short lock waits, the queue of months left out."""

import os
import re
from collections.abc import Mapping
from typing import Any

from alembic import context
from sqlalchemy import Connection, create_engine, text

from service.storage.database import sqlalchemy_url
from service.storage.tables import metadata

_NOT_MODELLED = re.compile(r"reading_\d{4}_\d\d$|reading_(early|elsewhere)$|procrastinate_")


def include_name(name: str | None, kind: str, _parents: Mapping[str, Any]) -> bool:
    """Leave out the partitions of ``reading``, which come and go with the calendar, and the queue's own tables."""
    return not (kind == "table" and name is not None and _NOT_MODELLED.match(name))


def run(connection: Connection) -> None:
    """Run the revisions on an open connection."""
    connection.execute(text("set lock_timeout = '4s'"))
    connection.execute(text("set statement_timeout = '30s'"))
    connection.commit()
    context.configure(
        connection=connection,
        target_metadata=metadata,
        transaction_per_migration=True,
        compare_server_default=True,
        include_name=include_name,
    )
    with context.begin_transaction():
        context.run_migrations()


given = context.config.attributes.get("connection")
if given is not None:
    run(given)
else:
    engine = create_engine(
        sqlalchemy_url(os.environ.get("HEAPLEDGER_OWNER_URL") or os.environ["DATABASE_URL"])
    )
    with engine.connect() as connection:
        run(connection)
    engine.dispose()
