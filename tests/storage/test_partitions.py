"""Months are made and emptied while others read and write; a half-done emptying is finished by whoever comes next."""

import itertools
import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import DBAPIError

from service.domain.authority import Caller, Scope
from service.domain.errors import Unavailable
from service.operations.packs import Pack
from service.operations.readings import BatchNumbers, ingest
from service.storage import partitions, retention
from service.storage.database import SERVICE_ROLE, Database, connect_engine
from service.storage.partitions import Month, detach, finish, keep_ahead, months
from service.storage.readings import Instrument
from tests.conftest import Urls
from tests.storage.months import Farm, a_farm, hours, month_start, name_of

OLD, OLDER, WRITTEN = 20, 21, 2
"""Months ago: the one emptied, the one a long read looks at, the one written to meanwhile."""


@pytest.fixture
def engine(fresh: Urls) -> Iterator[Engine]:
    made = connect_engine(fresh.owner, pool_size=5)
    yield made
    made.dispose()


@pytest.fixture
def database(fresh: Urls) -> Iterator[Database]:
    made = Database(connect_engine(fresh.service, role=SERVICE_ROLE))
    yield made
    made.close()


@contextmanager
def a_long_read(fresh: Urls, months_ago: int) -> Iterator[None]:
    """Read another month and go on holding what reading holds."""
    with psycopg.connect(fresh.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        connection.execute(
            "select count(*) from reading where observed_at >= %s and observed_at < %s",
            (month_start(months_ago), month_start(months_ago - 1)),
        )
        yield


def month(engine: Engine, months_ago: int) -> Month:
    with engine.begin() as connection:
        (found,) = [one for one in months(connection) if one.name == name_of(months_ago)]
    return found


def send(database: Database, farm: Farm, at: datetime) -> int:
    """Keep one reading by the one way in; return how many were stored."""
    serial = farm.probes[0][0].hex
    pack = Pack(
        Caller(farm.organisation_id, uuid.uuid4(), frozenset({Scope.INGEST})),
        [serial],
        [1],
        [at.timestamp()],
        [60.0],
        [1],
        [0],
        1,
        datetime.now(UTC),
    )
    with database.begin_plain(farm.organisation_id) as plain:
        known = {serial: Instrument(farm.probes[0][1], None)}
        (receipt,) = ingest(plain, farm.organisation_id, [pack], known, BatchNumbers())
    return receipt.stored


def waiting_for_locks(engine: Engine) -> list[str]:
    """Return the first words of each statement that waits for a lock."""
    with engine.begin() as connection:
        rows = connection.execute(
            text(
                "select query from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'"
            )
        ).all()
    return [query for (query,) in rows]


def test_the_bounds_of_months_are_read_back(engine: Engine) -> None:
    with engine.begin() as connection:
        found = months(connection)
    assert found[0].is_early
    assert (found[0].since, found[0].until) == (partitions.LONG_AGO, found[1].since)
    assert not any(one.is_early for one in found[1:])
    for earlier, later in itertools.pairwise(found):
        assert earlier.until == later.since
    assert month(engine, OLD) == Month(name_of(OLD), month_start(OLD), month_start(OLD - 1))


def test_a_month_is_made_while_others_read_and_write(fresh: Urls, engine: Engine, database: Database) -> None:
    """``create table ... partition of`` would lock the whole table and wait for the long read, and all for it."""
    farm = a_farm(engine)
    with engine.begin() as connection:
        connection.execute(text("drop table reading_2027_01"))
    with a_long_read(fresh, OLDER), engine.begin() as connection:
        connection.execute(text("set local lock_timeout = '2s'"))
        assert keep_ahead(connection) == ["reading_2027_01"]
        assert send(database, farm, month_start(WRITTEN)) == 1  # though the making has not committed yet
    with engine.begin() as connection:
        walls = connection.execute(
            text("select relrowsecurity, relforcerowsecurity from pg_class where relname = 'reading_2027_01'")
        ).one()
        assert tuple(walls) == (True, True)
        assert [one.name for one in months(connection)].count("reading_2027_01") == 1


def test_writers_go_on_while_a_month_is_detached(fresh: Urls, engine: Engine, database: Database) -> None:
    """The detaching waits for a long read; nobody waits for the detaching."""
    farm = a_farm(engine)
    old = month(engine, OLD)
    farm.read(0, hours(old.since, 5))
    detaching = threading.Thread(target=detach, args=(engine, old))
    written: list[int] = []
    faults: list[BaseException] = []

    def write() -> None:
        try:
            written.extend(send(database, farm, at) for at in hours(month_start(WRITTEN), 40))
        except BaseException as error:  # noqa: BLE001 - it is looked at below
            faults.append(error)

    others: list[str] = []
    with a_long_read(fresh, OLDER):
        detaching.start()
        while not (waits := waiting_for_locks(engine)):
            assert detaching.is_alive()
            threading.Event().wait(0.01)
        assert all("detach partition" in query for query in waits)
        writing = threading.Thread(target=write)
        writing.start()
        while writing.is_alive():
            others += [query for query in waiting_for_locks(engine) if "detach partition" not in query]
            writing.join(0.005)
        assert detaching.is_alive()
        assert any("detach partition" in query for query in waiting_for_locks(engine))
    detaching.join()
    assert (faults, others) == ([], [])
    assert written == [1] * 40
    assert finish(engine, [farm.organisation_id]) == [old.name]
    assert farm.left() == hours(month_start(WRITTEN), 40)


def test_a_very_late_reading_finds_its_month_again(engine: Engine, database: Database) -> None:
    farm = a_farm(engine)
    old = month(engine, OLD)
    farm.read(0, hours(old.since, 5))
    detach(engine, old)
    with pytest.raises(Unavailable):
        send(database, farm, old.since)
    finish(engine, [farm.organisation_id])
    assert month(engine, OLD) == old
    assert send(database, farm, old.since) == 1
    assert farm.left() == [old.since]


class TestHalfDone:
    """Whatever a crash left, the next run finishes it; what became evidence meanwhile is carried over."""

    @pytest.fixture
    def farm(self, engine: Engine) -> Farm:
        """Five readings while the first probe sat in a pile with a verdict, five of the other probe."""
        made = a_farm(engine)
        old = month_start(OLD)
        pile = made.pile()
        made.place(0, pile, old, old + timedelta(hours=5))
        made.read(0, hours(old, 8))
        made.read(1, hours(old, 5))
        made.verdict(pile)
        return made

    def _finished(self, engine: Engine, farm: Farm, stranger: Farm) -> None:
        finish(engine, [farm.organisation_id, stranger.organisation_id])
        assert farm.left(0) == hours(month_start(OLD), 5)
        assert farm.left(1) == []
        assert month(engine, OLD).since == month_start(OLD)
        with engine.begin() as connection:
            names = connection.execute(
                text("select relname from pg_class where relname like 'reading\\_%\\_detached%'")
            )
            assert names.all() == []
            walls = text("select relrowsecurity and relforcerowsecurity from pg_class where relname = :n")
            assert connection.execute(walls, {"n": name_of(OLD)}).scalar_one() is True
        assert finish(engine, [farm.organisation_id]) == []

    def test_detaching_was_broken_off(
        self, fresh: Urls, engine: Engine, farm: Farm, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(partitions, "_DETACH_WITHIN", "200ms")
        with a_long_read(fresh, OLDER), pytest.raises(DBAPIError):
            detach(engine, month(engine, OLD))
        monkeypatch.undo()
        with engine.begin() as connection:
            assert connection.execute(partitions._DETACHING).scalar_one() == name_of(OLD)
            assert name_of(OLD) not in {one.name for one in months(connection)}
        self._finished(engine, farm, a_farm(engine))

    def test_detached_and_no_more(self, engine: Engine, farm: Farm) -> None:
        detach(engine, month(engine, OLD))
        self._finished(engine, farm, a_farm(engine))

    def test_set_aside_and_no_more(self, engine: Engine, farm: Farm) -> None:
        detach(engine, month(engine, OLD))
        with engine.begin() as connection:
            partitions._set_aside(connection, name_of(OLD))
        self._finished(engine, farm, a_farm(engine))

    def test_made_again_and_not_yet_dropped(self, engine: Engine, farm: Farm) -> None:
        detach(engine, month(engine, OLD))
        with engine.begin() as connection:
            partitions._set_aside(connection, name_of(OLD))
            keep_ahead(connection)
        self._finished(engine, farm, a_farm(engine))


def test_two_who_make_months_at_once_do_not_collide(engine: Engine) -> None:
    with engine.begin() as connection:
        connection.execute(text("drop table reading_2027_01, reading_2027_02"))
    barrier = threading.Barrier(4)
    made: list[list[str]] = []

    def make() -> None:
        barrier.wait()
        with engine.begin() as connection:
            made.append(keep_ahead(connection))

    threads = [threading.Thread(target=make) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(made) == [[], [], [], ["reading_2027_01", "reading_2027_02"]]


def test_only_the_owner_passes_for_the_owner(fresh: Urls, engine: Engine) -> None:
    assert retention.owns_the_record(engine)
    service = connect_engine(fresh.service, pool_size=1)
    assert not retention.owns_the_record(service)
    service.dispose()
