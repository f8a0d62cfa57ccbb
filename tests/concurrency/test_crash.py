"""A reading acknowledged is a reading kept, whatever crashes next; and none is kept twice."""

import dataclasses
import itertools
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import psycopg
import pytest

from service.domain.authority import Scope
from service.operations import organisations
from service.storage.database import STEWARD_ROLE, Database, connect_engine
from service.storage.embedded import Logins
from tests import live
from tests.conftest import Urls, drop_database, new_database

ROUNDS = 10
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


class Gateway(threading.Thread):
    """Posts bags one after another, and notes which were acknowledged."""

    def __init__(self, base_url: str, key: str, numbers: Iterator[int], size: int) -> None:
        super().__init__()
        self.acknowledged: list[dict[str, Any]] = []
        self.unanswered: list[dict[str, Any]] = []
        self._url, self._key, self._numbers, self._size = base_url, key, numbers, size

    def run(self) -> None:
        with httpx.Client(headers={"Authorization": f"Bearer {self._key}"}, timeout=20) as client:
            while True:
                sent = bag(self._numbers, self._size)
                try:
                    answer = client.post(f"{self._url}/v1/readings", json=sent)
                except httpx.TransportError:
                    self.unanswered.append(sent)
                    return
                if answer.status_code == 200:
                    assert answer.json()["stored"] == len(sent["readings"])
                    self.acknowledged.append(sent)


def test_kill_minus_nine_ten_times_loses_and_doubles_nothing(fresh: Urls, key: str) -> None:
    environment = {"DATABASE_URL": fresh.service, "HEAPLEDGER_OWNER_URL": fresh.owner}
    headers = {"Authorization": f"Bearer {key}"}
    numbers = itertools.count()
    acknowledged: set[str] = set()
    resend: list[dict[str, Any]] = []
    for round_number in range(ROUNDS):
        served = live.start(environment, "--no-migrate")
        if round_number == 0:
            answer = httpx.post(f"{served.base_url}/v1/probes", json={"serial": "PR-1"}, headers=headers)
            assert answer.status_code == 201
        for sent in resend:
            # What got no answer may or may not be on disk; sending it again settles it.
            answer = httpx.post(f"{served.base_url}/v1/readings", json=sent, headers=headers, timeout=20)
            assert answer.status_code == 200
            body = answer.json()
            assert body["stored"] + body["duplicate"] == len(sent["readings"])
            acknowledged |= {reading["observed_at"] for reading in sent["readings"]}
        # Sizes differ so that single readings and bags share commits.
        gateways = [Gateway(served.base_url, key, numbers, size) for size in (1, 1, 24, 200)]
        for gateway in gateways:
            gateway.start()
        time.sleep(0.4 + 0.05 * round_number)
        served.kill()
        for gateway in gateways:
            gateway.join()
        assert any(gateway.acknowledged for gateway in gateways)
        resend = [sent for gateway in gateways for sent in gateway.unanswered]
        acknowledged |= {
            reading["observed_at"]
            for gateway in gateways
            for sent in gateway.acknowledged
            for reading in sent["readings"]
        }
    on_disk = _on_disk(fresh)
    assert len(on_disk) == len(set(on_disk))
    assert acknowledged <= set(on_disk)
    possible = acknowledged | {reading["observed_at"] for sent in resend for reading in sent["readings"]}
    assert set(on_disk) <= possible


def _on_disk(urls: Urls) -> list[str]:
    with psycopg.connect(urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        rows = connection.execute("select observed_at from reading order by 1").fetchall()
    return [row[0].astimezone(UTC).isoformat() for row in rows]


def test_the_record_gone_in_mid_request_is_503_and_nothing_half_written(
    logins: Logins, template: str
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
    with live.serving(environment, "--no-migrate") as served, ExitStack() as stack:
        client = stack.enter_context(httpx.Client(base_url=served.base_url, headers=headers, timeout=30))
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


def test_a_statement_cut_off_in_mid_transaction_leaves_nothing(fresh: Urls, key: str) -> None:
    """The server ends every session of the service while bags stream in; each bag is whole or absent."""
    environment = {"DATABASE_URL": fresh.service}
    headers = {"Authorization": f"Bearer {key}"}
    statuses: set[int] = set()
    with live.serving(environment, "--no-migrate") as served, ExitStack() as stack:
        client = stack.enter_context(httpx.Client(base_url=served.base_url, headers=headers, timeout=30))
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
