"""What the broker has acknowledged is kept, each reading once, whichever of the three is killed or away."""

import dataclasses
import itertools
import json
import os
import random
import signal
import threading
import time
from collections.abc import Iterator

import psycopg
import pytest

from service.storage.embedded import Logins
from tests.bridge.conftest import Yard, bag, eventually

ROUNDS = 200 if os.environ.get("HEAPLEDGER_TESTS_LONG") == "1" else 20
MESSAGES = 40


def test_kill_minus_nine_of_the_bridge_again_and_again(yard: Yard) -> None:
    """Killed while messages stream in; what the broker took is in the record at the end, each reading once."""
    numbers = itertools.count()
    chance = random.Random(4)  # noqa: S311 - when to pull the plug
    sent = cut_off = 0
    for number in range(ROUNDS):
        bridge = yard.bridge(mqtt_version=("5", "3.1.1")[number % 2])
        # Every message has one reading that the message before had too: redelivery and repetition look alike.
        lines = [bag(first, first + 1) for first in itertools.islice(numbers, MESSAGES)]
        plug = threading.Timer(chance.uniform(0.0, 0.12), bridge.kill)
        plug.start()
        done = yard.broker.publish("v1/1/north/up/json", "\n".join(lines), user="1/north", lines=True)
        assert (done.returncode, done.stderr) == (0, b"")  # all of it acknowledged by the broker
        sent += MESSAGES
        plug.join()
        bridge.process.join()
        cut_off += len(yard.numbers()) < sent + 1
    assert cut_off > ROUNDS / 4  # the plug was pulled before all was kept, not after
    yard.bridge()
    eventually(yard.numbers, list(range(sent + 1)))
    (batches,) = yard.ask("select count(*) from batch")[0]
    assert sent <= batches  # redelivered ones came in a batch of their own, and changed nothing
    assert yard.ask("select count(*) from disputed_reading") == [(0,)]
    assert yard.reasons() == []


def test_kill_minus_nine_of_the_broker(yard: Yard) -> None:
    """What is on its disk comes through; the bridge finds it again by itself and takes up its session."""
    bridge = yard.bridge()
    yard.send(1)
    eventually(yard.numbers, [1])
    os.kill(bridge.process.pid or 0, signal.SIGSTOP)  # alive, connected, and taking nothing
    yard.send(2, 3)
    yard.broker.saved(b'"value": 40.3')
    yard.broker.end(signal.SIGKILL)
    os.kill(bridge.process.pid or 0, signal.SIGCONT)
    time.sleep(0.1)
    yard.broker.start()
    eventually(lambda: set(yard.numbers()) >= {1, 2, 3}, wanted=True)
    yard.send(4)
    eventually(yard.numbers, [1, 2, 3, 4])
    assert bridge.process.is_alive()


def test_a_broker_that_comes_later_is_waited_for(yard: Yard) -> None:
    yard.broker.end()
    thread = threading.Timer(1.0, yard.broker.start)
    thread.start()
    bridge = yard.bridge_unseen()
    eventually(lambda: "Connection refused" in bridge.log.read_text(), wanted=True)
    thread.join()
    eventually(yard.is_online, wanted=True)
    assert bridge.stop() == 0


@pytest.fixture
def owner(logins: Logins) -> Iterator[psycopg.Connection[tuple[object, ...]]]:
    with psycopg.connect(
        dataclasses.replace(logins.owner, database="postgres").conninfo, autocommit=True
    ) as connection:
        yield connection


def test_the_record_away_for_a_while(yard: Yard, owner: psycopg.Connection[tuple[object, ...]]) -> None:
    """Nothing is acknowledged without a commit: the broker holds all of it until the record is back."""
    name = yard.urls.service.rpartition("/")[2].partition("?")[0]
    bridge = yard.bridge()
    yard.send(0)
    eventually(yard.numbers, [0])
    owner.execute(f"alter database {name} allow_connections false")
    owner.execute(
        "select pg_terminate_backend(pid) from pg_stat_activity where datname = %s", (name,), prepare=False
    )
    for number in range(1, 31):  # more than the bridge may hold at once
        yard.send(number, version=("mqttv5", "mqttv311")[number % 2])
    eventually(lambda: "record_refuses" in bridge.log.read_text(), wanted=True)
    assert bridge.process.is_alive()
    # Killed now, it has let nothing go: the next bridge is given everything.
    bridge.kill()
    yard.bridge()
    time.sleep(0.5)
    owner.execute(f"alter database {name} allow_connections true")
    eventually(yard.numbers, list(range(31)))
    assert yard.reasons() == []


