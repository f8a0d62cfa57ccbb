"""Readings kept on disk until the service has them; ``gateway.py`` and ``mqtt_gateway.py`` share it.

SQLite with synchronous=FULL and a write-ahead log, rather than a file of lines: one fsync for each reading, several
programs at once, deleting and setting aside in one transaction, and a torn end of the log (power cut in mid-write) is
dropped by its checksum. A reading lost so was never answered with its number; every one that was, is there.
"""

import fcntl
import json
import sqlite3
import time
import uuid
from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, Any, Final

BAG: Final = 100
"""Readings in a pack: the service lists at most a hundred refused ones, and each of them is to be set aside."""
CLOCK_SET_FROM: Final = 2020
"""A clock that shows an earlier year was never set. One that was set wrongly does not show: start the gateway after
time-sync.target, above all on a board whose clock goes on at boot from where it stood when the power went."""
SCHEMA: Final = """
pragma journal_mode = wal; pragma synchronous = full;
create table if not exists reading (
  id integer primary key autoincrement, observed_at text, boot text, uptime_s real, fields text not null);
create table if not exists pack (body blob not null, ids text not null);
create table if not exists set_aside (why text not null, observed_at text, fields text not null);
"""


def this_boot() -> str:
    """Name this run of the machine; where the kernel does not, of this process."""
    known = Path("/proc/sys/kernel/random/boot_id")
    return known.read_text().strip() if known.exists() else str(uuid.uuid4())


def uptime_s() -> float:
    """Return a time that no setting of the clock changes, and that goes on while the machine sleeps."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


class Buffer:
    """The readings that wait, and the pack in flight: its bytes stay the same until its fate is known."""

    def __init__(
        self,
        file: str | Path,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        uptime_s: Callable[[], float] = uptime_s,
        boot: str | None = None,
    ) -> None:
        self.now, self._uptime_s, self._boot, self._most = now, uptime_s, boot or this_boot(), BAG
        self.db = sqlite3.connect(file, timeout=60)
        # SQLite refuses a second program at once, whatever its timeout, while a first one begins the log.
        with Path(f"{file}.opening").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            self.db.executescript(SCHEMA)

    def record(self, reading: dict[str, Any]) -> int:
        """Keep a reading, stamped with this clock unless it brings its time; on disk once this returns."""
        fields = dict(reading)
        given = fields.pop("observed_at", None)
        moment = self.now() if given is None else datetime.fromisoformat(given)
        if moment.tzinfo is None:
            raise ValueError("observed_at has no offset; add one, such as Z")
        at: str | None = moment.astimezone(UTC).isoformat(timespec="microseconds")
        if given is None and moment.year < CLOCK_SET_FROM:
            at = None
        text = json.dumps(fields, allow_nan=False)  # what is no number would make its whole pack unreadable
        with self.db:
            self._stamp()
            row = (at, self._boot, self._uptime_s(), text)
            return int(self.db.execute("insert into reading values (null, ?, ?, ?, ?)", row).lastrowid or 0)

    def _stamp(self) -> None:
        """Date what came before the clock was set, by how long ago that was: only the same boot can tell."""
        now, uptime_now_s = self.now(), self._uptime_s()
        if now.year < CLOCK_SET_FROM:
            return
        undated = "select id, boot, uptime_s from reading where observed_at is null"
        for number, boot, uptime_then_s in self.db.execute(undated).fetchall():
            if boot == self._boot:
                moment = now - timedelta(seconds=uptime_now_s - uptime_then_s)
                at = moment.isoformat(timespec="microseconds")
                self.db.execute("update reading set observed_at = ? where id = ?", (at, number))
            else:  # a time made up would be worse than none
                self._set_aside(number, "the power went before the clock was set: when this was is not known")

    def pack(self) -> tuple[bytes, int, bool] | None:
        """Return the pack in flight, or else a new one of the oldest: body, readings in it, whether it is new."""
        found = self.db.execute("select body, ids from pack").fetchone()
        if found is not None:
            return found[0], len(json.loads(found[1])), False
        oldest = (
            "select id, observed_at, fields from reading where observed_at is not null order by 2, 1 limit ?"
        )
        with self.db:
            self._stamp()
            rows = self.db.execute(oldest, (self._most,)).fetchall()
            if not rows:
                return None
            bag: dict[str, Any] = {"readings": [json.loads(row[2]) | {"observed_at": row[1]} for row in rows]}
            if self.now().year >= CLOCK_SET_FROM:
                bag["sent_at"] = self.now().isoformat()
            body = json.dumps(bag).encode()
            self.db.execute("insert into pack values (?, ?)", (body, json.dumps([row[0] for row in rows])))
        return body, len(rows), True

    def unpack(self) -> None:
        """Put the pack's readings back among the others: it has never left."""
        with self.db:
            self.db.execute("delete from pack")

    def settle(self, refused: Iterable[dict[str, Any]]) -> None:
        """Delete what was acknowledged; the few readings of it that were refused are set aside."""
        ids = self._in_flight()
        with self.db:
            for one in refused:
                self._set_aside(ids[one["index"]], one["detail"])
            self.db.executemany("delete from reading where id = ?", [(number,) for number in ids])
            self.db.execute("delete from pack")

    def refuse(self, why: str) -> None:
        """Halve a pack that was refused whole; the reading that is refused alone is set aside, out of the way."""
        ids = self._in_flight()
        with self.db:
            if len(ids) == 1:
                self._set_aside(ids[0], why)
            self.db.execute("delete from pack")
        self._most = BAG if len(ids) == 1 else len(ids) // 2

    def waiting(self) -> int:
        """Return how many readings are not acknowledged yet."""
        return int(self.db.execute("select count(*) from reading").fetchone()[0])

    def set_aside(self) -> list[dict[str, Any]]:
        """Return what could not be used, each with the reason; mended, it may be recorded again."""
        rows = self.db.execute("select why, observed_at, fields from set_aside").fetchall()
        return [json.loads(row[2]) | {"observed_at": row[1], "why": row[0]} for row in rows]

    def _in_flight(self) -> list[int]:
        ids: list[int] = json.loads(self.db.execute("select ids from pack").fetchone()[0])
        return ids

    def _set_aside(self, number: int, why: str) -> None:
        moved = "insert into set_aside select ?, observed_at, fields from reading where id = ?"
        self.db.execute(moved, (why, number))
        self.db.execute("delete from reading where id = ?", (number,))


def only_one(file: Path) -> IO[str]:
    """Stop if another process drains this buffer; the kernel lets go of the lock with the process."""
    lock = Path(f"{file}.draining").open("w")  # noqa: SIM115 - held until we end
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        lock.close()
        raise SystemExit(f"{file} is being drained already") from None
    return lock
