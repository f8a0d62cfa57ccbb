"""One head; every step up, down and up again; the models and the schema agree."""

import uuid
from collections.abc import Iterator
from dataclasses import replace

import pytest
from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, create_engine, inspect, text

from service.storage.embedded import Logins
from service.storage.migrating import alembic_config, migrate
from service.storage.partitions import keep_ahead
from tests.conftest import Urls, drop_database, new_database


@pytest.fixture
def empty(logins: Logins) -> Iterator[Connection]:
    name = f"empty_{uuid.uuid4().hex[:10]}"
    new_database(logins.owner, name)
    engine = create_engine(replace(logins.owner, database=name).url)
    with engine.connect() as connection:
        yield connection
    engine.dispose()
    drop_database(logins.owner, name)


def test_one_head() -> None:
    assert len(ScriptDirectory.from_config(alembic_config()).get_heads()) == 1


def test_every_step_up_down_up(empty: Connection) -> None:
    config = alembic_config(empty)
    revisions = [step.revision for step in ScriptDirectory.from_config(config).walk_revisions()][::-1]
    for number, revision in enumerate(revisions):
        command.upgrade(config, revision)
        command.downgrade(config, revisions[number - 1] if number else "base")
        command.upgrade(config, revision)
    command.downgrade(config, "base")
    assert set(inspect(empty).get_table_names()) <= {"alembic_version"}
    command.upgrade(config, "head")
    assert "reading" in inspect(empty).get_table_names()


def test_models_and_schema_agree(empty: Connection) -> None:
    config = alembic_config(empty)
    command.upgrade(config, "head")
    keep_ahead(empty)
    command.check(config)


def test_lock_waits_are_short(empty: Connection) -> None:
    command.upgrade(alembic_config(empty), "head")
    assert empty.execute(text("show lock_timeout")).scalar_one() == "4s"


def test_migrating_twice_changes_nothing(fresh: Urls) -> None:
    engine = create_engine(fresh.owner)
    with engine.connect() as connection:
        before = connection.execute(text("select count(*) from pg_class")).scalar_one()
    migrate(fresh.owner)
    with engine.connect() as connection:
        after = connection.execute(text("select count(*) from pg_class")).scalar_one()
    engine.dispose()
    assert after == before


def test_months_are_made_ahead(fresh: Urls) -> None:
    engine = create_engine(fresh.owner)
    with engine.begin() as connection:
        months = connection.execute(
            text("select count(*) from pg_inherits where inhparent = 'reading'::regclass")
        ).scalar_one()
        connection.execute(text("drop table reading_2027_01"))
        remade = keep_ahead(connection)
    engine.dispose()
    assert months == 36 + 1 + 24 + 1  # and reading_early
    assert remade == ["reading_2027_01"]
