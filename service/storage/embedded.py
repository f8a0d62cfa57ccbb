"""A real PostgreSQL kept in the data folder, for whoever has no ``DATABASE_URL``.

In the data folder stand ``postgres`` (the cluster), ``postgres.log`` and three files that are only locked:

- ``postgres.door`` is held while a server is being started or stopped, so that no two processes do so at once;
- ``postgres.users`` is shared by everybody who uses the server; whoever can have it alone is the last one out;
- ``postgres.alive`` is locked by the server itself: it inherits the open file, so the lock stands exactly as
  long as any process of it lives. That is what tells a dead server from a living one. Process numbers cannot:
  one killed but not yet reaped still has its number, a number is given out again, and another container that
  shares the folder counts its own. The file's text is the folder of the server's socket.

The kernel drops all three with the process, ``kill -9`` included, so there is nothing to repair afterwards.

Needs Unix; tested on Linux. Where there is no ``/proc`` (macOS) the number in ``postmaster.pid`` is believed.
"""

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import psycopg

from service.storage.embedded_cluster import DATABASE, OWNER, Cluster, closing
from service.storage.embedded_logins import Login, Logins
from service.storage.embedded_programs import REMEDY, EmbeddedServerError

if sys.platform != "win32":
    import fcntl

__all__ = ["EmbeddedServer", "EmbeddedServerError", "Login", "Logins"]

SERVICE = "heapledger"
SERVICE_GROUP = "heapledger_service"

_PAUSE_S = 0.01

# Started by this process; kept so that a server that ended is reaped, whichever object started it.
_children: "list[subprocess.Popen[bytes]]" = []


class _LetsNobodyIn(EmbeddedServerError):
    """It lives, but does not answer."""


