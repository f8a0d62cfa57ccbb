"""Gateways as they are in the field: each sends a bag until it is acknowledged, and now and then one sent before.

Every reading is made from a number of its own, so that what is in the record can be told from what was sent.
"""

import http.client
import itertools
import json
import random
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import httpx
import psycopg

from service.domain.authority import Scope
from service.operations import organisations
from service.storage.database import STEWARD_ROLE, Database, connect_engine
from tests.conftest import Urls

START = datetime(2026, 1, 1, tzinfo=UTC)
PROBES = [f"PR-{number}" for number in range(4)]
STRANGER = "PR-late"
"""Not registered until the end: its readings are held."""


def value_of(number: int) -> float:
    return 40 + number % 300 / 10


def reading(number: int, probe: str | None = None, **overrides: Any) -> dict[str, Any]:
    """Return the reading made from a number; each probe has one every few numbers."""
    return {
        "probe": probe or (STRANGER if is_strange(number) else PROBES[number % len(PROBES)]),
        "observed_at": (START + timedelta(seconds=number)).isoformat(),
        "quantity": "temperature",
        "value": value_of(number),
        "unit": "Cel",
    } | overrides


def is_strange(number: int) -> bool:
    return number % 17 == 0


def bag(numbers: Sequence[int], **overrides: Any) -> dict[str, Any]:
    return {"readings": [reading(number) for number in numbers]} | overrides


@dataclass
class Target:
    """The service that gateways are to talk to just now, and what all of them have seen."""

    port: int
    is_over: bool = False
    seconds_between: float = 0.005
    numbers: Iterator[int] = field(default_factory=itertools.count)
    acknowledged: set[int] = field(default_factory=set)
    sent: set[int] = field(default_factory=set)
    flying: list[list[int]] = field(default_factory=list)
    statuses: Counter[int] = field(default_factory=Counter)
    told: Counter[str] = field(default_factory=Counter)
    answers: int = 0
    unanswered: int = 0
    faults: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)
    going: threading.Event = field(default_factory=threading.Event)
    """Cleared, gateways rest after the bag they are at."""

    def wait_acknowledged(self, more: int, within_s: float = 60) -> None:
        """Wait until so many more bags are acknowledged."""
        wanted, until = self.answers + more, time.monotonic() + within_s
        while self.answers < wanted:
            assert not self.faults, self.faults[:3]
            assert time.monotonic() < until, f"nothing is acknowledged any more: {self.statuses}"
            time.sleep(0.002)


