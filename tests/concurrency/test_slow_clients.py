"""Clients on bad lines: slow, stuck, or gone before the answer; nobody else waits for them, and nothing is lost."""

import json
import socket
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from uuid import uuid4

import httpx
import pytest

from tests.concurrency.gateways import PROBES, kept, make_key, reading, register
from tests.concurrency.locks import barred, wait_barred
from tests.concurrency.nursery import Forked, Nursery
from tests.conftest import Urls


def body_of(numbers: range) -> bytes:
    return json.dumps({"readings": [reading(number, PROBES[0]) for number in numbers]}).encode()


@contextmanager
def half_sent(served: Forked, key: str, body: bytes, sent: int, *fields: str) -> Iterator[socket.socket]:
    """Send the head of a post and some bytes of its body."""
    with socket.create_connection(("127.0.0.1", served.port), timeout=60) as wire:
        head = [
            "POST /v1/readings HTTP/1.1",
            "Host: x",
            f"Authorization: Bearer {key}",
            f"Content-Length: {len(body)}",
            *(fields or ("Content-Type: application/json",)),
        ]
        wire.sendall("\r\n".join([*head, "", ""]).encode() + body[:sent])
        yield wire


def status_of(wire: socket.socket) -> int:
    return int(wire.recv(1 << 16).split()[1])


@pytest.fixture
def served(fresh: Urls, nursery: Nursery) -> Iterator[Forked]:
    with nursery.serving({"DATABASE_URL": fresh.service}, "--no-migrate", "--no-work") as made:
        yield made


@pytest.fixture
def key(fresh: Urls, served: Forked) -> str:
    made = make_key(fresh, uuid4().hex)
    register(served.base_url, made)
    return made


NDJSON = "Content-Type: application/x-ndjson"


def test_slow_and_stuck_clients_do_not_stop_others(fresh: Urls, served: Forked, key: str) -> None:
    """More of them than there are connections to the record, in each way a body can be taken."""
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
    with ExitStack() as stack:
        client = stack.enter_context(httpx.Client(base_url=served.base_url, headers=headers, timeout=60))
        stuck: list[tuple[socket.socket, bytes, int]] = []
        for number in range(120):
            body = body_of(range(number * 10, number * 10 + 10))
            fields: tuple[str, ...] = ()
            if number % 3 == 1:
                body = b"\n".join(json.dumps(one).encode() for one in json.loads(body)["readings"])
                fields = (NDJSON, f"Idempotency-Key: stuck-{number}")
            elif number % 3 == 2:
                fields = ("Content-Type: application/json", "Prefer: respond-async")
            wire = stack.enter_context(half_sent(served, key, body, len(body) // 2, *fields))
            stuck.append((wire, body, len(body) // 2))
        slow = [stack.enter_context(half_sent(served, key, body_of(range(1)), 1)) for _ in range(10)]
        for step in range(40):
            for wire in slow:
                wire.sendall(body_of(range(1))[1 + step : 2 + step])
            answer = client.post(
                "/v1/readings", content=body_of(range(10_000 + step * 10, 10_010 + step * 10))
            )
            assert (answer.status_code, answer.json()["stored"]) == (200, 10)
            assert client.get("/readyz").status_code == 200
            assert client.get("/v1/sites").status_code == 200
        assert kept(fresh).numbers == set(range(10_000, 10_400))
        for number, (wire, body, sent) in enumerate(stuck):
            wire.sendall(body[sent:])
            assert status_of(wire) == (202 if number % 3 == 2 else 200)
    at_once = {n for n in range(1200) if n // 10 % 3 != 2}  # the others are read by a job
    assert kept(fresh).numbers == {*range(10_000, 10_400), *at_once}


def test_the_service_stops_although_a_body_never_comes_to_its_end(
    fresh: Urls, nursery: Nursery, key: str
) -> None:
    body = body_of(range(10))
    with ExitStack() as stack:
        with nursery.serving({"DATABASE_URL": fresh.service}, "--no-migrate", "--no-work") as served:
            for fields in ((), (NDJSON,), ("Content-Type: application/json", "Prefer: respond-async")):
                stack.enter_context(half_sent(served, key, body, 50, *fields))
        assert kept(fresh).rows == 0


def test_gone_before_the_answer_its_readings_are_there(fresh: Urls, served: Forked, key: str) -> None:
    """The commit is held up until the client has hung up."""
    body = body_of(range(200))
    with barred(fresh):
        with half_sent(served, key, body, len(body)):
            wait_barred(fresh)
        time.sleep(0.05)
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
    answer = httpx.post(f"{served.base_url}/v1/readings", content=body, headers=headers, timeout=60)
    assert (answer.json()["stored"], answer.json()["duplicate"]) == (0, 200)
    assert kept(fresh).numbers == set(range(200))


@pytest.mark.parametrize("abruptly", [False, True])
def test_gone_at_any_instant_a_bag_is_whole_or_absent(
    fresh: Urls, served: Forked, key: str, *, abruptly: bool
) -> None:
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
    was_kept = 0
    with httpx.Client(base_url=served.base_url, headers=headers, timeout=60) as client:
        for number in range(60):
            body = body_of(range(number * 50, number * 50 + 50))
            with half_sent(served, key, body, len(body)) as wire:
                time.sleep(number % 20 * 0.001)
                if abruptly:
                    wire.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
            told = client.post("/v1/readings", content=body).json()
            assert (told["stored"], told["duplicate"]) in {(0, 50), (50, 0)}
            was_kept += told["duplicate"] == 50
    assert was_kept
    assert kept(fresh).rows == 60 * 50
