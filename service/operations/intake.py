"""The queue before the record: small requests that arrive together share one insert and one commit.

Each is answered only after its commit. Under load this is what lifts single readings from hundreds to thousands a
second: the disk is asked once for many.
"""

import asyncio
import queue
import threading
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import Final

import structlog

from service.domain.errors import DomainError, Unavailable
from service.operations.packs import Pack, Receipt
from service.operations.readings import BatchNumbers, ingest
from service.storage import readings as stored
from service.storage.database import Database, HeldPlain
from service.storage.readings import AlreadyThere, Instrument

MOST_ROWS_TOGETHER: Final = 20_000
MOST_WAITING: Final = 2_000
"""Requests; beyond that a newcomer is told to come back rather than left to wait."""
_MOST_PIPELINED: Final = 500
"""Readings, some 50 kB: what goes into a socket's buffer whole, see ``HeldPlain.begin``."""
_REMEMBER_PROBES_S: Final = 5.0
_MOST_REMEMBERED: Final = 50_000
_CAREFUL_S: Final = 2.0
"""How long readings of an organisation are looked up before they are kept, once one was there before."""

log = structlog.get_logger()

Outcome = Receipt | BaseException
Job = tuple[Pack, "Future[Receipt] | asyncio.Future[Receipt]"]


@dataclass(frozen=True)
class _Writer:
    """What a writing thread keeps for itself."""

    connection: HeldPlain
    numbers: BatchNumbers


