"""The bridge in a process of its own, quickly: forked from a server that has imported it already."""

import multiprocessing
import os
import signal
import sys
from dataclasses import dataclass
from multiprocessing.context import ForkServerProcess
from pathlib import Path

from service.bridge import broker_of, run
from service.settings import Settings
from tests.bridge.broker import BRIDGE, PASSWORD

CONTEXT = multiprocessing.get_context("forkserver")
CONTEXT.set_forkserver_preload(["tests.bridge.child"])


@dataclass
class Bridge:
    """A running bridge."""

    process: ForkServerProcess
    log: Path

    def kill(self) -> None:
        """End it as a power cut would."""
        assert self.process.pid is not None
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.join(10)

    def stop(self) -> int | None:
        """Ask it to stop, as an operator would; return how it ended."""
        if self.process.is_alive():
            self.process.terminate()
        self.process.join(20)
        return self.process.exitcode


def start(port: int, service_url: str, log: Path, **settings: str) -> Bridge:
    """Start a bridge."""
    chosen = {
        "broker_url": f"mqtt://{BRIDGE}@127.0.0.1:{port}",
        "broker_password": PASSWORD,
        "database_url": service_url,
        **settings,
    }
    log.touch()
    process = CONTEXT.Process(target=_bridge, args=(chosen, str(log)), daemon=True)
    process.start()
    return Bridge(process, log)


def _bridge(chosen: dict[str, str], log: str) -> None:
    with Path(log).open("a", buffering=1) as file:
        sys.stdout = sys.stderr = file
        if "trusted" in chosen:
            os.environ["SSL_CERT_FILE"] = chosen.pop("trusted")
        settings = Settings(**chosen)  # type: ignore[arg-type]
        assert settings.database_url is not None
        run(settings, broker_of(settings), settings.database_url.get_secret_value())
