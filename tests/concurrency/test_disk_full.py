"""A full disk: 507 or 503 while it is full, nothing acknowledged that is not kept, and no restart once there is room.

The disks are small file systems in memory of the tests' own; mounting them needs root.
"""

import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx
import psycopg
import pytest

from service.storage.embedded import EmbeddedServer, EmbeddedServerError
from tests.concurrency.gateways import (
    PROBES,
    is_strange,
    kept,
    make_key,
    must_hold,
    reading,
    register,
    value_of,
)
from tests.concurrency.nursery import Forked, Nursery
from tests.concurrency.servers import a_folder, end_all_below, kill_all_of, urls_in
from tests.conftest import Urls

MB = 1 << 20
SIZE = 2_000
"""Readings in a bag; some 300 kB of tables, indexes and log."""


@contextmanager
def a_disk(folder: Path, megabytes: int) -> Iterator[Path]:
    """Mount a small file system."""
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m,mode=755", "tmpfs", folder],
        capture_output=True,
        text=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip(f"a small disk cannot be mounted, which needs root: {mounted.stderr.strip()}")
    try:
        yield folder
    finally:
        end_all_below(folder)
        subprocess.run(["umount", folder], check=True)


def fill(filler: Path, *, leaving: int) -> None:
    """Take the room that is left, to the last block when ``leaving`` is 0."""
    room = os.statvfs(filler.parent)
    with filler.open("wb") as file, suppress(OSError):
        for _ in range(max(0, room.f_bavail * room.f_frsize - leaving) // MB):
            file.write(bytes(MB))
        if not leaving:
            os.posix_fallocate(file.fileno(), 0, room.f_bavail * room.f_frsize)
            while True:
                os.write(file.fileno(), bytes(4096))


class Sender:
    """Sends one bag after another and keeps what was acknowledged."""

    def __init__(self, client: httpx.Client) -> None:
        self.client = client
        self.acknowledged: set[int] = set()
        self.waiting: list[int] = []
        self._next = 0

    def send(self) -> int:
        """Send the bag that is not acknowledged yet, or the next; return the status."""
        if not self.waiting:
            self.waiting = [n for n in range(self._next, self._next + SIZE) if not is_strange(n)]
            self._next += SIZE
        answer = self.client.post("/v1/readings", json={"readings": [reading(n) for n in self.waiting]})
        if answer.status_code == 200:
            body = answer.json()
            assert body["stored"] + body["duplicate"] == len(self.waiting)
            self.acknowledged.update(self.waiting)
            self.waiting = []
        else:
            problem = answer.json()
            assert problem["status"] == answer.status_code
            assert int(answer.headers["retry-after"]) >= 1
            assert "nothing was written" in problem["detail"]
        return answer.status_code

    def send_until(self, wanted: set[int], *, pause_s: float = 0.0, within_s: float = 120) -> list[int]:
        """Send until the answer is one of some statuses; return every status seen."""
        seen, until = [self.send()], time.monotonic() + within_s
        while seen[-1] not in wanted:
            assert time.monotonic() < until, f"never {wanted}: {seen[-20:]}"
            time.sleep(pause_s)
            seen.append(self.send())
        return seen


@contextmanager
def sender(served: Forked, urls: Urls) -> Iterator[Sender]:
    key = make_key(urls)
    register(served.base_url, key)
    headers = {"Authorization": f"Bearer {key}"}
    with httpx.Client(base_url=served.base_url, headers=headers, timeout=60) as client:
        yield Sender(client)


@pytest.mark.parametrize("leaving", [0, 14 * MB], ids=["nothing left", "too little for the log"])
def test_the_whole_record_on_a_full_disk_comes_back_by_itself(
    nursery: Nursery, tmp_path: Path, leaving: int
) -> None:
    """Where the log finds no room PostgreSQL gives up and cannot recover; the service brings it back once it can."""
    log, statuses = tmp_path / "service.log", set()
    with (
        a_folder() as folder,
        a_disk(folder / "disk", 280) as disk,
        nursery.serving({"HEAPLEDGER_DATA_DIR": str(disk / "data")}, "--no-work", log=log) as served,
    ):
        urls = urls_in(disk / "data")
        with sender(served, urls) as sending:
            assert sending.send() == 200
            for _ in range(2):
                if leaving:
                    use_up_log(urls, disk / "data" / "postgres" / "pg_wal")
                fill(disk / "filler", leaving=leaving)
                statuses |= set(sending.send_until({507, 503}))
                for _ in range(25):  # it stays full, whatever PostgreSQL tries in the meantime
                    statuses.add(sending.send())
                    time.sleep(0.02)
                assert httpx.get(f"{served.base_url}/livez").status_code == 200
                (disk / "filler").unlink()
                statuses |= set(sending.send_until({200}, pause_s=0.05))
                must_hold(urls, sending.acknowledged)
                assert kept(urls).numbers == sending.acknowledged
    assert {507} <= statuses <= {200, 503, 507}
    assert "Traceback" not in log.read_text()
    assert ("record_is_back" in log.read_text()) == bool(leaving)


def test_a_server_that_finds_no_room_to_start_keeps_its_place() -> None:
    """Not a byte is left; what it wrote down of itself before it died is still there, and its ways in hold."""
    with a_folder() as folder, a_disk(folder / "disk", 200) as disk:
        server = EmbeddedServer(disk / "data", patience_s=30)
        before = server.start()
        kill_all_of(server)
        fill(disk / "filler", leaving=0)
        with pytest.raises(EmbeddedServerError):
            server.start()
        (disk / "filler").unlink()
        assert server.start() == before
        server.stop()


def use_up_log(urls: Urls, wal: Path) -> None:
    """Go on to the last file of the log that is made already."""
    with psycopg.connect(urls.owner.replace("postgresql+psycopg", "postgresql"), autocommit=True) as owner:
        while True:
            present = owner.execute("select pg_walfile_name(pg_current_wal_insert_lsn())").fetchone()
            assert present is not None
            if not any(file.name > present[0] for file in wal.iterdir() if len(file.name) == len(present[0])):
                return
            owner.execute("select pg_logical_emit_message(true, 'test', 'on to the next')")
            owner.execute("select pg_switch_wal()")


def test_tables_on_a_full_disk_and_the_log_on_another(fresh: Urls, nursery: Nursery, tmp_path: Path) -> None:
    """PostgreSQL lives on and says which it is: 507, also in the middle of a stream, which goes on afterwards."""
    log = tmp_path / "service.log"
    lines = [reading(10**6 + n, PROBES[0], value=value_of(10**6 + n)) for n in range(20_000)]
    with (
        a_folder() as folder,
        a_disk(folder / "disk", 8) as disk,
        moved_to(disk, fresh),
        nursery.serving({"DATABASE_URL": fresh.service}, "--no-migrate", "--no-work", log=log) as served,
        sender(served, fresh) as sending,
    ):
        assert sending.send() == 200
        assert set(sending.send_until({507, 503})) == {200, 507}
        assert {sending.send() for _ in range(3)} == {507}
        assert stream(sending.client, lines).status_code == 507
        assert sending.client.get("/readyz").status_code == 200
        subprocess.run(["mount", "-o", "remount,size=64m", disk], check=True)
        assert sending.send() == 200
        far = sending.client.get("/v1/readings/streams/harvest").json()
        again = stream(sending.client, lines, offset=far["committed_bytes"])
        assert again.status_code == 200, again.text
        assert again.json()["stored"] + again.json()["duplicate"] == len(lines)
        found = kept(fresh)
        assert found.rows == len(found.numbers)
        assert found.numbers == sending.acknowledged | set(range(10**6, 10**6 + len(lines)))
    assert "Traceback" not in log.read_text()


def stream(client: httpx.Client, lines: list[dict[str, Any]], offset: int = 0) -> httpx.Response:
    body = b"".join(httpx.Response(200, json=line).content + b"\n" for line in lines)
    headers = {
        "Content-Type": "application/x-ndjson",
        "Idempotency-Key": "harvest",
        "Upload-Offset": str(offset),
    }
    return client.post("/v1/readings", content=body[offset:], headers=headers)


@contextmanager
def moved_to(disk: Path, urls: Urls) -> Iterator[None]:
    """Put the month the tests write to on a disk."""
    with psycopg.connect(urls.owner.replace("postgresql+psycopg", "postgresql"), autocommit=True) as owner:
        place = disk / "space"
        place.mkdir()
        (folder,) = owner.execute("show data_directory").fetchone() or ("",)
        account = Path(folder).stat()
        os.chown(place, account.st_uid, account.st_gid)
        owner.execute(f"create tablespace small location '{place}'")
        try:
            indexes = owner.execute(
                "select indexrelid::regclass::text from pg_index where indrelid = 'reading_2026_01'::regclass"
            ).fetchall()
            owner.execute("alter table reading_2026_01 set tablespace small")
            for (index,) in indexes:
                owner.execute(f"alter index {index} set tablespace small")
            yield
        finally:
            owner.execute(
                "select pg_terminate_backend(pid) from pg_stat_activity"
                " where datname = current_database() and pid <> pg_backend_pid()"
            )
            owner.execute("truncate reading")
            owner.execute("alter table reading_2026_01 set tablespace pg_default")
            for (index,) in indexes:
                owner.execute(f"alter index {index} set tablespace pg_default")
            owner.execute("drop tablespace small")
