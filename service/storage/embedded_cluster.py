"""The embedded PostgreSQL's cluster on disk: how it is made, set, started and found in the process list."""

import contextlib
import os
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from service.storage.embedded_programs import (
    Account,
    EmbeddedServerError,
    Programs,
    account_for,
    account_name,
    reach,
)

DATABASE = "heapledger"
OWNER = "heapledger_owner"
PORT = 5432  # no port is opened; the number is part of the socket's name

_SOCKET_PREFIX = "heapledger-"
_LONGEST_SOCKET_PATH = 103  # bytes; macOS takes 103, Linux 107
_LOG_TURNED_OVER_AT = 10_000_000  # bytes
_LOG_LINES_QUOTED = 12


@contextlib.contextmanager
def closing(descriptor: int) -> Iterator[int]:
    """Close an open file at the end of the block."""
    try:
        yield descriptor
    finally:
        os.close(descriptor)


@dataclass(frozen=True)
class Cluster:
    """A cluster in a data folder.

    Attributes
    ----------
    data_dir
        Resolved path of the data folder.
    shared_buffers_mb
        Cache of the server [MB].
    durable
        Whether a commit waits for the disk.
    patience_s
        How long ``initdb`` may take [s].
    """

    data_dir: Path
    shared_buffers_mb: int
    durable: bool
    patience_s: float

    @property
    def folder(self) -> Path:
        """PostgreSQL's own data directory."""
        return self.data_dir / "postgres"

    @property
    def alive(self) -> Path:
        """The file the server keeps locked; its text is the socket's folder."""
        return self.data_dir / "postgres.alive"

    def open(self, path: Path, flags: int = 0) -> int:
        """Open or make a file for the server's account; never through a link.

        As root we write into folders that somebody else may own, who must not lead us elsewhere.
        """
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | flags, 0o600)
        if os.geteuid() == 0:
            account = account_for(self.data_dir, self.folder)
            os.fchown(descriptor, account.uid, account.gid)
        return descriptor

    def launch(self, alive: int) -> "subprocess.Popen[bytes]":
        """Start the server, which inherits the lock ``alive``; its cluster is made first if there is none.

        Raises
        ------
        EmbeddedServerError
            The account cannot reach the programs or the folder, or ``initdb`` failed.
        """
        account = account_for(self.data_dir, self.folder)
        log_path = self.data_dir / "postgres.log"
        if log_path.exists() and log_path.stat().st_size > _LOG_TURNED_OVER_AT:
            log_path.replace(log_path.with_suffix(".log.1"))
        with closing(self.open(log_path, os.O_APPEND)) as log:
            programs = reach(self.data_dir, account, log)
            self._make(programs, log, alive)
            self._write_authentication(account)
            socket_folder = self._claim_socket_folder(account)
            _put(alive, os.fsencode(socket_folder))
            return programs.launch(
                "postgres",
                f"-D{self.folder}",
                *(f"--{name}={value}" for name, value in self._settings(socket_folder).items()),
                output=log,
                keep_open=(alive,),
                environment=self._disowned(),
            )

    def postmaster(self) -> int | None:
        """Process number of the live server, unless it is found to be another program's by now."""
        pid = self._recorded_pid()
        return None if pid is None or self._runs_here(pid) is False else pid

    def socket_folder(self) -> Path | None:
        """Folder of the socket of the server that runs, or ran last."""
        try:
            text = os.fsdecode(self.alive.read_bytes())
        except FileNotFoundError:
            return None
        return Path(text) if text.startswith("/") else None

    def drop_socket_folder(self) -> None:
        """Remove the socket's folder of a server that is gone."""
        folder = self.socket_folder()
        if folder is not None and _is_socket_folder(folder, account_for(self.data_dir, self.folder).uid):
            shutil.rmtree(folder, ignore_errors=True)

    def log_tail(self) -> str:
        """Last lines of the log, to be quoted in an error."""
        path = self.data_dir / "postgres.log"
        try:
            lines = path.read_text(errors="replace").splitlines()[-_LOG_LINES_QUOTED:]
        except OSError as error:
            return f"(its log could not be read: {error})"
        return "\n".join([f"The last lines of {path}:", *lines])

    def _make(self, programs: Programs, log: int, alive: int) -> None:
        """Make the cluster beside its place and move it there whole: half a cluster is never taken for one."""
        for leftover in self.data_dir.glob("postgres.new-*"):
            shutil.rmtree(leftover, ignore_errors=True)
        if (self.folder / "PG_VERSION").exists():
            return
        if self.folder.exists():
            raise EmbeddedServerError(
                f"{self.folder} is there but is no PostgreSQL cluster (it has no PG_VERSION); move it away"
            )
        fresh = Path(tempfile.mkdtemp(prefix="postgres.new-", dir=self.data_dir))
        _give(fresh, programs.account)
        initdb = programs.launch(
            "initdb",
            f"--pgdata={fresh}",
            f"--username={OWNER}",
            # The builtin locale sorts alike on every machine, and the programs were built without ICU.
            *("--encoding=UTF8", "--locale=C", "--locale-provider=builtin", "--builtin-locale=C.UTF-8"),
            *("--auth-local=peer", "--auth-host=reject"),
            *self._initdb_sync(),
            output=log,
            keep_open=(alive,),
        )
        try:
            if initdb.wait(self.patience_s) != 0:
                raise EmbeddedServerError(f"initdb could not make {self.folder}.\n{self.log_tail()}")
            fresh.rename(self.folder)
        except subprocess.TimeoutExpired:
            raise EmbeddedServerError(
                f"initdb did not make {self.folder} within {self.patience_s:g} s.\n{self.log_tail()}"
            ) from None
        finally:
            if initdb.poll() is None:
                os.killpg(initdb.pid, signal.SIGKILL)  # with the servers it runs for a moment
            initdb.wait()
            shutil.rmtree(fresh, ignore_errors=True)
        with closing(os.open(self.data_dir, os.O_RDONLY)) as parent:
            os.fsync(parent)

    def _initdb_sync(self) -> tuple[str, ...]:
        if not self.durable:
            return ("--no-sync",)
        # One call instead of a thousand: 2.5 s less where a disk takes 4 ms to confirm a write.
        return ("--sync-method=syncfs",) if sys.platform == "linux" else ()

    def _settings(self, socket_folder: Path) -> dict[str, str]:
        safe = "on" if self.durable else "off"
        return {
            "listen_addresses": "",
            "port": str(PORT),
            "unix_socket_directories": f'"{socket_folder}"',
            "unix_socket_permissions": "0700",
            "shared_buffers": f"{self.shared_buffers_mb}MB",
            "max_wal_size": "2GB",
            "jit": "off",
            "timezone": "UTC",
            "log_timezone": "UTC",
            "cluster_name": DATABASE,  # shown in the process list
            "fsync": safe,
            "synchronous_commit": safe,
            "full_page_writes": safe,
            # As for initdb: after a crash it is back in 0.2 s, not in 3 (measured on a busy disk).
            **({"recovery_init_sync_method": "syncfs"} if sys.platform == "linux" else {}),
        }

    def _write_authentication(self, account: Account) -> None:
        """Let in root, ourselves and the server's own account, under any role, and nobody else.

        The socket's folder is closed to others already. But ``nobody`` is shared by whatever else runs as
        nobody, and our superuser may read files (through ``setpriv`` any file), so it is not let in.
        """
        names = {account_name(0), account_name(os.geteuid()), account.name} - {""}
        if os.geteuid() == 0:
            names.discard("nobody")
        users = "".join(f'service "{name}" all\n' for name in sorted(names))
        for file, text in (("pg_hba.conf", "local all all peer map=service\n"), ("pg_ident.conf", users)):
            with closing(self.open(self.folder / file)) as descriptor:
                _put(descriptor, text.encode())

    def _claim_socket_folder(self, account: Account) -> Path:
        """Take the last server's folder again, so that who still knows it finds the new one; else make one.

        Not in the data folder: the path of a socket may have about a hundred bytes. Not in
        ``XDG_RUNTIME_DIR``: it goes when its user logs out, and a root service's other account cannot enter it.
        """
        last = self.socket_folder()
        if last is not None and _is_socket_folder(last, account.uid):
            return last
        parent = next(iter(_socket_parents()), None)
        if parent is None:
            raise EmbeddedServerError(
                "neither /tmp nor TMPDIR can be written; PostgreSQL's socket needs one of them"
            )
        folder = Path(tempfile.mkdtemp(prefix=_SOCKET_PREFIX, dir=parent))
        _give(folder, account)
        if len(os.fsencode(folder / f".s.PGSQL.{PORT}")) > _LONGEST_SOCKET_PATH:
            folder.rmdir()
            raise EmbeddedServerError(
                f"{parent} is too long a path for a socket; set TMPDIR to a shorter one"
            )
        return folder

    def _disowned(self) -> dict[str, str]:
        """Make PostgreSQL see that ``postmaster.pid`` is stale where the number in it still, or again, exists.

        A killed process keeps its number until it is reaped, which an init process in a container may never
        do. PostgreSQL ignores its own ancestors' numbers, and takes a grandparent's from this variable, which
        pg_ctl sets; its check for leftover shared memory stays on, unlike when the file is deleted.
        """
        pid = self._recorded_pid()
        return {"PG_GRANDPARENT_PID": str(pid)} if pid is not None and self._runs_here(pid) is False else {}

    def _recorded_pid(self) -> int | None:
        try:
            pid = abs(int((self.folder / "postmaster.pid").read_text().split("\n", 1)[0]))
        except (OSError, ValueError):
            return None
        return pid if pid > 1 else None

    def _runs_here(self, pid: int) -> bool | None:
        """Whether a process lives and works in this cluster, as each of PostgreSQL's does; None: no telling.

        One that was killed and not yet reaped has no working folder any more.
        """
        if not Path("/proc/self/cwd").exists():
            return None
        try:
            return Path(f"/proc/{pid}/cwd").samefile(self.folder)
        except PermissionError:
            return None
        except OSError:
            return False


def _give(folder: Path, account: Account) -> None:
    if os.geteuid() == 0:
        os.chown(folder, account.uid, account.gid)


def _put(descriptor: int, text: bytes) -> None:
    """Write a small file unless it reads so already: on a full disk, what was emptied cannot be written again."""
    if os.pread(descriptor, len(text) + 1, 0) != text:
        os.pwrite(descriptor, text, 0)
        os.ftruncate(descriptor, len(text))


def _socket_parents() -> list[Path]:
    places = [Path("/tmp"), Path(tempfile.gettempdir())]  # noqa: S108 - a 0700 folder is made in it
    return [place for place in places if place.is_dir() and os.access(place, os.W_OK | os.X_OK)]


def _is_socket_folder(folder: Path, uid: int) -> bool:
    """Whether a recorded path still is the folder we made, and not what somebody put in its place."""
    try:
        status = folder.lstat()
    except OSError:
        return False
    named = folder.name.startswith(_SOCKET_PREFIX) and folder.parent in _socket_parents()
    return named and stat.S_ISDIR(status.st_mode) and status.st_uid == uid and not status.st_mode & 0o077
