"""The example gateway in processes of its own, killed again and again, over sockets that break."""

import json
import random
import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.examples.conftest import Office
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

START = (datetime.now(UTC) - timedelta(days=2)).replace(minute=0, second=0, microsecond=0)


def test_killed_while_recording_and_while_draining(office: Office, tmp_path: Path) -> None:
    place = office.place("killed", START)
    file = tmp_path / "buffer.db"
    chance = random.Random(7)  # noqa: S311 - a run to be repeated
    recorder = Recorder(file, lines_of(forty_hours(START, place.serials)), chance)
    every_line = list(recorder.lines)
    with lossy(int(office.url.rsplit(":", 1)[1]), seed=7) as link:
        to_service = (
            "--drain",
            "--every-s",
            "0.02",
            "--url",
            f"http://127.0.0.1:{link.port}",
            "--key",
            place.token,
        )
        link.is_down = True
        stuck = program("gateway", str(file), *to_service)
        for _ in range(4):
            recorder.feed(80, kill=True)
        assert stuck.poll() is None, "it goes on trying, and recording goes on meanwhile"
        meet_every_end(stuck, link)
        end(stuck)
        link.bad, killed = 0.7, 0
        while recorder.lines:
            recorder.feed(60, kill=True)
            killed += killed_again_and_again("gateway", (str(file), *to_service), link, chance, 2)
        link.bad = 0
        once = ("--drain", *to_service[3:])
        last = program("gateway", str(file), *once)
        out, err = last.communicate(timeout=60)
        assert last.returncode == 0, err
        assert json.loads(out) == {"waiting": 0, "set_aside": 0}
        assert {DOWN, PASSED, *BAD_ENDS} <= link.met.keys()
    assert recorder.kills >= 7
    assert killed >= 10

    kept = place.readings("temperature") + place.readings("battery")
    record = [(one["probe"], one["observed_at"], one["quantity"], one["value"]) for one in kept]
    known = {name: known for known in map(json.loads, every_line) for name in [_key(known)]}
    assert len(record) == len(set(record))
    assert {_key(one) for one in kept} <= known.keys()
    assert {_key(json.loads(line)) for line in recorder.acknowledged} <= {_key(one) for one in kept}
    assert len(recorder.acknowledged) >= len(every_line) - recorder.kills
    with sqlite3.connect(file) as buffer:
        assert buffer.execute("pragma integrity_check").fetchone() == ("ok",)
    buffer.close()


def _key(one: dict[str, object]) -> tuple[object, ...]:
    return (one["probe"], datetime.fromisoformat(str(one["observed_at"])), one["quantity"], one["value"])
