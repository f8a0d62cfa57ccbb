"""The buffer of the example gateways: what a power cut, a clock never set and a bad reading do to it."""

import json
import shutil
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Barrier

import gateway
import pytest
from reading_buffer import Buffer, only_one

from tests.examples.clock import NOW, Clock, reading

UNSET = datetime(1970, 1, 1, 0, 5, tzinfo=UTC)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def buffer(clock: Clock, tmp_path: Path) -> Buffer:
    return clock.buffer(tmp_path / "buffer.db")


def numbers(buffer: Buffer) -> list[int]:
    return [row[0] for row in buffer.db.execute("select id from reading order by id")]


def test_a_log_torn_by_a_power_cut_loses_its_torn_end_alone(buffer: Buffer, tmp_path: Path) -> None:
    """Cut anywhere in its last two thousand bytes and at many places before: what was answered before that is there."""
    log = tmp_path / "buffer.db-wal"
    answered = [(buffer.record(reading(number)), log.stat().st_size) for number in range(12)]
    whole = log.stat().st_size
    survivors = set()
    for cut in [*range(0, whole, 997), *range(whole - 2000, whole, 13), whole]:
        after = tmp_path / f"after{cut}"
        after.mkdir()
        shutil.copy(tmp_path / "buffer.db", after)
        (after / "buffer.db-wal").write_bytes(log.read_bytes()[:cut])
        left = numbers(Clock().buffer(after / "buffer.db"))
        assert left == [number for number, size in answered if size <= cut]
        survivors.add(len(left))
        shutil.rmtree(after)
    assert survivors == set(range(13))


def test_a_log_whose_end_is_garbage_loses_that_alone(buffer: Buffer, tmp_path: Path) -> None:
    """A block that was allotted and never written: the last reading's pages are nought."""
    log = tmp_path / "buffer.db-wal"
    for number in range(5):
        buffer.record(reading(number))
    before = log.stat().st_size
    buffer.record(reading(5))
    after = tmp_path / "after"
    after.mkdir()
    shutil.copy(tmp_path / "buffer.db", after)
    (after / "buffer.db-wal").write_bytes(log.read_bytes()[:before] + bytes(log.stat().st_size - before))
    again = Clock().buffer(after / "buffer.db")
    assert numbers(again) == [1, 2, 3, 4, 5]
    assert again.record(reading(6)) == 6


def test_what_is_answered_has_been_synced(buffer: Buffer) -> None:
    """SQLite, "PRAGMA synchronous": under WAL, FULL (2) syncs the log after each transaction, NORMAL (1) does not."""
    assert buffer.db.execute("pragma synchronous").fetchone() == (2,)
    assert buffer.db.execute("pragma journal_mode").fetchone() == ("wal",)


def test_readings_before_the_clock_is_set_are_dated_afterwards(clock: Clock, tmp_path: Path) -> None:
    clock.shown = UNSET
    buffer = clock.buffer(tmp_path / "buffer.db")
    for number in range(3):
        buffer.record(reading(number))
        clock.pass_by(900)
    assert buffer.pack() is None, "a reading without a time is kept and not sent"
    assert buffer.waiting() == 3
    clock.shown = NOW  # set over the network; the time since boot goes on as before
    body, count, _ = buffer.pack() or (b"", 0, True)
    assert count == 3
    expected = [(NOW - timedelta(seconds=900 * ago)).isoformat(timespec="microseconds") for ago in (3, 2, 1)]
    assert [one["observed_at"] for one in json.loads(body)["readings"]] == expected


def test_a_reading_that_nobody_can_date_is_set_aside_not_invented(clock: Clock, tmp_path: Path) -> None:
    clock.shown = UNSET
    clock.buffer(tmp_path / "buffer.db").record(reading(1))
    clock.shown, clock.up_s = NOW, 10.0
    buffer = clock.buffer(tmp_path / "buffer.db", boot="second")
    buffer.record(reading(2))
    (aside,) = buffer.set_aside()
    assert (aside["value"], aside["observed_at"]) == (20.1, None)
    assert "before the clock was set" in aside["why"]
    assert buffer.waiting() == 1


def test_a_pack_without_a_clock_does_not_say_when_it_was_sent(clock: Clock, tmp_path: Path) -> None:
    clock.shown = UNSET
    buffer = clock.buffer(tmp_path / "buffer.db")
    buffer.record(reading(1, observed_at="2026-05-04T16:00:00+02:00"))
    bag = json.loads((buffer.pack() or (b"",))[0])
    assert bag == {"readings": [reading(1, observed_at="2026-05-04T14:00:00.000000+00:00")]}


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b'{"probe": "PR-1", "value": NaN}', "not JSON compliant"),
        (b'{"probe": "PR-1", "value": 1e999}', "not JSON compliant"),
        (b'{"probe": "PR-1", "observed_at": "2026-05-04T14:00:00"}', "no offset"),
        (b'{"probe": "PR-1", "observed_at": "yesterday"}', "yesterday"),
        (b'{"probe": "PR-1", "observed_at": 5}', "str"),
        (b'{"probe": "PR-1", "observed_at": "0001-01-01T00:00:00+14:00"}', "range"),
        (b"61.4", "int|float"),
        (b'{"probe": "PR-1", "va', "Unterminated"),
        (b'{"probe": "\xff"}', "decode"),
        (b"[" * 100_000, "recursion"),
    ],
)
def test_a_line_that_is_no_reading_is_named_and_the_next_is_kept(
    buffer: Buffer, capsys: pytest.CaptureFixture[str], line: bytes, said: str
) -> None:
    gateway.record(buffer, [line, json.dumps(reading(1)).encode()])
    out, err = capsys.readouterr()
    assert out == "1\n"
    assert err.startswith("not kept: ")
    assert any(word in err for word in said.split("|"))
    assert buffer.waiting() == 1


def test_programs_that_begin_a_buffer_together_wait_for_each_other(tmp_path: Path) -> None:
    """Without the lock about a third of them ended with "database is locked", and their readings with them."""
    together = Barrier(2)

    def begin(file: Path) -> int:
        together.wait(timeout=60)
        begun = Clock().buffer(file)
        try:
            return begun.record(reading(0))
        finally:
            begun.db.close()

    with ThreadPoolExecutor(2) as programs:
        for number in range(60):
            file = tmp_path / f"{number}.db"
            assert sorted(programs.map(begin, [file, file])) == [1, 2]


def test_one_drains_at_a_time(tmp_path: Path) -> None:
    with only_one(tmp_path / "buffer.db"), pytest.raises(SystemExit, match="drained already"):
        only_one(tmp_path / "buffer.db")
    only_one(tmp_path / "buffer.db").close()
