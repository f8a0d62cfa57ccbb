"""PostgreSQL servers of a test's own, to be killed and starved."""

import os
import shutil
import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from service.storage.embedded import EmbeddedServer, Logins
from service.storage.migrating import migrate
from tests.conftest import Urls


@contextmanager
def a_folder() -> Iterator[Path]:
    """Make a folder that the account of the server may enter."""
    folder = Path(tempfile.mkdtemp(prefix="hl-"))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        end_all_below(folder)
        shutil.rmtree(folder)


@contextmanager
def server_in(folder: Path | None) -> Iterator[tuple[EmbeddedServer, Urls]]:
    """Run a durable server with a migrated record."""
    with a_folder() as made:
        server = EmbeddedServer((folder or made) / "data", durable=True)
        try:
            urls = urls_of(server.start())
            migrate(urls.owner)
            yield server, urls
        finally:
            server.stop()


def urls_of(logins: Logins) -> Urls:
    return Urls(logins.owner.url, logins.service.url)


def urls_in(data_dir: Path) -> Urls:
    """Return the ways into a server that somebody keeps already."""
    server = EmbeddedServer(data_dir)
    urls = urls_of(server.start())
    server.stop()  # it goes on
    return urls


def processes_of(server: EmbeddedServer) -> list[int]:
    """Return every process that works in the server's folder."""
    return processes_below(server.data_dir / "postgres")


def processes_below(folder: Path) -> list[int]:
    """Return every process that works in a folder or below."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with suppress(OSError):
                if (entry / "cwd").readlink().is_relative_to(folder):
                    found.append(int(entry.name))
    return found


def end_all_below(folder: Path) -> None:
    """Leave no server behind, also where a test broke off."""
    while found := processes_below(folder):
        for pid in found:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        time.sleep(0.01)


def kill_all_of(server: EmbeddedServer) -> None:
    """End a server as a power cut would, all its processes at once."""
    found = processes_of(server)
    assert found
    for pid in found:
        with suppress(ProcessLookupError):  # ended by itself meanwhile
            os.kill(pid, signal.SIGKILL)