class Gateway(threading.Thread):
    """Sends bags of 1 to 200 readings until told that it is over and everything is acknowledged."""

    def __init__(self, target: Target, key: str, seed: object) -> None:
        super().__init__(daemon=True)
        self._target = target
        self._key = key
        self._chance = random.Random(str(seed))  # noqa: S311 - which bag comes next
        self._done: list[list[int]] = []
        self._connection: http.client.HTTPConnection | None = None

    def run(self) -> None:
        waiting: list[int] | None = None
        while waiting is not None or not self._target.is_over:
            self._target.going.wait()
            numbers, is_known = (waiting, False) if waiting is not None else self._next()
            answer = self._post(numbers)
            waiting = numbers if answer is None else None
            if answer is None:
                time.sleep(self._target.seconds_between)
            else:
                self._note(numbers, answer, is_known=is_known)
        self._hang_up()

    def _next(self) -> tuple[list[int], bool]:
        """Return the numbers of the next bag, and whether all of them were acknowledged before."""
        target, dice = self._target, self._chance.random()
        if self._done and dice < 0.15:
            return self._chance.choice(self._done), True
        with target.lock:
            if target.flying and dice < 0.25:  # what another gateway sends at this very moment
                return target.flying[-1], False
            size = self._chance.choice([1, 1, 2, 24, self._chance.randint(1, 200)])
            numbers = list(itertools.islice(target.numbers, size))
            target.sent.update(numbers)
            target.flying = [*target.flying[-8:], numbers]
        return numbers, False

    def _post(self, numbers: list[int]) -> dict[str, Any] | None:
        body = json.dumps(bag(numbers))
        head = {"Authorization": f"Bearer {self._key}", "Content-Type": "application/json"}
        try:
            if self._connection is None:
                self._connection = http.client.HTTPConnection("127.0.0.1", self._target.port, timeout=30)
            self._connection.request("POST", "/v1/readings", body, head)
            answer = self._connection.getresponse()
            text = answer.read()
        except (OSError, http.client.HTTPException):
            self._hang_up()
            with self._target.lock:
                self._target.unanswered += 1
            return None
        with self._target.lock:
            self._target.statuses[answer.status] += 1
        return json.loads(text) if answer.status == 200 else None

    def _hang_up(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def _note(self, numbers: list[int], answer: dict[str, Any], *, is_known: bool) -> None:
        target = self._target
        kept = answer["stored"] + answer["duplicate"] + answer["held"]
        if not is_known:
            self._done.append(numbers)
        with target.lock:
            target.answers += 1
            target.acknowledged.update(numbers)
            target.told.update({name: answer[name] for name in ("stored", "duplicate", "held", "disputed")})
            if kept != len(numbers) or answer["disputed"] or answer["refused_count"]:
                target.faults.append(f"{len(numbers)} readings were told as {answer}")
            if is_known and answer["stored"]:
                target.faults.append(f"acknowledged before, and now told as new: {answer}")


def make_key(urls: Urls, organisation: str = "gateways") -> str:
    """Make a key for everything."""
    steward = Database(connect_engine(urls.owner, role=STEWARD_ROLE, pool_size=1))
    made = organisations.create_key(steward, organisation, name="gateway", scopes=frozenset(Scope))
    steward.close()
    return made.token


def register(base_url: str, key: str, serials: Sequence[str] = PROBES) -> None:
    """Register probes."""
    for serial in serials:
        answer = httpx.post(
            f"{base_url}/v1/probes",
            json={"serial": serial},
            headers={"Authorization": f"Bearer {key}"},
            timeout=60,
        )
        assert answer.status_code == 201, answer.text


@dataclass(frozen=True)
class Kept:
    """What is in the record."""

    rows: int
    numbers: set[int]
    wrong: int
    held: set[int]


_KEPT = """
with r as (select extract(epoch from observed_at - %(start)s)::int8 as n, value from reading)
select count(*), coalesce(array_agg(n), '{}'), count(*) filter (where value <> 40 + (n %% 300) / 10.0::float8),
       (select coalesce(array_agg(extract(epoch from observed_at - %(start)s)::int8), '{}') from held_reading)
from r
"""


def kept(urls: Urls) -> Kept:
    """Look into the record past the service."""
    with psycopg.connect(urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        row = connection.execute(_KEPT, {"start": START}).fetchone()
    assert row is not None
    return Kept(row[0], set(row[1]), row[2], set(row[3]))


def must_hold(urls: Urls, acknowledged: set[int]) -> None:
    """See that everything acknowledged is there, once, with its value."""
    found = kept(urls)
    assert found.rows == len(found.numbers), "a reading is there twice"
    assert found.wrong == 0
    missing = acknowledged - found.numbers - found.held
    assert not missing, f"{len(missing)} acknowledged readings are gone, such as {sorted(missing)[:5]}"


def must_be_whole(urls: Urls, target: Target) -> None:
    """See that all that was sent is there at the end, and nothing else."""
    assert not target.faults, target.faults[:3]
    assert target.acknowledged == target.sent
    must_hold(urls, target.acknowledged)
    found = kept(urls)
    assert found.numbers | found.held == target.sent
    assert found.held == {number for number in target.sent if is_strange(number)}
    assert target.told["stored"] <= len(found.numbers), "a reading was told as new twice"
