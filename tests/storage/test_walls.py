"""The wall between organisations, for every table there is.

The tables come from ``pg_class``, so a table added tomorrow is tried tomorrow.
"""

import contextlib
import inspect
import re
import uuid
from typing import Any

import psycopg
import pytest
from sqlalchemy import text
from sqlalchemy.exc import ProgrammingError
from sqlmodel import Session

from service.storage.database import ORGANISATION_SETTING, SERVICE_ROLE, Database
from service.storage.tables import metadata
from service.worker import TASKS
from tests.conftest import Tenant, Urls

NOT_OURS = re.compile(r"alembic_version$|procrastinate_")
"""The queue is not walled: its rows hold ids only, and a worker must see every organisation's jobs to run them."""


def plain(url: str) -> psycopg.Connection[tuple[Any, ...]]:
    return psycopg.connect(url.replace("postgresql+psycopg", "postgresql"))


@pytest.fixture(scope="module")
def tables(urls: Urls) -> list[tuple[str, bool, bool]]:
    with plain(urls.owner) as connection:
        return connection.execute(
            "select relname, relrowsecurity, relforcerowsecurity from pg_class"
            " where relkind in ('r', 'p') and relnamespace = 'public'::regnamespace order by relname"
        ).fetchall()


def test_every_table_is_walled(tables: list[tuple[str, bool, bool]]) -> None:
    open_tables = [
        name for name, enabled, forced in tables if not (enabled and forced) and not NOT_OURS.match(name)
    ]
    assert open_tables == []
    assert {table.name for table in metadata.sorted_tables} <= {name for name, _, _ in tables}


def test_the_organisation_leads_every_key(urls: Urls) -> None:
    """Primary, unique, exclusion and foreign keys start with the tenant, so the tables can be distributed by it."""
    with plain(urls.owner) as connection:
        rows = connection.execute(
            """
            select c.relname, k.conname, a.attname
            from pg_constraint k
            join pg_class c on c.oid = k.conrelid
            left join pg_attribute a on a.attrelid = k.conrelid and a.attnum = k.conkey[1]
            where c.relnamespace = 'public'::regnamespace and k.contype in ('p', 'u', 'f', 'x')
            """
        ).fetchall()
    led_by_another = {
        (t, k) for t, k, column in rows if column != "organisation_id" and not NOT_OURS.match(t)
    }
    # The tenants' own list: its names are what the steward finds a tenant by.
    assert led_by_another == {("organisation", "uq_organisation_name")}
    assert len(rows) > 40


def test_the_service_owns_nothing(urls: Urls) -> None:
    with plain(urls.service) as connection:
        connection.execute(f"set role {SERVICE_ROLE}")
        mine = connection.execute(
            "select relname from pg_class where pg_get_userbyid(relowner) in (session_user, current_user)"
        ).fetchall()
        powers = connection.execute(
            "select rolsuper or rolbypassrls or rolcreaterole or rolcreatedb from pg_roles"
            " where rolname in (session_user, current_user)"
        ).fetchall()
    assert mine == []
    assert powers == [(False,), (False,)]


@pytest.fixture(scope="module")
def furnished(urls: Urls) -> tuple[int, int]:
    """Two organisations with a row of the first in every table, written by the owner past the wall."""
    with plain(urls.owner) as connection:
        numbers = [
            connection.execute(
                "insert into organisation (name) values (%s) returning organisation_id", (uuid.uuid4().hex,)
            ).fetchone()
            for _ in range(2)
        ]
        ours, theirs = (row[0] for row in numbers if row is not None)
        connection.execute("set session_replication_role = replica")  # foreign keys rest while we furnish
        for table in metadata.sorted_tables:
            if table.name != "organisation":
                _put_a_row(connection, table.name, ours)
    return ours, theirs


def _put_a_row(connection: psycopg.Connection[Any], table: str, organisation_id: int) -> None:
    columns = connection.execute(
        "select column_name, data_type, is_nullable, column_default, is_identity from information_schema.columns"
        " where table_schema = 'public' and table_name = %s",
        (table,),
    ).fetchall()
    values: dict[str, Any] = {}
    for name, kind, nullable, default, identity in columns:
        if name == "organisation_id":
            values[name] = organisation_id
        elif nullable == "NO" and default is None and identity == "NO":
            values[name] = _some(f"{table}.{name}", kind)
    names = ", ".join(f'"{name}"' for name in values)
    places = ", ".join(["%s"] * len(values))
    connection.execute(f"insert into {table} ({names}) values ({places})", tuple(values.values()))


def _some(name: str, kind: str) -> Any:
    if name.endswith(".kind"):
        return {
            "bay.kind": "cage",
            "log_leaf.kind": "event",
            "pile_event.kind": "turn",
            "reading_correction.kind": "exclude",
            "reading_profile.kind": "table",
            "stock_movement.kind": "delivery",
        }[name]
    if name == "stock_balance.unit":
        return "kg"
    if name.endswith(".state"):
        return "planned" if name == "plan_task.state" else "waiting"
    if name == "plan_task.task":
        return "turn"
    if name == "reading_correction.until":
        return "2026-05-05T09:00:00Z"
    return {
        "uuid": uuid.uuid4(),
        "text": "x",
        "integer": 1,
        "bigint": 1,
        "boolean": True,
        "smallint": 1,
        "double precision": 1.0,
        "numeric": 1,
        "timestamp with time zone": "2026-05-04T09:00:00Z",
        "date": "2026-05-04",
        "jsonb": "{}",
        "bytea": b"x",
        "ARRAY": [],
    }[kind]


