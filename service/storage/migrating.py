"""Bringing a database to the newest schema, as its owner."""

from pathlib import Path
from typing import Final

from alembic import command
from alembic.config import Config
from sqlalchemy import Connection, create_engine, text

from service.storage.database import sqlalchemy_url, translated
from service.storage.partitions import keep_ahead

MIGRATIONS: Final = Path(__file__).resolve().parents[2] / "migrations"
_ONE_AT_A_TIME: Final = 7_210_441_902
"""Advisory lock key: two processes that start together migrate one after the other."""


def alembic_config(connection: Connection | None = None) -> Config:
    """Return Alembic's configuration with our folder and, if given, an open connection."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    config.attributes["connection"] = connection
    return config


def migrate(owner_url: str, *, revision: str = "head") -> None:
    """Bring the schema up to ``revision`` and make the months of readings that are due."""
    engine = create_engine(sqlalchemy_url(owner_url))
    try:
        with translated(), engine.connect() as connection:
            connection.execute(text("select pg_advisory_lock(:key)"), {"key": _ONE_AT_A_TIME})
            connection.commit()
            command.upgrade(alembic_config(connection), revision)
            keep_ahead(connection)
            connection.commit()
            connection.execute(text("select pg_advisory_unlock(:key)"), {"key": _ONE_AT_A_TIME})
            connection.commit()
    finally:
        engine.dispose()
