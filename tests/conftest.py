"""One real PostgreSQL for the run, one migrated database for each worker, one new organisation for each test."""

import os
import shutil
import tempfile
import uuid
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import psycopg
import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from service.domain.authority import Scope
from service.operations import organisations
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, STEWARD_ROLE, Database, connect_engine
from service.storage.embedded import EmbeddedServer, Login, Logins
from service.storage.migrating import migrate

FOLDER = "HEAPLEDGER_TESTS_FOLDER"


def pytest_configure(config: pytest.Config) -> None:
    """Start the server once, before any worker."""
    if not hasattr(config, "workerinput"):
        home = Path("/dev/shm") if Path("/dev/shm").is_dir() else None  # noqa: S108 - memory is what makes it quick
        folder = Path(tempfile.mkdtemp(prefix="heapledger-tests-", dir=home))
        os.environ[FOLDER] = str(folder)
        config.stash[SERVER] = EmbeddedServer(folder, durable=False)
        config.stash[SERVER].start()


def pytest_unconfigure(config: pytest.Config) -> None:
    """Stop the server after the last worker."""
    server = config.stash.get(SERVER, None)
    if server is not None:
        server.stop()
        shutil.rmtree(server.data_dir, ignore_errors=True)


SERVER: pytest.StashKey[EmbeddedServer] = pytest.StashKey()


@dataclass(frozen=True)
class Urls:
    """Ways into one database."""

    owner: str
    service: str


def new_database(owner: Login, name: str, *, template: str | None = None) -> None:
    """Make a database, empty or as a copy of another."""
    with psycopg.connect(replace(owner, database="postgres").conninfo, autocommit=True) as connection:
        connection.execute(f"create database {name} template {template or 'template0'}")


def drop_database(owner: Login, name: str) -> None:
    """Remove a database and whoever is in it."""
    with psycopg.connect(replace(owner, database="postgres").conninfo, autocommit=True) as connection:
        connection.execute(f"drop database {name} with (force)")


@pytest.fixture(scope="session")
def logins() -> Iterator[Logins]:
    """The run's server, joined."""
    server = EmbeddedServer(Path(os.environ[FOLDER]), durable=False)
    try:
        yield server.start()
    finally:
        server.stop()


@pytest.fixture(scope="session")
def template(logins: Logins) -> str:
    """A migrated database nobody is connected to, for copies."""
    name = f"template_{os.environ.get('PYTEST_XDIST_WORKER', 'main')}_{uuid.uuid4().hex[:8]}"
    new_database(logins.owner, name)
    migrate(replace(logins.owner, database=name).url)
    return name


def _copy(logins: Logins, template: str) -> tuple[str, Urls]:
    name = f"copy_{uuid.uuid4().hex[:12]}"
    new_database(logins.owner, name, template=template)
    return name, Urls(replace(logins.owner, database=name).url, replace(logins.service, database=name).url)


@pytest.fixture(scope="session")
def urls(logins: Logins, template: str) -> Urls:
    """The worker's database; tests share it and keep to organisations of their own."""
    return _copy(logins, template)[1]


@pytest.fixture
def fresh(logins: Logins, template: str) -> Iterator[Urls]:
    """A database for one test alone."""
    name, made = _copy(logins, template)
    yield made
    drop_database(logins.owner, name)


@pytest.fixture(scope="session")
def database(urls: Urls) -> Iterator[Database]:
    """The record as the service sees it."""
    opened = Database(connect_engine(urls.service, role=SERVICE_ROLE))
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def steward(urls: Urls) -> Iterator[Database]:
    """The record as the command line sees it when it makes organisations."""
    opened = Database(connect_engine(urls.owner, role=STEWARD_ROLE, pool_size=2))
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def client(urls: Urls) -> Iterator[TestClient]:
    """The app in this process."""
    app = create_app(
        Settings(key_cache_s=0, posts_per_minute=0),
        database=Database(connect_engine(urls.service, role=SERVICE_ROLE)),
    )
    with TestClient(app, raise_server_exceptions=False) as opened:
        yield opened


@dataclass(frozen=True)
class Tenant:
    """An organisation of one test, with a key for each scope and one for all."""

    client: TestClient
    steward: Database
    organisation_id: int
    name: str
    key: str

    def key_for(self, *scopes: str, site_id: str | None = None) -> str:
        """Make a key with just these scopes."""
        made = organisations.create_key(
            self.steward,
            self.name,
            name="test",
            scopes=frozenset(map(Scope, scopes)),
            site_id=None if site_id is None else uuid.UUID(site_id),
        )
        return made.token

    def call(
        self, method: str, path: str, body: Any = None, *, key: str | None = None, **headers: str
    ) -> Any:
        """Send a request; header names take underscores for hyphens."""
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        sent.setdefault("Authorization", f"Bearer {key or self.key}")
        return self.client.request(method, path, json=body, headers=sent)

    def get(self, path: str, **options: str) -> Any:
        """Get and expect success."""
        answer = self.call("GET", path, **options)
        assert answer.status_code == 200, answer.text
        return answer.json()

    def post(self, path: str, body: Any, **options: str) -> Any:
        """Post and expect success."""
        answer = self.call("POST", path, body, **options)
        assert answer.status_code in {200, 201, 207}, answer.text
        return answer.json()


@pytest.fixture
def tenant(client: TestClient, steward: Database) -> Tenant:
    """A new organisation with a key for everything."""
    return _tenant(client, steward)


@pytest.fixture
def other(client: TestClient, steward: Database) -> Tenant:
    """Another new organisation."""
    return _tenant(client, steward)


def _tenant(client: TestClient, steward: Database) -> Tenant:
    name = f"organisation {uuid.uuid4().hex}"
    made = organisations.create_key(steward, name, name="test", scopes=frozenset(Scope))
    return Tenant(client, steward, made.row.organisation_id, name, made.token)
