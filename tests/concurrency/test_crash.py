"""The record goes away in the middle of the work: 503, and nothing half-written; kills are in ``test_kill_rounds``."""

import dataclasses
import itertools
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import psycopg
import pytest

from service.domain.authority import Scope
from service.operations import organisations
from service.storage.database import STEWARD_ROLE, Database, connect_engine
from service.storage.embedded import Logins
from tests.concurrency.nursery import Nursery
from tests.conftest import Urls, drop_database, new_database

START = datetime(2026, 1, 1, tzinfo=UTC)


@pytest.fixture
def key(fresh: Urls) -> str:
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    made = organisations.create_key(steward, "crash", name="gateway", scopes=frozenset(Scope))
    steward.close()
    return made.token


def bag(numbers: Iterator[int], size: int) -> dict[str, Any]:
    return {
        "readings": [
            {
                "probe": "PR-1",
                "observed_at": (START + timedelta(seconds=number)).isoformat(),
                "quantity": "temperature",
                "value": 40 + number % 300 / 10,
                "unit": "Cel",
            }
            for number in itertools.islice(numbers, size)
        ]
    }


def _on_disk(urls: Urls) -> list[str]:
    with psycopg.connect(urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        rows = connection.execute("select observed_at from reading order by 1").fetchall()
    return [row[0].astimezone(UTC).isoformat() for row in rows]


def test_the_record_gone_in_mid_request_is_503_and_nothing_half_written(
    logins: Logins, template: str, nursery: Nursery
) -> None:
    """The database is dropped from under the service, then comes back."""
    name = f"gone_{time.monotonic_ns()}"
    new_database(logins.owner, name, template=template)
    urls = Urls(
        dataclasses.replace(logins.owner, database=name).url,
        dataclasses.replace(logins.service, database=name).url,
    )
    steward = Database(connect_engine(urls.owner, role=STEWARD_ROLE, pool_size=1))
    token = organisations.create_key(steward, "gone", name="x", scopes=frozenset(Scope)).token
    steward.close()
    headers = {"Authorization": f"Bearer {token}"}
    environment = {"DATABASE_URL": urls.service, "HEAPLEDGER_KEY_CACHE_S": "600"}
    with (
        nursery.serving(environment, "--no-migrate", "--no-work") as served,
        httpx.Client(base_url=served.base_url, headers=headers, timeout=30) as client,
    ):
        assert client.post("/v1/sites", json={"name": "a", "time_zone": "Europe/Lisbon"}).status_code == 201
        assert client.post("/v1/readings", json=bag(iter([1]), 1)).status_code == 200
        drop_database(logins.owner, name)
        for answer in (
            client.post("/v1/sites", json={"name": "b", "time_zone": "Europe/Lisbon"}),
            client.get("/v1/sites"),
            client.post("/v1/readings", json=bag(iter([2]), 1)),
            client.get("/readyz"),
            client.get("/healthz"),
        ):
            assert answer.status_code == 503, answer.text
            assert int(answer.headers["retry-after"]) >= 1
            assert answer.json()["type"] == "/problems/unavailable"
        assert client.get("/livez").status_code == 200
        new_database(logins.owner, name, template=template)
        assert client.get("/readyz").status_code == 200
        again = client.post("/v1/readings", json=bag(iter([3]), 1))
        assert again.status_code == 200
    drop_database(logins.owner, name)


def test_a_statement_cut_off_in_mid_transaction_leaves_nothing(
    fresh: Urls, key: str, nursery: Nursery
) -> None:
    """The server ends every session of the service while bags stream in; each bag is whole or absent."""
    environment = {"DATABASE_URL": fresh.service}
    headers = {"Authorization": f"Bearer {key}"}
    statuses: set[int] = set()
    with (
        nursery.serving(environment, "--no-migrate", "--no-work") as served,
        httpx.Client(base_url=served.base_url, headers=headers, timeout=30) as client,
    ):
        assert client.post("/v1/probes", json={"serial": "PR-1"}).status_code == 201
        numbers = itertools.count()
        done = threading.Event()
        kept: list[dict[str, Any]] = []

        def stream() -> None:
            while not done.is_set():
                sent = bag(numbers, 500)
                answer = client.post("/v1/readings", json=sent)
                statuses.add(answer.status_code)
                if answer.status_code == 200:
                    kept.append(sent)

        thread = threading.Thread(target=stream)
        thread.start()
        with psycopg.connect(
            fresh.owner.replace("postgresql+psycopg", "postgresql"), autocommit=True
        ) as owner:
            for _ in range(40):
                time.sleep(0.05)
                owner.execute(
                    "select pg_terminate_backend(pid) from pg_stat_activity"
                    " where datname = current_database() and pid <> pg_backend_pid()"
                )
        done.set()
        thread.join()
    on_disk = _on_disk(fresh)
    acknowledged = {reading["observed_at"] for sent in kept for reading in sent["readings"]}
    assert statuses == {200, 503}
    assert acknowledged <= set(on_disk)
    assert len(on_disk) % 500 == 0
