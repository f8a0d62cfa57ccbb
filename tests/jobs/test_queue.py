"""Jobs are rows: they commit with what caused them, are tried again, and are never stuck or lost."""

import uuid
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from procrastinate.schema import SchemaManager
from sqlalchemy import text
from sqlmodel import Session

from service.operations.reopening import LONG_PAST, REOPEN, lock_of, reopen, reopen_plain
from service.storage import jobs
from service.storage.database import SERVICE_ROLE, Database, connect_engine
from service.storage.embedded import Logins
from tests.conftest import Tenant, Urls, drop_database, new_database
from tests.jobs.making import a_hot_pile, forget_jobs, waiting

_CATALOG = {
    "columns": "select table_name, column_name, data_type, is_nullable, column_default, udt_name"
    " from information_schema.columns where table_name like 'procrastinate\\_%'",
    "functions": "select pg_get_functiondef(oid) from pg_proc where proname like 'procrastinate\\_%'",
    "indexes": "select indexdef from pg_indexes where tablename like 'procrastinate\\_%'",
    "triggers": "select pg_get_triggerdef(oid) from pg_trigger"
    " where tgrelid::regclass::text like 'procrastinate\\_%' and not tgisinternal",
    "constraints": "select conname, pg_get_constraintdef(oid) from pg_constraint"
    " where conrelid::regclass::text like 'procrastinate\\_%'",
    "labels": "select enumtypid::regtype::text, enumlabel from pg_enum"
    " where enumtypid::regtype::text like 'procrastinate\\_%'",
}


def test_the_pinned_schema_is_the_installed_librarys(logins: Logins, urls: Urls) -> None:
    """An upgrade of the library that changes its schema fails here until it has a revision of its own."""
    name = f"queue_{uuid.uuid4().hex[:10]}"
    new_database(logins.owner, name)
    try:
        with psycopg.connect(replace(logins.owner, database=name).conninfo) as pristine:
            pristine.execute(SchemaManager.get_schema())  # type: ignore[arg-type]
            theirs = {part: set(pristine.execute(sql).fetchall()) for part, sql in _CATALOG.items()}  # type: ignore[arg-type]
    finally:
        drop_database(logins.owner, name)
    with psycopg.connect(urls.owner.replace("postgresql+psycopg", "postgresql")) as migrated:
        ours = {part: set(migrated.execute(sql).fetchall()) for part, sql in _CATALOG.items()}  # type: ignore[arg-type]
    assert len(theirs["functions"]) > 10
    extra = {row for part in ours for row in ours[part] - theirs[part]}
    assert {row for part in theirs for row in theirs[part] - ours[part]} == set()
    assert len(extra) == 1
    assert "procrastinate_jobs_lock_todo_idx" in extra.pop()[0]


class TestDeferring:
    def test_a_job_commits_with_what_caused_it(self, database: Database, tenant: Tenant) -> None:
        with database.begin(tenant.organisation_id) as session:
            jobs.defer(session, "test_a", organisation_id=tenant.organisation_id, import_id="i")
            assert waiting(database, "test_a", tenant.organisation_id) == []
        (job,) = waiting(database, "test_a", tenant.organisation_id)
        assert job["args"] == {"organisation_id": tenant.organisation_id, "import_id": "i"}
        forget_jobs(database, tenant.organisation_id)

    def test_no_commit_no_job(self, database: Database, tenant: Tenant) -> None:
        with Session(database.engine) as session:
            jobs.defer(session, "test_b", organisation_id=tenant.organisation_id)
            session.rollback()
        assert waiting(database, "test_b", tenant.organisation_id) == []

    def test_one_waiting_job_is_enough_and_the_transaction_lives_on(
        self, database: Database, tenant: Tenant
    ) -> None:
        number = tenant.organisation_id
        for _ in range(2):
            with database.begin(number) as session:
                jobs.defer(session, "test_c", once=f"test_c:{number}", organisation_id=number)
                jobs.defer(session, "test_c", once=f"test_c:{number}", organisation_id=number)
                assert session.execute(text("select 1")).scalar_one() == 1
        assert len(waiting(database, "test_c", number)) == 1
        forget_jobs(database, number)