def _names() -> list[str]:
    return [table.name for table in metadata.sorted_tables]


@pytest.mark.parametrize("table", _names())
class TestAnotherOrganisationsRows:
    """What the service role can do to organisation A's row while inside organisation B."""

    def test_are_there(self, table: str, furnished: tuple[int, int], urls: Urls) -> None:
        with plain(urls.owner) as connection:
            count = connection.execute(
                f"select count(*) from {table} where organisation_id = %s", (furnished[0],)
            ).fetchone()
        assert count is not None
        assert count[0] == 1

    @pytest.mark.parametrize("inside", ["other", "none"])
    def test_cannot_be_read(
        self, table: str, inside: str, furnished: tuple[int, int], database: Database
    ) -> None:
        with Session(database.engine) as session:
            _enter(session, furnished[1] if inside == "other" else None)
            seen = session.execute(
                text(f"select count(*) from {table} where organisation_id = :a"), {"a": furnished[0]}
            ).scalar_one()
        assert seen == 0

    def test_are_read_by_their_own(self, table: str, furnished: tuple[int, int], database: Database) -> None:
        with Session(database.engine) as session:
            _enter(session, furnished[0])
            seen = session.execute(text(f"select count(*) from {table}")).scalar_one()
        assert seen == 1

    def test_cannot_be_written(self, table: str, furnished: tuple[int, int], database: Database) -> None:
        with Session(database.engine) as session:
            _enter(session, furnished[1])
            # A reading finds its month before it meets the wall.
            names, more = (", observed_at", ", now()") if table == "reading" else ("", "")
            with pytest.raises(ProgrammingError, match=r"row-level security|permission denied"):
                session.execute(
                    text(f"insert into {table} (organisation_id{names}) values (:a{more})"),
                    {"a": furnished[0]},
                )

    @pytest.mark.parametrize("verb", ["update {} set organisation_id = organisation_id", "delete from {}"])
    def test_cannot_be_changed_or_deleted(
        self, table: str, verb: str, furnished: tuple[int, int], database: Database
    ) -> None:
        with Session(database.engine) as session:
            _enter(session, furnished[1])
            touched = 0
            with contextlib.suppress(ProgrammingError):  # no privilege at all is as good a wall
                touched = session.execute(
                    text(f"{verb.format(table)} where organisation_id = :a"), {"a": furnished[0]}
                ).rowcount  # type: ignore[attr-defined]
        assert touched == 0


def _enter(session: Session, organisation_id: int | None) -> None:
    if organisation_id is not None:
        session.execute(
            text("select set_config(:n, :v, true)"), {"n": ORGANISATION_SETTING, "v": str(organisation_id)}
        )


def test_what_happened_cannot_be_overwritten(database: Database, tenant: Tenant) -> None:
    """Append-only is a grant, not a habit."""
    for table in (
        "pile_event",
        "analysis",
        "verdict",
        "reading",
        "batch",
        "disputed_reading",
        "calibration",
        "reading_correction",
        "quarantined_message",
        "import_refusal",
        "log_leaf",
        "log_node",
        "adopted_batch",
        "stock_movement",
    ):
        for verb in (f"update {table} set organisation_id = organisation_id", f"delete from {table}"):
            with Session(database.engine) as session:
                _enter(session, tenant.organisation_id)
                with pytest.raises(ProgrammingError, match="permission denied"):
                    session.execute(text(verb))


def test_partitions_are_no_way_round(database: Database, tenant: Tenant) -> None:
    with Session(database.engine) as session:
        _enter(session, tenant.organisation_id)
        with pytest.raises(ProgrammingError, match="permission denied"):
            session.execute(text("select * from reading_early"))


def test_the_steward_sees_organisations_and_nothing_else(steward: Database) -> None:
    for table in metadata.sorted_tables:
        if table.name in {"organisation", "api_key"}:
            continue
        with Session(steward.engine) as session, pytest.raises(ProgrammingError, match="permission denied"):
            session.execute(text(f"select * from {table.name}"))


def test_jobs_hold_ids_only(urls: Urls) -> None:
    """What the queue's rows can hold of an organisation: the arguments of a job, and these are ids."""
    with plain(urls.owner) as connection:
        rows = connection.execute(
            "select c.relname, a.attname from pg_class c join pg_attribute a on a.attrelid = c.oid"
            " where c.relname like 'procrastinate\\_%' and c.relkind = 'r' and a.attnum > 0"
            " and a.atttypid in ('jsonb'::regtype, 'text'::regtype, 'bytea'::regtype)"
        ).fetchall()
    assert set(rows) == {
        ("procrastinate_jobs", "args"),
        ("procrastinate_jobs", "lock"),
        ("procrastinate_jobs", "queueing_lock"),
    }
    for task in TASKS:
        given = list(inspect.signature(task.body).parameters.values())[1:]
        assert all(one.name.endswith("_id") for one in given), task.name
