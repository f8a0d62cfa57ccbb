"""Holding up everybody who keeps readings, so that something can happen to them meanwhile."""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg

from tests.conftest import Urls

_WAITING = """
select 1 from pg_locks
where not granted and database = (select oid from pg_database where datname = current_database())
"""


@contextmanager
def owner_of(urls: Urls) -> Iterator[psycopg.Connection[tuple[Any, ...]]]:
    """Be the record's owner for a while, behind no wall; each statement commits by itself."""
    with psycopg.connect(
        urls.owner.replace("postgresql+psycopg", "postgresql"), autocommit=True
    ) as connection:
        yield connection


@contextmanager
def barred(urls: Urls) -> Iterator[None]:
    """Let nobody keep a reading for a while."""
    with owner_of(urls) as owner, owner.transaction():
        owner.execute("lock table reading in exclusive mode")
        yield


def wait_barred(urls: Urls) -> None:
    """Wait until a writer stands before the lock."""
    until = time.monotonic() + 30
    with owner_of(urls) as owner:
        while not owner.execute(_WAITING).fetchall():
            assert time.monotonic() < until
            time.sleep(0.005)