class TestAskingOnTheWriteway:
    """The one statement that goes out with a bag of readings."""

    def _ask(self, database: Database, number: int, since: datetime) -> int:
        held = database.hold_plain()
        with held.begin(number) as connection:
            reopen_plain(connection, number, since)
        held.close()
        return len(waiting(database, REOPEN, number))

    def test_asks_only_where_a_verdict_looked_at_that_time(self, database: Database, tenant: Tenant) -> None:
        number = tenant.organisation_id
        assert self._ask(database, number, LONG_PAST) == 0
        pile = a_hot_pile(tenant)
        judged_at = datetime.fromisoformat(pile.issue()["verdict"]["judged_at"])
        assert self._ask(database, number, judged_at + timedelta(microseconds=1)) == 0
        assert self._ask(database, number, judged_at) == 1

    def test_one_waiting_job_is_enough(self, database: Database, tenant: Tenant, other: Tenant) -> None:
        a_hot_pile(tenant).issue()
        a_hot_pile(other).issue()
        for _ in range(3):
            assert self._ask(database, tenant.organisation_id, LONG_PAST) == 1
        assert waiting(database, REOPEN, other.organisation_id) == []
        (job,) = waiting(database, REOPEN, tenant.organisation_id)
        assert job["lock"] == lock_of(tenant.organisation_id)
        assert job["scheduled_at"] > datetime.now(UTC)

    def test_two_transactions_at_once_neither_wait_nor_fail(self, database: Database, tenant: Tenant) -> None:
        number = tenant.organisation_id
        a_hot_pile(tenant).issue()
        with database.begin_plain(number) as one, database.begin_plain(number) as two:
            two.execute("set local lock_timeout = '1s'")
            reopen_plain(one, number, LONG_PAST)
            reopen_plain(two, number, LONG_PAST)
        assert len(waiting(database, REOPEN, number)) == 2

    def test_it_never_fails_the_bag(self, database: Database, tenant: Tenant) -> None:
        """What stands before and after it in the transaction is kept."""
        number = tenant.organisation_id
        a_hot_pile(tenant).issue()
        with database.begin(number) as session:
            session.execute(
                text("update organisation set keep_readings_months = 13 where organisation_id = :o"),
                {"o": number},
            )
            for _ in range(2):
                reopen(session, number, LONG_PAST)
            assert session.execute(text("select keep_readings_months from organisation")).scalar_one() == 13

    def test_without_such_a_verdict_it_costs_one_look_into_an_index(
        self, database: Database, tenant: Tenant
    ) -> None:
        number = tenant.organisation_id
        with database.begin_plain(number) as plain:
            plain.execute(
                "set local enable_seqscan = off"
            )  # a test's tables are too small for an index to pay
            arguments = (REOPEN, "x", "{}", 5.0, number, LONG_PAST, "x")
            lines = plain.execute("explain (analyze) " + jobs._DEFER_PLAIN, arguments).fetchall()
        plan = "\n".join(line for (line,) in lines)
        assert "ix_verdict_organisation_id_judged_at" in plan
        assert "procrastinate_jobs_lock_todo_idx" in plan
        second = plan[plan.index("procrastinate_jobs_lock_todo_idx") :]
        assert "never executed" in second.splitlines()[0]


def test_the_service_role_may_use_the_queue_and_nobody_else(urls: Urls) -> None:
    engine = connect_engine(urls.owner, role="heapledger_steward", pool_size=1)
    with Session(engine) as session, pytest.raises(Exception, match="permission denied"):
        session.execute(text("select * from procrastinate_jobs"))
    engine.dispose()
    engine = connect_engine(urls.service, role=SERVICE_ROLE, pool_size=1)
    with Session(engine) as session:
        assert session.execute(text("select count(*) from procrastinate_workers")).scalar_one() >= 0
    engine.dispose()
