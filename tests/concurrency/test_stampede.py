"""Five hundred gateways come back at once, each with a backlog; the service is killed over it, and they come again."""

import asyncio
import json
import random
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from uuid import uuid4

from service.domain.authority import Scope
from service.operations import organisations
from service.storage.database import STEWARD_ROLE, Database, connect_engine
from tests.concurrency.gateways import bag, is_strange, kept, make_key, register
from tests.concurrency.nursery import Nursery
from tests.conftest import Urls

GATEWAYS = 500
BAGS = 10
SIZE = 20
DEFAULTS = {"HEAPLEDGER_KEY_CACHE_S": "5", "HEAPLEDGER_POSTS_PER_MINUTE": "600"}
"""The service's own, which tests otherwise change."""


@dataclass
class Stampede:
    """What all of them share."""

    port: int
    chance: random.Random
    drained: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    told: Counter[str] = field(default_factory=Counter)
    refused_connections: int = 0
    alive: int = 0
    a_fifth: asyncio.Event = field(default_factory=asyncio.Event)
    """Set once so much is drained."""

    async def gateway(self, key: str, number: int) -> None:
        """Drain one gateway's backlog."""
        wire: Wire | None = None
        for place in range(number * BAGS, (number + 1) * BAGS):
            body = json.dumps(bag(range(place * SIZE, (place + 1) * SIZE))).encode()
            while True:
                try:
                    wire = wire or await Wire.opened(self.port)
                    status, head, answer = await wire.ask("POST", "/v1/readings", key, body)
                except (OSError, EOFError):
                    self.refused_connections += 1
                    if wire is not None:
                        await wire.close()
                        wire = None
                    await asyncio.sleep(self.chance.uniform(0, 0.3))
                    continue
                self.statuses[status] += 1
                if status == 200:
                    break
                assert status in {429, 503}, answer
                await asyncio.sleep(float(head["retry-after"]) * self.chance.uniform(1, 1.5))
            told = json.loads(answer)
            assert told["stored"] + told["duplicate"] + told["held"] == SIZE, told
            self.told.update({name: told[name] for name in ("stored", "duplicate", "held")})
            self.drained += 1
            if self.drained * 5 >= GATEWAYS * BAGS:
                self.a_fifth.set()
        if wire is not None:
            await wire.close()

    async def watch(self) -> None:
        """Ask all the time whether the service lives, on a connection of its own each time."""
        while self.drained < GATEWAYS * BAGS:
            wire = None
            try:
                wire = await Wire.opened(self.port)
                status, _, _ = await wire.ask("GET", "/livez")
                assert status == 200
                self.alive += 1
            except (OSError, EOFError):
                pass  # killed just now
            finally:
                if wire is not None:
                    await wire.close()
            await asyncio.sleep(0.01)


@dataclass
class Wire:
    """One connection."""

    reader: asyncio.StreamReader
    writer: asyncio.StreamWriter

    @classmethod
    async def opened(cls, port: int) -> "Wire":
        """Connect."""
        return cls(*await asyncio.open_connection("127.0.0.1", port))

    async def ask(
        self, method: str, path: str, key: str = "", body: bytes = b""
    ) -> tuple[int, dict[str, str], bytes]:
        """Send a request and return status, head and body of its answer."""
        self.writer.write(
            f"{method} {path} HTTP/1.1\r\nHost: x\r\nAuthorization: Bearer {key}\r\n"
            f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n".encode()
            + body
        )
        await self.writer.drain()
        first, *lines = (await self.reader.readuntil(b"\r\n\r\n")).decode().strip().split("\r\n")
        head = {name.lower(): value for name, _, value in (line.partition(": ") for line in lines)}
        return int(first.split()[1]), head, await self.reader.readexactly(int(head["content-length"]))

    async def close(self) -> None:
        """Hang up."""
        self.writer.close()
        with suppress(OSError):
            await self.writer.wait_closed()


def keys_for(urls: Urls, organisation: str) -> list[str]:
    """Make a key for each gateway."""
    steward = Database(connect_engine(urls.owner, role=STEWARD_ROLE, pool_size=1))
    made = [
        organisations.create_key(
            steward, organisation, name=f"gateway {number}", scopes=frozenset({Scope.INGEST})
        )
        for number in range(GATEWAYS)
    ]
    steward.close()
    return [one.token for one in made]


def test_five_hundred_gateways_come_back_at_once(fresh: Urls, nursery: Nursery) -> None:
    organisation = uuid4().hex
    admin, keys = make_key(fresh, organisation), keys_for(fresh, organisation)
    environment = {"DATABASE_URL": fresh.service, **DEFAULTS}
    served = nursery.start(environment, "--no-migrate", "--no-work").wait_ready()
    register(served.base_url, admin)
    stampede = Stampede(served.port, random.Random(500))  # noqa: S311 - jitter

    async def run() -> None:
        nonlocal served
        async with asyncio.TaskGroup() as group:
            group.create_task(stampede.watch())
            for number, key in enumerate(keys):
                group.create_task(stampede.gateway(key, number))
            await stampede.a_fifth.wait()
            await asyncio.to_thread(served.kill)
            served = nursery.start(environment, "--no-migrate", "--no-work", port=served.port)

    asyncio.run(run())
    sent = set(range(GATEWAYS * BAGS * SIZE))
    found = kept(fresh)
    assert found.rows == len(found.numbers)
    assert found.wrong == 0
    assert found.numbers == {number for number in sent if not is_strange(number)}
    assert found.held == sent - found.numbers
    assert stampede.drained == GATEWAYS * BAGS
    assert stampede.refused_connections >= GATEWAYS / 2  # they did come back at once, most of them
    assert stampede.told["stored"] <= len(found.numbers)
    assert set(stampede.statuses) <= {200, 429, 503}
    assert (
        stampede.alive >= BAGS
    )  # whoever asks whether it lives waits its turn among them all, and no longer
    assert served.stop() == 0