class Intake:
    """Threads that write; the web process hands them packs and waits for receipts."""

    def __init__(self, database: Database, *, writers: int) -> None:
        self._database = database
        self._jobs: queue.SimpleQueue[Job | None] = queue.SimpleQueue()
        self._known: dict[tuple[int, str], tuple[float, Instrument]] = {}
        self._is_closed = False
        self._resent: dict[int, float] = {}
        self._threads = [
            threading.Thread(target=self._write, name=f"intake-{number}", daemon=True)
            for number in range(writers)
        ]
        for thread in self._threads:
            thread.start()

    def submit(self, pack: Pack) -> "Future[Receipt]":
        """Hand over one request's readings; the future resolves once they are on disk.

        Raises
        ------
        Unavailable
            Too many requests wait already, or the service is stopping.
        """
        promise: Future[Receipt] = Future()
        promise.set_running_or_notify_cancel()  # from here on it cannot be given up, which would end its writer
        self._put(pack, promise)
        return promise

    def submit_on_loop(self, pack: Pack) -> "asyncio.Future[Receipt]":
        """Do the same for a coroutine; all that share a commit are woken by one call into their loop.

        Raises
        ------
        Unavailable
            As :meth:`submit`.
        """
        promise: asyncio.Future[Receipt] = asyncio.get_running_loop().create_future()
        self._put(pack, promise)
        return promise

    def _put(self, pack: Pack, promise: "Future[Receipt] | asyncio.Future[Receipt]") -> None:
        if self._is_closed:
            raise Unavailable("the service is stopping; send this one again a little later")
        if self._jobs.qsize() >= MOST_WAITING:
            raise Unavailable("too many batches are waiting; send this one again a little later")
        self._jobs.put((pack, promise))

    def close(self) -> None:
        """Write what was handed over, then stop."""
        self._is_closed = True
        for _ in self._threads:
            self._jobs.put(None)
        for thread in self._threads:
            thread.join()

    def _write(self) -> None:
        writer = _Writer(self._database.hold_plain(), BatchNumbers())
        while (first := self._jobs.get()) is not None:
            jobs = [first]
            rows = len(first[0].serials)
            stop = False
            while rows < MOST_ROWS_TOGETHER:
                try:
                    job = self._jobs.get_nowait()
                except queue.Empty:
                    break
                if job is None:
                    stop = True
                    break
                jobs.append(job)
                rows += len(job[0].serials)
            try:
                self._write_each(jobs, writer)
            except Exception as error:
                # A writer that ended would leave everybody waiting for ever, and nobody would see why.
                log.exception("intake_writer_failed")
                _tell([(promise, error) for _, promise in jobs if not promise.done()])
            if stop:
                break
        writer.connection.close()

    def _write_each(self, jobs: Sequence[Job], writer: "_Writer") -> None:
        for organisation_id in dict.fromkeys(pack.caller.organisation_id for pack, _ in jobs):
            self._write_together(
                organisation_id,
                [job for job in jobs if job[0].caller.organisation_id == organisation_id],
                writer,
            )

    def _write_together(self, organisation_id: int, jobs: Sequence[Job], writer: "_Writer") -> None:
        packs = [pack for pack, _ in jobs]
        try:
            try:
                receipts = self._ingest(organisation_id, packs, writer)
            except (Unavailable, AlreadyThere):
                # The kept connection may have died while idle; sending readings twice is harmless.
                receipts = self._ingest(organisation_id, packs, writer, expect_new=False)
        except DomainError as error:
            _tell([(promise, error) for _, promise in jobs])
        except Exception as error:
            if len(jobs) > 1:
                # One request must not fail the others that happened to share its commit.
                for job in jobs:
                    self._write_together(organisation_id, [job], writer)
                return
            log.exception("intake_failed", organisation_id=organisation_id)
            _tell([(jobs[0][1], error)])
        else:
            _tell([(promise, receipt) for (_, promise), receipt in zip(jobs, receipts, strict=True)])

    def _ingest(
        self, organisation_id: int, packs: Sequence[Pack], writer: "_Writer", *, expect_new: bool = True
    ) -> list[Receipt]:
        expect_new = expect_new and time.monotonic() > self._resent.get(organisation_id, 0.0)
        try:
            is_small = sum(len(pack.serials) for pack in packs) <= _MOST_PIPELINED
            with writer.connection.begin(organisation_id, pipelined=is_small) as connection:
                probes = self._probes(connection, organisation_id, packs)
                return ingest(
                    connection, organisation_id, packs, probes, writer.numbers, expect_new=expect_new
                )
        except AlreadyThere:
            # Where one reading comes again, others will: a gateway sends a whole bag anew.
            self._resent[organisation_id] = time.monotonic() + _CAREFUL_S
            raise
        except BaseException:
            writer.numbers.forget()
            raise

    def _probes(
        self, connection: stored.Plain, organisation_id: int, packs: Sequence[Pack]
    ) -> Mapping[str, Instrument]:
        """Return the known probes of some packs; a known one is remembered, an unknown one asked for again."""
        now = time.monotonic()
        serials = set().union(*(pack.serials for pack in packs))
        known = {}
        unsure = []
        for serial in serials:
            entry = self._known.get((organisation_id, serial))
            if entry is not None and now - entry[0] < _REMEMBER_PROBES_S:
                known[serial] = entry[1]
            else:
                unsure.append(serial)
        if unsure:
            found = stored.instruments(connection, organisation_id, unsure)
            if len(self._known) > _MOST_REMEMBERED:
                self._known.clear()
            for serial, probe in found.items():
                self._known[organisation_id, serial] = (now, probe)
            known.update(found)
        return known


def _tell(outcomes: Sequence[tuple["Future[Receipt] | asyncio.Future[Receipt]", Outcome]]) -> None:
    """Tell each who waits what became of it."""
    on_loops: dict[asyncio.AbstractEventLoop, list[tuple[asyncio.Future[Receipt], Outcome]]] = {}
    for promise, outcome in outcomes:
        if isinstance(promise, Future):
            _settle(promise, outcome)
        else:
            on_loops.setdefault(promise.get_loop(), []).append((promise, outcome))
    for loop, told in on_loops.items():
        try:
            loop.call_soon_threadsafe(_settle_all, told)
        except RuntimeError:
            log.warning(
                "intake_loop_closed", waiting=len(told)
            )  # whoever asked is gone; the readings are kept


def _settle_all(told: Sequence[tuple["asyncio.Future[Receipt]", Outcome]]) -> None:
    for promise, outcome in told:
        if not promise.done():  # the request may have been given up meanwhile
            _settle(promise, outcome)


def _settle(promise: "Future[Receipt] | asyncio.Future[Receipt]", outcome: Outcome) -> None:
    if isinstance(outcome, BaseException):
        promise.set_exception(outcome)
    else:
        promise.set_result(outcome)
