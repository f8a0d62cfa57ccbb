"""The job process put together: what runs the queue, beside the web process or alone."""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, Final

import psycopg
import structlog
from procrastinate import App, PsycopgConnector
from procrastinate.exceptions import AlreadyEnqueued
from sqlalchemy import Engine
from sqlalchemy.engine import make_url

from service.domain.errors import DomainError
from service.jobs import caretaking, imports, verdicts
from service.jobs import log as log_jobs
from service.jobs import plans as plan_jobs
from service.jobs.tasks import CARETAKING, Task, Tools, register
from service.settings import Settings
from service.storage import retention
from service.storage.database import SERVICE_ROLE, Database, connect_engine, translated

TASKS: Final[tuple[Task, ...]] = (
    *verdicts.TASKS,
    *imports.TASKS,
    *caretaking.TASKS,
    *log_jobs.TASKS,
    *plan_jobs.TASKS,
)
"""Every kind of job there is; a new module of ``service.jobs`` adds its own here."""

TOGETHER: Final = 3
"""Jobs at once: one long import does not keep verdicts waiting."""
_SETTLE_S: Final = 20
"""How long after its start a worker first takes care of the record, so that starting is quick."""
_FIRST_PAUSE_S: Final = 1.0
_LONGEST_PAUSE_S: Final = 60.0

log = structlog.get_logger()


class Worker:
    """Runs jobs in a thread of its own until it is stopped; begins anew when the record was away.

    Parameters
    ----------
    service_url
        The login the service uses.
    owner_url
        The login that owns the record; where it is the service's own, caretaking is left to others.
    settings
        Of this process; what tasks may choose by.
    """

    def __init__(self, service_url: str, owner_url: str, settings: Settings) -> None:
        self._service_url = service_url
        self._owner_url = owner_url
        self._settings = settings
        self._stopping = threading.Event()
        self._woken: asyncio.Event | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread = threading.Thread(target=self._run, name="worker", daemon=True)

    def start(self) -> None:
        """Start to work."""
        self._thread.start()

    def stop(self) -> None:
        """Stop; a running job is given the time to come to a step where it may be left off."""
        self._stopping.set()
        loop, woken = self._loop, self._woken
        if loop is not None and woken is not None:
            try:
                loop.call_soon_threadsafe(woken.set)
            except RuntimeError:
                pass  # it ended by itself in the meantime
        if self._thread.ident is not None:
            self._thread.join()

    def join(self) -> None:
        """Wait until it was stopped."""
        self._thread.join()

    def _run(self) -> None:
        asyncio.run(self._main())

    async def _main(self) -> None:
        """Work until stopped; after a fault pause, longer each time, and begin anew."""
        self._loop, self._woken = asyncio.get_running_loop(), asyncio.Event()
        pause_s = _FIRST_PAUSE_S
        while not self._stopping.is_set():
            began = self._loop.time()
            working = asyncio.create_task(self._work())
            waiting = asyncio.create_task(self._woken.wait())
            await asyncio.wait({working, waiting}, return_when=asyncio.FIRST_COMPLETED)
            waiting.cancel()
            if not working.done():
                working.cancel()
            try:
                await working
                log.error("worker_ended", begins_again_in_s=pause_s)
            except asyncio.CancelledError:
                return
            except Exception as error:  # noqa: BLE001 - a worker that gives up would leave every job undone
                log.warning("worker_interrupted", begins_again_in_s=pause_s, because=_first_line(error))
            if self._loop.time() - began > _LONGEST_PAUSE_S:
                pause_s = _FIRST_PAUSE_S
            try:
                await asyncio.wait_for(self._woken.wait(), pause_s)
            except TimeoutError:
                pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)

    async def _work(self) -> None:
        tools = await asyncio.to_thread(self._open)
        try:
            app = App(connector=connector(self._service_url))
            queues = register(app, TASKS, tools)
            async with app.open_async():
                await self._take_care_soon(app, queues)
                await app.run_worker_async(
                    queues=queues,
                    concurrency=TOGETHER,
                    install_signal_handlers=False,
                    delete_jobs="successful",
                )
        finally:
            await asyncio.to_thread(_close, tools)

    def _open(self) -> Tools:
        database = Database(connect_engine(self._service_url, role=SERVICE_ROLE, pool_size=TOGETHER))
        owner: Engine | None = connect_engine(self._owner_url, pool_size=2)
        assert owner is not None
        try:
            with translated():
                owns = retention.owns_the_record(owner)
        except DomainError:
            owner.dispose()
            database.close()
            raise
        if not owns:
            owner.dispose()
            owner = None
            log.warning(
                "caretaking_skipped",
                because="only the service's own login is known; set HEAPLEDGER_OWNER_URL for one worker",
            )
        return Tools(database, owner, self._stopping, self._settings)

    @staticmethod
    async def _take_care_soon(app: App, queues: list[str]) -> None:
        if CARETAKING not in queues:
            return
        try:
            asked = app.configure_task(
                caretaking.CARETAKE,
                allow_unknown=False,
                queueing_lock=caretaking.CARETAKE,
                lock=caretaking.CARETAKE,
                schedule_in={"seconds": _SETTLE_S},
            )
            await asked.defer_async()
        except AlreadyEnqueued:
            pass


def _close(tools: Tools) -> None:
    tools.database.close()
    if tools.owner is not None:
        tools.owner.dispose()


def _first_line(error: BaseException) -> str:
    return f"{type(error).__name__}: {error.__cause__ or error}".splitlines()[0]


def connector(url: str) -> PsycopgConnector:
    """Return the queue's own way to the record, as the service's role."""
    plain = make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)

    async def prepare(connection: psycopg.AsyncConnection[Any]) -> None:
        # The one that listens commits each statement by itself, the others do not: leave each as it was.
        was = connection.autocommit
        await connection.set_autocommit(True)
        await connection.execute(f"set role {SERVICE_ROLE}")
        await connection.execute("set timezone = 'UTC'")
        await connection.set_autocommit(was)

    return PsycopgConnector(
        conninfo=plain, kwargs={"connect_timeout": 5}, configure=prepare, min_size=1, max_size=TOGETHER + 2
    )


@contextmanager
def working(service_url: str, owner_url: str, settings: Settings) -> Iterator[Worker]:
    """Run a worker for a while."""
    worker = Worker(service_url, owner_url, settings)
    worker.start()
    try:
        yield worker
    finally:
        worker.stop()