class EmbeddedServer:
    """PostgreSQL on a data folder, shared by all who name the same folder.

    Parameters
    ----------
    data_dir
        Ours alone; made if missing.
    shared_buffers_mb
        Cache of the server [MB]; without effect if it already runs.
    durable
        Whether a commit waits for the disk. False is for tests.
    patience_s
        How long to wait for a server to come up or go down [s].

    Notes
    -----
    Stop it with :meth:`stop` or ``with``; a process that dies instead leaves the server running, and the next
    one on the folder takes it over. One object is for one thread.
    """

    def __init__(
        self, data_dir: Path, *, shared_buffers_mb: int = 128, durable: bool = True, patience_s: float = 120.0
    ) -> None:
        self.data_dir = data_dir.resolve()
        self._durable = durable
        self._patience_s = patience_s
        self._cluster = Cluster(self.data_dir, shared_buffers_mb, durable, patience_s)
        self._use: int | None = None

    def __enter__(self) -> Logins:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()

    def start(self) -> Logins:
        """Bring the server up, or join the one that runs; again after it died, bring it up again.

        Whoever joined stays joined if that fails, so that the ways in it was given hold as soon as it succeeds.

        Raises
        ------
        EmbeddedServerError
            With the reason, the last lines of the log and the remedy.
        """
        if sys.platform == "win32":
            raise EmbeddedServerError(
                "the embedded server needs Unix; set DATABASE_URL to a PostgreSQL server"
            )
        with self._naming_the_folder():
            self.data_dir.mkdir(parents=True, exist_ok=True)
            with self._door():
                return self._enter()

    def stop(self) -> None:
        """Leave the server; the last one out shuts it down and waits until it is gone.

        Raises
        ------
        EmbeddedServerError
            It did not go down in time.
        """
        if self._use is not None:
            with self._naming_the_folder(), self._door():
                self._leave()

    def has_died(self) -> bool:
        """Whether no process of the server lives; somebody may be about to start it."""
        alive = self._lock_alive()
        if alive is not None:
            os.close(alive)
        return alive is not None

    # Everything below runs behind the door, in one process at a time.

    def _enter(self) -> Logins:
        _reap()
        was_in = self._use is not None
        if self._use is None:
            self._use = self._cluster.open(self.data_dir / "postgres.users")
            fcntl.flock(self._use, fcntl.LOCK_SH)  # never waits: had alone only by whoever is behind the door
        try:
            with self._come_up() as connection:
                self._refuse_weaker(connection)
                _furnish(connection)
                folder = Path(connection.info.host)
        except BaseException as error:
            if not was_in:
                # A long recovery would never end if each start broke it off.
                self._leave(shut_down=not isinstance(error, _LetsNobodyIn))
            if isinstance(error, psycopg.Error):
                raise EmbeddedServerError(
                    f"PostgreSQL broke off while its roles and database were made: {error}\n"
                    f"{self._cluster.log_tail()}"
                ) from error
            raise
        return Logins(Login(OWNER, folder), Login(SERVICE, folder))

    def _leave(self, *, shut_down: bool = True) -> None:
        use, self._use = self._use, None
        if use is None:
            return
        with closing(use):
            alone = _locked(use)
            fcntl.flock(use, fcntl.LOCK_UN)  # closing is not enough: a forked child may share the open file
            if alone and shut_down:
                self._shut_down()

    def _come_up(self) -> "psycopg.Connection[tuple[Any, ...]]":
        """Start the server unless one lives, and wait until it lets us in."""
        launched = False
        refusal = "no answer yet"
        for _ in self._waiting():
            if (alive := self._lock_alive()) is not None:
                with closing(alive):
                    if launched:
                        raise EmbeddedServerError(
                            f"PostgreSQL gave up while starting.\n{self._cluster.log_tail()}"
                        )
                    _children.append(self._cluster.launch(alive))
                    launched = True
            try:
                if (folder := self._cluster.socket_folder()) is not None:
                    return psycopg.connect(
                        Login(OWNER, folder, "postgres").conninfo, autocommit=True, connect_timeout=5
                    )
            except psycopg.OperationalError as error:
                refusal = str(error).strip()
            if "authentication failed" in refusal:
                break
        raise _LetsNobodyIn(
            f"a PostgreSQL server on {self._cluster.folder} lives but does not let us in: {refusal}. If it still "
            "recovers, start again later: it goes on and will be taken over. If another machine or container uses "
            f"the folder, stop it there. Otherwise `kill -INT {self._cluster.postmaster() or '<its process>'}` and "
            f"start again.\n{self._cluster.log_tail()}"
        )

    def _shut_down(self) -> None:
        asked: int | None = None
        for _ in self._waiting():
            if (alive := self._lock_alive()) is not None:
                with closing(alive):
                    self._cluster.drop_socket_folder()
                    _reap(asked)
                return
            postmaster = self._cluster.postmaster()
            if postmaster is not None and postmaster != asked:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(postmaster, signal.SIGINT)  # fast: ends sessions, writes a checkpoint
                asked = postmaster
        raise EmbeddedServerError(
            f"PostgreSQL on {self._cluster.folder} (process {asked or 'unknown'}) did not end within "
            f"{self._patience_s:g} s; what was committed is safe.\n{self._cluster.log_tail()}"
        )

    def _refuse_weaker(self, connection: "psycopg.Connection[tuple[Any, ...]]") -> None:
        if self._durable and connection.execute("SHOW fsync").fetchone() != ("on",):
            raise EmbeddedServerError(
                f"the PostgreSQL server that runs on {self._cluster.folder} was started with durable=False and may "
                "lose commits; stop whoever uses it and start again"
            )

    @contextlib.contextmanager
    def _naming_the_folder(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise EmbeddedServerError(
                f"cannot use the data folder {self.data_dir}: {error}; {REMEDY}"
            ) from error

    @contextlib.contextmanager
    def _door(self) -> Iterator[None]:
        with closing(self._cluster.open(self.data_dir / "postgres.door")) as door:
            if not any(_locked(door) for _ in self._waiting()):
                raise EmbeddedServerError(
                    f"another process has been starting or stopping PostgreSQL in {self.data_dir} for more than "
                    f"{self._patience_s:g} s; try again, or end that process"
                )
            try:
                yield
            finally:
                fcntl.flock(door, fcntl.LOCK_UN)

    def _lock_alive(self) -> int | None:
        """Lock the server's file if no process of a server has it; the caller closes what it gets."""
        alive = self._cluster.open(self._cluster.alive)
        if _locked(alive):
            return alive
        os.close(alive)
        return None

    def _waiting(self) -> Iterator[None]:
        until = time.monotonic() + self._patience_s
        yield
        while time.monotonic() < until:
            time.sleep(_PAUSE_S)
            yield


def _locked(descriptor: int) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _reap(ending: int | None = None) -> None:
    """Take leave of servers of ours that ended; ``ending`` has let go of its files and is about to."""
    for child in list(_children):
        if child.pid == ending:
            child.wait()
        if child.poll() is not None:
            _children.remove(child)


def _furnish(connection: "psycopg.Connection[tuple[Any, ...]]") -> None:
    """Make the roles and the database a fresh cluster lacks; any step may have been cut short last time."""
    # A killed process is no longer behind the door, but its session may still be making the database.
    connection.execute("SELECT pg_advisory_lock(hashtext('furnish'))")
    roles = {name for (name,) in connection.execute("SELECT rolname FROM pg_roles")}
    if SERVICE_GROUP not in roles:
        connection.execute(f"CREATE ROLE {SERVICE_GROUP} NOLOGIN NOSUPERUSER NOBYPASSRLS")
    if SERVICE not in roles:
        connection.execute(f"CREATE ROLE {SERVICE} LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOBYPASSRLS")
    connection.execute(f"GRANT {SERVICE_GROUP} TO {SERVICE}")
    if (DATABASE,) not in connection.execute("SELECT datname FROM pg_database").fetchall():
        connection.execute(f"CREATE DATABASE {DATABASE} TEMPLATE template0 ENCODING 'UTF8'")
