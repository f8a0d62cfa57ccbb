"""A broker, a record with two gateways, and bridges between them."""

import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from uuid import UUID

import psycopg
import pytest

from service.domain.authority import Caller, Scope
from service.operations import gateways, organisations, probes
from service.storage.database import SERVICE_ROLE, STEWARD_ROLE, Database, connect_engine
from tests.bridge import child
from tests.bridge.broker import Broker, must_have_mosquitto
from tests.bridge.child import Bridge
from tests.conftest import Urls

LISTENING = "topic=v1/+/+/state"
START = datetime(2026, 5, 4, tzinfo=UTC)


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Broker]:
    """A broker with the logins of two gateways of organisation 1."""
    must_have_mosquitto()
    folder = tmp_path / "broker"
    folder.mkdir()
    made = Broker(folder)
    made.prepare("1/north", "1/south", "1/stranger", "9/north", autosave_s=1)
    made.start()
    yield made
    made.end()


@dataclass
class Yard:
    """Organisation 1 of a record of its own, with gateways ``north`` and ``south``."""

    urls: Urls
    broker: Broker
    folder: Path
    gateways: dict[str, UUID] = field(default_factory=dict)
    running: list[Bridge] = field(default_factory=list)

    def bridge(self, **settings: str) -> Bridge:
        """Start a bridge and return once it listens."""
        log = self.folder / "bridge.log"
        before = log.read_text().count(LISTENING) if log.exists() else 0
        made = self.bridge_unseen(**settings)
        eventually(lambda: log.read_text().count(LISTENING) > before, wanted=True)
        return made

    def bridge_unseen(self, **settings: str) -> Bridge:
        """Start a bridge."""
        made = child.start(self.broker.port, self.urls.service, self.folder / "bridge.log", **settings)
        self.running.append(made)
        return made

    def is_online(self) -> bool:
        """Return what the bridge has told of itself."""
        (line,) = self.broker.listen(f"v1/bridge/{child.BRIDGE}/state").heard()
        return bool(json.loads(line.partition("\t")[2])["online"])

    def send(
        self, *numbers: int, gateway: str = "north", version: str = "mqttv5", probe: str = "PR-1"
    ) -> None:
        """Publish one message with these readings and see that the broker acknowledged it."""
        sent = self.broker.publish(
            f"v1/1/{gateway}/up/json", bag(*numbers, probe=probe), user=f"1/{gateway}", version=version
        )
        assert (sent.returncode, sent.stderr) == (0, b"")

    def ask(self, question: str) -> list[tuple[Any, ...]]:
        """Look into the record past every wall."""
        with psycopg.connect(self.urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
            return connection.execute(question).fetchall()  # type: ignore[arg-type]

    def numbers(self) -> list[int]:
        """Return the readings kept, by the numbers they were made from."""
        rows = self.ask("select observed_at from reading order by 1")
        return [round((row[0] - START).total_seconds()) for row in rows]

    def reasons(self) -> list[str]:
        """Return why messages were put aside."""
        return [row[0] for row in self.ask("select reason from quarantined_message order by received_at")]


def at(number: int) -> str:
    """Return the instant of a reading."""
    return (START + timedelta(seconds=number)).isoformat()


def bag(*numbers: int, probe: str = "PR-1", **members: Any) -> str:
    """Return a bag of readings made from numbers: one for each second, each value its own."""
    readings = [
        {
            "probe": probe,
            "observed_at": at(number),
            "quantity": "temperature",
            "value": 40 + number % 300 / 10,
            "unit": "Cel",
        }
        for number in numbers
    ]
    return json.dumps({"readings": readings, **members})


@pytest.fixture
def yard(fresh: Urls, broker: Broker, tmp_path: Path) -> Iterator[Yard]:
    made = Yard(fresh, broker, tmp_path)
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    key = organisations.create_key(steward, "the yard", name="x", scopes=frozenset(Scope)).row
    steward.close()
    assert key.organisation_id == 1
    caller = Caller(1, key.id, frozenset(Scope))
    database = Database(connect_engine(fresh.service, role=SERVICE_ROLE, pool_size=1))
    with database.begin(1) as session:
        for name, serials in (("north", []), ("south", ["PR-2"])):
            row = gateways.create_gateway(session, caller, {"name": name, "serials": serials})
            made.gateways[name] = row.id
        for serial in ("PR-1", "PR-2"):
            probes.register_probe(session, caller, {"serial": serial})
    database.close()
    yield made
    for bridge in made.running:
        bridge.stop()


def eventually(seen: Callable[[], object], wanted: object, within_s: float = 20) -> None:
    """Wait until something is as wanted."""
    until = time.monotonic() + within_s
    while (now := seen()) != wanted:
        assert time.monotonic() < until, f"{repr(now)[:300]}, not {repr(wanted)[:300]}"
        time.sleep(0.02)
