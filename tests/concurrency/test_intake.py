"""The queue before the record, with what goes wrong around it: crashes, cancelled requests, sessions cut off."""

import asyncio
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any
from uuid import uuid4

import psycopg
import pytest
from sqlalchemy import text

from service.domain.authority import Caller, Scope
from service.domain.errors import Unavailable
from service.domain.quantities import Quantity, Unit
from service.operations.intake import Intake
from service.operations.packs import Pack, Receipt
from service.storage.database import SERVICE_ROLE, Database, connect_engine
from service.storage.embedded import EmbeddedServer
from tests.concurrency.gateways import START, make_key
from tests.concurrency.locks import barred, owner_of, wait_barred
from tests.concurrency.servers import kill_all_of, server_in
from tests.conftest import Urls


def pack(organisation_id: int, *seconds: int) -> Pack:
    count = len(seconds)
    return Pack(
        Caller(organisation_id, uuid4(), frozenset({Scope.INGEST})),
        ["PR-1"] * count,
        [int(Quantity.TEMPERATURE)] * count,
        [START.timestamp() + second for second in seconds],
        [60.0] * count,
        [int(Unit.CEL)] * count,
        range(count),
        count,
        datetime.now(UTC),
    )


def keep(intake: Intake, organisation_id: int, *seconds: int) -> Receipt:
    return intake.submit(pack(organisation_id, *seconds)).result(60)


@contextmanager
def intake_on(urls: Urls) -> Iterator[Intake]:
    database = Database(connect_engine(urls.service, role=SERVICE_ROLE, pool_size=3))
    made = Intake(database, writers=1)
    yield made
    made.close()
    database.close()


def an_organisation(urls: Urls) -> int:
    """Make an organisation with a probe."""
    number = int(make_key(urls, uuid4().hex).split("_")[1], 16)
    with owner_of(urls) as owner:
        owner.execute(
            "insert into probe (organisation_id, id, serial) values (%s, %s, 'PR-1')", (number, uuid4())
        )
    return number


@pytest.fixture
def own_server() -> Iterator[tuple[EmbeddedServer, Urls]]:
    with server_in(None) as made:
        yield made


def test_batch_numbers_taken_before_a_crash_are_not_given_to_two(
    own_server: tuple[EmbeddedServer, Urls],
) -> None:
    """The server forgets a sequence's step that no commit put on disk, and hands it out again after a crash."""
    server, urls = own_server
    number = an_organisation(urls)
    with owner_of(urls) as owner:
        owner.execute("alter system set wal_writer_delay = '10s'")  # only a commit puts anything on disk
        owner.execute("select pg_reload_conf()")
        owner.execute("checkpoint")
        was = owner.execute("select last_value, is_called from reading_batch").fetchone()
    with intake_on(urls) as first, intake_on(urls) as second:
        with suppress(psycopg.OperationalError), barred(urls):
            lost = first.submit(pack(number, 0))
            wait_barred(urls)
            with owner_of(urls) as owner:
                taken = owner.execute("select last_value, is_called from reading_batch").fetchone()
            kill_all_of(server)
            with pytest.raises(Unavailable):
                lost.result(60)
        server.start()
        with owner_of(urls) as owner:
            assert was != taken
            assert owner.execute("select last_value, is_called from reading_batch").fetchone() == was
        for second_of_day in range(12):
            assert keep(first, number, second_of_day).stored == 1
        for second_of_day in range(12, 24):
            assert keep(second, number, second_of_day).stored == 1
        with owner_of(urls) as owner:
            assert owner.execute("select count(*), count(distinct batch_id) from reading").fetchone() == (
                24,
                24,
            )


def test_a_request_given_up_while_it_waits_does_not_end_the_writer(fresh: Urls) -> None:
    """One from a thread cannot be given up, one from a loop may, and the loop may be gone."""
    number = an_organisation(fresh)
    with intake_on(fresh) as intake:
        with barred(fresh):
            first = intake.submit(pack(number, 0))
            wait_barred(fresh)
            assert not intake.submit(pack(number, 1)).cancel()
            asyncio.run(given_up(intake, pack(number, 2)))
        assert first.result(60).stored == 1
        told = keep(intake, number, 1, 2, 3)
        assert (told.stored, told.duplicate) == (1, 2)


def test_what_nobody_foresaw_is_told_and_does_not_end_the_writer(fresh: Urls) -> None:
    number = an_organisation(fresh)
    with intake_on(fresh) as intake:
        unforeseen: Any = None
        with pytest.raises(AttributeError):
            intake.submit(replace(pack(number, 0), caller=unforeseen)).result(60)
        assert keep(intake, number, 0).stored == 1


async def given_up(intake: Intake, one: Pack) -> None:
    assert intake.submit_on_loop(one).cancel()


def stand_idle(run: Callable[[str], object]) -> None:
    run("set local idle_in_transaction_session_timeout = '20ms'")
    time.sleep(0.2)
    run("select 1")


def test_a_transaction_that_stood_idle_too_long_is_unavailable(fresh: Urls) -> None:
    """The server ends it with an error of another class than those of a lost connection."""
    number = an_organisation(fresh)
    database = Database(connect_engine(fresh.service, role=SERVICE_ROLE, pool_size=1))
    held = database.hold_plain()
    with pytest.raises(Unavailable), held.begin(number) as connection:
        stand_idle(connection.execute)
    with held.begin(number) as connection:  # on a new connection
        assert connection.execute("select 1").fetchone() == (1,)
    held.close()
    with pytest.raises(Unavailable), database.begin(number) as session:
        stand_idle(lambda statement: session.execute(text(statement)))
    database.close()