def test_a_record_of_another_schema_keeps_nothing_and_loses_nothing(yard: Yard) -> None:
    """As between two releases: the statement fails, which is no fault of the message."""
    bridge = yard.bridge()
    with psycopg.connect(yard.urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        connection.execute("alter table batch rename to batch_of_tomorrow")
    yard.send(1)
    eventually(lambda: "record_refuses" in bridge.log.read_text(), wanted=True)
    with psycopg.connect(yard.urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        connection.execute("alter table batch_of_tomorrow rename to batch")
    eventually(yard.numbers, [1])
    assert yard.reasons() == []


def test_a_fault_of_ours_over_one_message_does_not_block_the_others(yard: Yard) -> None:
    """Foreseen by nobody (here: a constraint made by hand); tried again, then kept aside, and said so."""
    with psycopg.connect(yard.urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        connection.execute("alter table batch add constraint by_hand check (gateway <> 'north')")
    bridge = yard.bridge()
    listener = yard.broker.listen("v1/1/north/down/#")
    yard.send(1)
    yard.send(2, gateway="south", probe="PR-2")
    eventually(yard.numbers, [2])
    assert json.loads(listener.heard()[0].partition("\t")[2])["status"] == 500
    assert yard.reasons() == ["a fault of the service; see its log"]
    assert yard.ask("select body from quarantined_message") == [(bag(1).encode(),)]
    assert "by_hand" in bridge.log.read_text()
    assert bridge.stop() == 0


def test_a_stop_signal_finishes_what_is_in_hand(yard: Yard) -> None:
    """Stopped in mid-stream it ends well, keeps what it acknowledged, and leaves the rest with the broker."""
    bridge = yard.bridge()
    lines = "\n".join(bag(number) for number in range(300))
    stopping = threading.Timer(0.1, bridge.process.terminate)
    stopping.start()
    assert yard.broker.publish("v1/1/north/up/json", lines, user="1/north", lines=True).returncode == 0
    stopping.join()
    assert bridge.stop() == 0
    assert yard.is_online() is False
    kept = yard.ask("select count(*) from batch")[0][0]
    yard.bridge()
    eventually(yard.numbers, list(range(300)))
    assert yard.ask("select count(*) from batch") == [(300,)], (
        f"{kept} before: none acknowledged unkept, none twice"
    )


def test_kill_of_a_bridge_that_waits_for_the_disk(yard: Yard) -> None:
    """The commit is held back by a lock: the message in it is not acknowledged, and comes again."""
    bridge = yard.bridge()
    with psycopg.connect(yard.urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        connection.execute("lock table batch in exclusive mode")
        yard.send(1)
        waiting = "select count(*) from pg_locks where not granted"
        eventually(lambda: connection.execute(waiting).fetchone(), (1,))
        bridge.kill()
        connection.execute(
            "select pg_terminate_backend(pid) from pg_locks where not granted and pid <> pg_backend_pid()"
        )
    assert yard.numbers() == []
    yard.bridge()
    eventually(yard.numbers, [1])


def test_without_mosquitto_the_sentence_is_clear(monkeypatch: pytest.MonkeyPatch) -> None:
    from tests.bridge import broker

    monkeypatch.setattr(broker, "_where", lambda _name: None)
    monkeypatch.delenv(broker.WITHOUT_BROKER, raising=False)
    with pytest.raises(pytest.fail.Exception, match="apt-get install mosquitto"):
        broker.must_have_mosquitto()
    monkeypatch.setenv(broker.WITHOUT_BROKER, "1")
    with pytest.raises(pytest.skip.Exception):
        broker.must_have_mosquitto()
