"""A reading acknowledged is a reading kept, whatever is killed next; and none is kept twice.

The service, and PostgreSQL with all its processes, are killed with ``kill -9`` at random instants while gateways send.
HEAPLEDGER_TESTS_LONG=1 gives the long form.
"""

import os
import random
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.storage.embedded import EmbeddedServer
from tests.concurrency.gateways import (
    STRANGER,
    Gateway,
    Target,
    kept,
    make_key,
    must_be_whole,
    must_hold,
    register,
)
from tests.concurrency.nursery import Nursery
from tests.concurrency.servers import kill_all_of, server_in
from tests.conftest import Urls

LONG = os.environ.get("HEAPLEDGER_TESTS_LONG") == "1"
OF_THE_SERVICE = 600 if LONG else 60
OF_POSTGRESQL = 200 if LONG else 20
LATEST_S = 0.15
"""A kill comes within this time after the load is up."""
SEED = os.environ.get("HEAPLEDGER_TESTS_SEED", "compost")


def gateways(target: Target, key: str, count: int = 4) -> list[Gateway]:
    made = [Gateway(target, key, (SEED, number)) for number in range(count)]
    for gateway in made:
        gateway.start()
    return made


def finish(target: Target, sending: list[Gateway]) -> None:
    """Let every gateway send what was not acknowledged, and end."""
    target.is_over = True
    target.going.set()
    for gateway in sending:
        gateway.join(120)
        assert not gateway.is_alive(), f"a gateway is never acknowledged: {target.statuses}"


def test_kill_minus_nine_of_the_service_again_and_again(fresh: Urls, nursery: Nursery) -> None:
    """Its successor is up before it dies, so that what was cut off is sent again while it may still commit."""
    key, chance = make_key(fresh), random.Random(SEED)  # noqa: S311 - when to kill
    environment = {"DATABASE_URL": fresh.service}
    present = nursery.start(environment, "--no-migrate", "--no-work").wait_ready()
    register(present.base_url, key)
    target = Target(present.port)
    sending = gateways(target, key)
    cut_off = 0
    for number in range(OF_THE_SERVICE):
        successor = nursery.start(environment, "--no-migrate", "--no-work").wait_ready()
        target.going.set()
        target.wait_acknowledged(4)
        time.sleep(chance.uniform(0, LATEST_S))
        unanswered = target.unanswered
        target.port = successor.port
        present.kill()
        present = successor
        target.wait_acknowledged(1)
        target.going.clear()
        cut_off += target.unanswered > unanswered
        if number % 10 == 9:
            must_hold(fresh, set(target.acknowledged))
    finish(target, sending)
    assert cut_off > OF_THE_SERVICE / 2  # it was killed over its work, not beside it
    assert set(target.statuses) == {200}
    must_be_whole(fresh, target)
    register(present.base_url, key, [STRANGER])
    found = kept(fresh)
    assert (found.rows, found.numbers, found.wrong, found.held) == (len(target.sent), target.sent, 0, set())
    assert present.stop() == 0


@pytest.fixture
def own_server() -> Iterator[tuple[EmbeddedServer, Urls]]:
    """A durable PostgreSQL of the test's own, on the disk."""
    with server_in(None) as made:
        yield made


def test_kill_minus_nine_of_postgresql_again_and_again(
    own_server: tuple[EmbeddedServer, Urls], nursery: Nursery, tmp_path: Path
) -> None:
    """The same service goes on over all of it: it answers 503 meanwhile, and nothing else."""
    server, urls = own_server
    key, chance = make_key(urls), random.Random(SEED)  # noqa: S311 - when to kill
    log = tmp_path / "service.log"
    with nursery.serving({"DATABASE_URL": urls.service}, "--no-migrate", "--no-work", log=log) as served:
        register(served.base_url, key)
        target = Target(served.port, seconds_between=0.02)
        sending = gateways(target, key)
        target.going.set()
        for number in range(OF_POSTGRESQL):
            target.wait_acknowledged(4)
            time.sleep(chance.uniform(0, LATEST_S))
            kill_all_of(server)
            server.start()
            if number % 10 == 9:
                must_hold(urls, set(target.acknowledged))
        finish(target, sending)
        assert set(target.statuses) == {200, 503}
        assert target.unanswered == 0
        must_be_whole(urls, target)
    assert "Traceback" not in log.read_text()
