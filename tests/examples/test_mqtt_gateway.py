"""The example gateway over MQTT, killed and cut off, with a real broker and a real bridge that are killed, too."""

import json
import random
import signal
import sqlite3
import subprocess
import time
from datetime import datetime
from pathlib import Path

from tests.bridge.broker import PASSWORD
from tests.bridge.conftest import START, Yard, eventually
from tests.examples.lossy_tcp import BAD_ENDS, DOWN, PASSED, lossy
from tests.examples.processes import (
    Recorder,
    end,
    forty_hours,
    killed_again_and_again,
    lines_of,
    meet_every_end,
    program,
)

SERIALS = ("PR-1", "PR-2")
ON_RECORD = """
select p.serial, r.observed_at, r.value from reading r join probe p on p.number = r.probe and
p.organisation_id = r.organisation_id
"""


def arguments(file: Path, port: int, *more: str) -> tuple[str, ...]:
    return (
        str(file),
        "--broker",
        "127.0.0.1",
        "--port",
        str(port),
        "--login",
        "1/north",
        "--within-s",
        "1",
        *more,
    )


def start(file: Path, port: int, *more: str) -> subprocess.Popen[bytes]:
    return program("mqtt_gateway", *arguments(file, port, *more), MQTT_PASSWORD=PASSWORD)


def waiting(file: Path) -> int:
    buffer = sqlite3.connect(file, timeout=30)
    try:
        return int(buffer.execute("select count(*) from reading").fetchone()[0])
    finally:
        buffer.close()


def drained(file: Path, port: int) -> dict[str, int]:
    """Drain to the end and return what the program says."""
    process = start(file, port)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    return dict(json.loads(out))


def key(line: bytes) -> tuple[str, datetime, float]:
    reading = json.loads(line)
    return reading["probe"], datetime.fromisoformat(reading["observed_at"]), reading["value"]


def test_everybody_is_killed_and_nothing_is_lost_or_doubled(yard: Yard, tmp_path: Path) -> None:
    file = tmp_path / "buffer.db"
    chance = random.Random(11)  # noqa: S311 - a run to be repeated
    recorder = Recorder(file, lines_of(forty_hours(START, SERIALS)), chance)
    every_line = list(recorder.lines)
    bridge = yard.bridge()
    with lossy(yard.broker.port, seed=11) as link:
        link.is_down = True
        stuck = start(file, link.port, "--every-s", "0.02")
        for _ in range(4):
            recorder.feed(100, kill=True)
        assert stuck.poll() is None, "it goes on trying, and recording goes on meanwhile"
        meet_every_end(stuck, link)
        end(stuck)
        link.bad, killed = 0.5, 0
        while recorder.lines:
            recorder.feed(60, kill=True)
            gateway = arguments(file, link.port, "--every-s", "0.02")
            killed += killed_again_and_again("mqtt_gateway", gateway, link, chance, 2, MQTT_PASSWORD=PASSWORD)
            running = start(file, link.port, "--every-s", "0.02")
            time.sleep(chance.uniform(0.3, 0.8))
            chance.choice((link.hang_up, bridge.kill, lambda: yard.broker.end(signal.SIGKILL)))()
            if yard.broker.process is None:
                yard.broker.start()
            if not bridge.process.is_alive():
                bridge = yard.bridge_unseen()
            time.sleep(chance.uniform(0, 0.3))
            end(running)
        link.bad = 0
        assert drained(file, link.port) == {"waiting": 0, "set_aside": 0}
        assert {DOWN, PASSED, *BAD_ENDS} <= link.met.keys()
    assert killed >= 5
    record = yard.ask(ON_RECORD)
    assert len(record) == len(set(record))
    assert set(record) <= set(map(key, every_line))
    assert set(map(key, recorder.acknowledged)) <= set(record)
    assert len(recorder.acknowledged) >= len(every_line) - recorder.kills
    assert yard.reasons() == []


def test_the_brokers_word_is_not_enough(yard: Yard, tmp_path: Path) -> None:
    """Acknowledged by the broker, not yet on its disk, and the power goes there: the gateway has it still."""
    assert yard.bridge().stop() == 0  # the broker keeps a session for it from now on
    file = tmp_path / "buffer.db"
    Recorder(file, lines_of(forty_hours(START, SERIALS))[:10], random.Random(1)).feed(10, kill=False)  # noqa: S311
    process = start(file, yard.broker.port)
    log = yard.broker.folder / "mosquitto.db"
    heard = yard.broker.listen("v1/1/north/up/#").heard()
    assert len(heard) == 1
    time.sleep(1.5)  # longer than a result is waited for; it has the broker's word by then
    yard.broker.end(signal.SIGKILL)
    end(process)
    log.unlink(missing_ok=True)  # whether the broker was quick enough to save it or not
    assert waiting(file) == 10
    yard.broker.start()
    yard.bridge()
    assert drained(file, yard.broker.port) == {"waiting": 0, "set_aside": 0}
    assert len(yard.ask(ON_RECORD)) == 10


