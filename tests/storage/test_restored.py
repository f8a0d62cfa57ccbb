"""A restored dump answers the same, byte for byte: nothing the service knows lives outside the record."""

import os
import subprocess
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any
from uuid import UUID

import psycopg
import pytest
from fastapi.testclient import TestClient
from sqlalchemy import create_engine, text

from service.app import create_app
from service.domain.authority import Scope
from service.jobs.verdicts import reopen_verdicts
from service.operations import organisations
from service.operations.reopening import REOPEN
from service.settings import Settings
from service.storage import embedded_programs
from service.storage.database import SERVICE_ROLE, STEWARD_ROLE, Database, connect_engine
from service.storage.embedded import Login, Logins
from tests.conftest import Tenant, Urls, drop_database, new_database
from tests.jobs.making import RULE, a_hot_pile, tools_of, waiting

NOW = datetime.now(UTC)


class Stopped(datetime):
    """A clock that stands."""

    @classmethod
    def now(cls, tz: tzinfo | None = None) -> "Stopped":
        return cls.fromtimestamp(NOW.timestamp(), tz)


@pytest.fixture
def programs() -> Path:
    found = embedded_programs._installed() / "bin"
    for name in ("pg_dump", "pg_restore"):
        if not (found / name).exists():
            pytest.skip(f"the embedded server's package ships no {name}")
    return found


def run(programs: Path, program: str, login: Login, *arguments: str) -> None:
    known = {name: os.environ[name] for name in ("PATH", "LD_LIBRARY_PATH") if name in os.environ}
    done = subprocess.run(
        [str(programs / program), *arguments, "--dbname", login.conninfo],
        env={**known, "LC_ALL": "C"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")


@contextmanager
def serving(url: str) -> Iterator[TestClient]:
    database = Database(connect_engine(url, role=SERVICE_ROLE))
    app = create_app(Settings(key_cache_s=0), database=database)
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


def addresses(tenant: Tenant, piles: Sequence[str]) -> list[str]:
    """Return every page asked for: each pile's standing, verdicts and readings, and the lists."""
    found = ["/v1/sites", "/v1/piles", "/v1/probes", "/v1/organisation", "/v1/keys"]
    for pile in piles:
        found += [
            f"/v1/piles/{pile}",
            f"/v1/piles/{pile}/status",
            f"/v1/piles/{pile}/compliance",
            f"/v1/piles/{pile}/compliance?rule=us-nop-windrow&interpretation=literal",
            f"/v1/piles/{pile}/events",
            f"/v1/piles/{pile}/verdicts",
        ]
        page = f"/v1/piles/{pile}/readings?limit=30"
        found.append(page)
        while (cursor := tenant.get(page)["next"]) is not None:
            page = f"/v1/piles/{pile}/readings?limit=30&after={cursor}"
            found.append(page)
    return found


def answers(client: TestClient, key: str, where: Sequence[str]) -> dict[str, bytes]:
    found = {}
    for address in where:
        answer = client.get(address, headers={"Authorization": f"Bearer {key}"})
        assert answer.status_code == 200, answer.text
        found[address] = answer.content
    return found


def fill(tenant: Tenant) -> list[str]:
    """Make two piles: one with a verdict and its successor, one with disputes, gaps and another unit."""
    first, second = a_hot_pile(tenant), a_hot_pile(tenant)
    first.send(range(41))
    first.issue()
    first.send(range(41, 80))
    second.send(range(0, 60, 2))
    second.send(range(0, 10, 2), 41.5)
    fahrenheit = {"probe": second.serial, "quantity": "temperature", "value": 131.0, "unit": "[degF]"}
    moment = datetime.fromtimestamp(NOW.timestamp() - 3600, UTC).isoformat()
    tenant.post("/v1/readings", {"readings": [fahrenheit | {"observed_at": moment}]})
    second.send([3], serial="PR-nobody-knows")
    turn = second.event("turn", 30)
    second.event("correct", 31, corrects=turn["id"], reason="another pile", replacement=None)
    second.event("observe", 40, height_m=0.9)
    return [first.pile_id, second.pile_id]


def test_a_restored_dump_answers_the_same(
    programs: Path, logins: Logins, fresh: Urls, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    name = f"organisation {uuid.uuid4().hex}"
    made = organisations.create_key(steward, name, name="test", scopes=frozenset(Scope))
    number, key = made.row.organisation_id, made.token
    with serving(fresh.service) as client:
        tenant = Tenant(client, steward, number, name, key)
        piles = fill(tenant)
        tools = tools_of(fresh)
        reopen_verdicts(tools, organisation_id=number)
        left_to_do = waiting(tools.database, REOPEN)
        tools.database.close()
        where = addresses(tenant, piles)
        # Standing and verdicts are worked out as of now; here, for both records, now is one and the same instant.
        for module in ("compliance", "status"):
            monkeypatch.setattr(f"service.http.{module}.datetime", Stopped)
        before = answers(client, key, where)
    steward.close()
    assert b'"because":"late readings"' in before[f"/v1/piles/{piles[0]}/verdicts"]
    assert len(left_to_do) >= 1

    source = _login(logins, fresh)
    file = str(tmp_path / "record.dump")
    run(programs, "pg_dump", source, "--format=custom", f"--file={file}")
    target = replace(source, database=f"restored_{uuid.uuid4().hex[:10]}")
    new_database(logins.owner, target.database)
    try:
        run(programs, "pg_restore", target, "--exit-on-error", file)
        service = replace(logins.service, database=target.database).url
        with serving(service) as client:
            after = answers(client, key, where)
            assert after == before
            _goes_on_as_before(Tenant(client, steward, number, name, key), target, left_to_do)
    finally:
        drop_database(logins.owner, target.database)


def _login(logins: Logins, urls: Urls) -> Login:
    with psycopg.connect(urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        row = connection.execute("select current_database()").fetchone()
    assert row is not None
    return replace(logins.owner, database=row[0])


def _goes_on_as_before(tenant: Tenant, target: Login, left_to_do: list[dict[str, Any]]) -> None:
    """Jobs that waited still wait, numbers go on where they were, and walls and grants are there."""
    engine = create_engine(target.url)
    with engine.begin() as connection:
        jobs = connection.execute(
            text("select id from procrastinate_jobs where status = 'todo' and task_name = :task"),
            {"task": REOPEN},
        )
        assert [job for (job,) in jobs] == [job["id"] for job in left_to_do]
        open_tables = connection.execute(
            text(
                "select count(*) from pg_class where relkind in ('r', 'p') and relnamespace = 'public'::regnamespace"
                " and not (relrowsecurity and relforcerowsecurity)"
                " and relname !~ '^(alembic_version$|procrastinate_)'"
            )
        ).scalar_one()
        assert open_tables == 0
    engine.dispose()
    pile = a_hot_pile(tenant)
    pile.send(range(41))
    assert UUID(pile.issue(RULE)["id"]).version == 7
