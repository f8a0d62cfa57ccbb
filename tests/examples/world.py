"""A simulated yard: a clock nobody waits for, sensors, and power that goes."""

import math
import random
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import gateway
import httpx
import reading_buffer
from reading_buffer import Buffer

Key = tuple[str, str, datetime]
STEP = timedelta(minutes=15)


class PowerCut(BaseException):
    """The machine stops between two steps."""


class World:
    """True time, what the gateway believes of it, and the readings taken so far.

    Attributes
    ----------
    acknowledged
        Readings that the gateway said it keeps, by what they are; the value.
    attempted
        The same, and those during whose keeping the power went.
    undated
        Those taken while the gateway's clock was not set.
    """

    def __init__(self, file: Path, start: datetime, serials: Sequence[str], seed: int) -> None:
        self.file, self.true, self.serials = file, start, serials
        self.random = random.Random(seed)  # noqa: S311 - a run to be repeated
        self.cuts_per_step = 0.0
        self.cut_at: int | None = None
        self.steps = 0
        self.boots = 0
        self._booted_at = self._clock_set_at = start
        self._next_tick = start
        self._due: list[tuple[str, str, float, str]] = []
        self.acknowledged: dict[Key, float] = {}
        self.attempted: dict[Key, float] = {}
        self.undated: set[Key] = set()
        self.start, self.sensing = start, True
        self.on_time: Callable[[], None] = lambda: None
        self._recorder: Buffer | None = None

    def now(self) -> datetime:
        """Return what the gateway's clock shows: before it is set, the time since its boot as if in 1970."""
        if self.true >= self._clock_set_at:
            return self.true
        return datetime(1970, 1, 1, tzinfo=UTC) + (self.true - self._booted_at)

    def uptime_s(self) -> float:
        return (self.true - self._booted_at).total_seconds()

    def step(self, *_: object) -> None:
        """Pass a point at which the power may go."""
        self.steps += 1
        if self.steps == self.cut_at or self.random.random() < self.cuts_per_step:
            raise PowerCut

    def buffer(self) -> Buffer:
        """Open the buffer as a process does at its start."""
        self.step()
        made = Buffer(self.file, self.now, self.uptime_s, f"boot {self.boots}")
        made.db.world = self  # type: ignore[attr-defined]
        self.step()
        return made

    def reboot(self) -> None:
        """Come up again after some minutes, now and then with a clock that is set only later."""
        self._recorder = None
        self.true += timedelta(minutes=self.random.uniform(0.5, 20))
        while self._next_tick < self.true:
            self._next_tick += STEP
        self._due.clear()
        self.boots += 1
        self._booted_at = self.true
        unset = timedelta(minutes=self.random.uniform(5, 90)) * (self.random.random() < 0.4)
        self._clock_set_at = self.true + unset

    def advance(self, seconds: float) -> None:
        """Let time go by; what is to be measured on the way is."""
        until = self.true + timedelta(seconds=seconds)
        while self.sensing and self._next_tick <= until:
            self.true = max(self.true, self._next_tick)
            self._next_tick += STEP
            self._due += self._measured()
            self._record_due()
        self.true = max(self.true, until)
        self.on_time()

    def sleep(self, seconds: float) -> None:
        self.step()
        self.advance(seconds)
        self.step()

    def _measured(self) -> Iterator[tuple[str, str, float, str]]:
        hours = (self.true - self.start) / timedelta(hours=1)
        for number, serial in enumerate(self.serials):
            heat = 20 + 40 * (1 - math.exp(-hours / 4)) - 1.5 * number + math.sin(hours + number)
            yield serial, "temperature", round(heat, 2), "Cel"
            yield serial, "battery", round(100 - hours / 10 - number, 2), "%"

    def _record_due(self) -> None:
        self._recorder = self._recorder or self.buffer()
        while self._due:
            serial, quantity, value, unit = self._due.pop(0)
            key = (serial, quantity, self.true)
            self.attempted[key] = value
            if self.now().year < reading_buffer.CLOCK_SET_FROM:
                self.undated.add(key)
            self._recorder.record({"probe": serial, "quantity": quantity, "value": value, "unit": unit})
            self.acknowledged[key] = value


class Unsteady(sqlite3.Connection):
    """A connection at each of whose steps the power may go."""

    world: World | None = None

    def _step(self) -> None:
        if self.world is not None:
            self.world.step()

    def execute(self, *arguments: Any) -> sqlite3.Cursor:
        self._step()
        cursor = super().execute(*arguments)
        self._step()
        return cursor

    def executemany(self, *arguments: Any) -> sqlite3.Cursor:
        self._step()
        cursor = super().executemany(*arguments)
        self._step()
        return cursor

    def __exit__(self, *error: object) -> bool:  # type: ignore[override]
        if error[0] is None:
            self._step_or_roll_back()
        super().__exit__(*error)  # commits, or rolls back what the power cut left open
        if error[0] is None:
            self._step()
        return False

    def _step_or_roll_back(self) -> None:
        try:
            self._step()
        except PowerCut:
            self.rollback()
            raise


@contextmanager
def unsteady_disk() -> Iterator[None]:
    """Have buffers opened with connections that may break off."""
    real = sqlite3.connect
    reading_buffer.sqlite3.connect = lambda *a, **k: real(*a, factory=Unsteady, **k)  # type: ignore[assignment]
    try:
        yield
    finally:
        reading_buffer.sqlite3.connect = real


def drain_until(world: World, client: httpx.Client, *, end: datetime | None) -> None:
    """Run the gateway, rebooting whenever the power goes: until a time, or else until nothing waits."""
    buffer = None
    while end is None or world.true < end:
        try:
            buffer = buffer or world.buffer()
            gateway.drain(buffer, client, sleep=world.sleep)
            if end is None and buffer.waiting() == 0:
                return
            world.sleep(300)
        except PowerCut:
            buffer = None
            world.reboot()