def test_a_broker_without_a_bridge_acknowledges_and_forgets(yard: Yard, tmp_path: Path) -> None:
    """MQTT 5.0 section 3.4.2.1: reason 16, no matching subscribers, is a success. The gateway has it still."""
    file = tmp_path / "buffer.db"
    Recorder(file, lines_of(forty_hours(START, SERIALS))[:10], random.Random(1)).feed(10, kill=False)  # noqa: S311
    process = start(file, yard.broker.port)
    time.sleep(2.5)  # longer than a result is waited for
    assert process.poll() is None
    end(process)
    yard.bridge()
    assert yard.numbers() == [], "the broker had kept it for nobody"
    assert waiting(file) == 10
    assert drained(file, yard.broker.port) == {"waiting": 0, "set_aside": 0}
    assert len(yard.ask(ON_RECORD)) == 10


def test_a_result_that_waited_at_the_broker_settles_the_pack(yard: Yard, tmp_path: Path) -> None:
    """Killed after sending; the bridge keeps the pack and answers; the next run hears it in the kept session."""
    assert yard.bridge().stop() == 0  # the broker keeps a session for it from now on
    file = tmp_path / "buffer.db"
    Recorder(file, lines_of(forty_hours(START, SERIALS))[:10], random.Random(1)).feed(10, kill=False)  # noqa: S311
    listener = yard.broker.listen("v1/1/north/up/#")
    process = start(file, yard.broker.port)
    assert len(listener.heard()) == 1
    end(process)
    bridge = yard.bridge()
    eventually(lambda: len(yard.ask(ON_RECORD)), 10)
    bridge.stop()  # nobody answers from now on
    assert waiting(file) == 10
    assert drained(file, yard.broker.port) == {"waiting": 0, "set_aside": 0}


def test_a_reading_nobody_can_use_is_set_aside_and_a_gateway_unknown_stops(
    yard: Yard, tmp_path: Path
) -> None:
    yard.bridge()
    file = tmp_path / "buffer.db"
    good = lines_of(forty_hours(START, SERIALS))[:2]
    bad = [b'{"probe": "PR-1", "quantity": "temperature", "value": 9, "unit": "furlong"}\n']
    Recorder(file, good + bad, random.Random(1)).feed(3, kill=False)  # noqa: S311
    assert drained(file, yard.broker.port) == {"waiting": 0, "set_aside": 1}
    Recorder(file, good[:1], random.Random(1)).feed(1, kill=False)  # noqa: S311
    unknown = [word.replace("1/north", "1/stranger") for word in arguments(file, yard.broker.port)]
    process = program("mqtt_gateway", *unknown, MQTT_PASSWORD=PASSWORD)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 1
    assert b"no gateway is registered as 'stranger'" in err
    assert waiting(file) == 1


def test_the_last_will_tells_that_it_is_gone(yard: Yard, tmp_path: Path) -> None:
    """MQTT 5.0 section 3.1.3.2.2: the will waits for its delay, here a minute; a session taken up again cancels it."""
    file = tmp_path / "buffer.db"
    Recorder(file, lines_of(forty_hours(START, SERIALS))[:1], random.Random(1)).feed(1, kill=False)  # noqa: S311
    listener = yard.broker.listen("v1/1/north/state")
    process = start(file, yard.broker.port)
    (line,) = listener.heard()
    told = json.loads(line.rpartition("\t")[2])
    assert told["online"] is True
    end(process)
    yard.bridge()
    listener = yard.broker.listen("v1/1/north/state", many=3)
    assert drained(file, yard.broker.port)["waiting"] == 0
    states = [json.loads(line.rpartition("\t")[2]) for line in listener.heard()]
    assert (states[-1]["online"], states[-1]["buffered"]) == (False, 0), (
        "a goodbye; the will itself never spoke"
    )
    assert [one["online"] for one in states[:-1]] == [True, True]
    eventually(lambda: yard.ask("select is_online, buffered from gateway_state"), [(False, 0)])
