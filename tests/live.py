"""The service as its own process, for tests that need real HTTP or a real crash."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

TOP = Path(__file__).parents[1]


def free_port() -> int:
    """Return a port nobody listens on just now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass
class Served:
    """A running service."""

    base_url: str
    process: subprocess.Popen[bytes]

    def kill(self) -> None:
        """End it as a power cut would."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()


def start(
    environment: dict[str, str], *arguments: str, port: int | None = None, within_s: float = 60
) -> Served:
    """Start ``heapledger serve`` and wait until it is ready."""
    port = port or free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "service", "serve", "--port", str(port), *arguments],
        env={**os.environ, "HEAPLEDGER_KEY_CACHE_S": "0", "HEAPLEDGER_POSTS_PER_MINUTE": "0", **environment},
        cwd=TOP,
        start_new_session=True,
        stdout=subprocess.DEVNULL,
    )
    served = Served(f"http://127.0.0.1:{port}", process)
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        if process.poll() is not None:
            raise AssertionError(f"the service ended with {process.returncode} while starting")
        try:
            if httpx.get(f"{served.base_url}/readyz", timeout=1).status_code == 200:
                return served
        except httpx.TransportError:
            pass
        time.sleep(0.05)
    served.kill()
    raise AssertionError("the service did not become ready")


@contextmanager
def serving(environment: dict[str, str], *arguments: str, port: int | None = None) -> Iterator[Served]:
    """Serve for a while, then stop as an operator would."""
    served = start(environment, *arguments, port=port)
    try:
        yield served
    finally:
        if served.process.poll() is None:
            served.process.terminate()
            try:
                served.process.wait(30)
            except subprocess.TimeoutExpired:
                served.kill()
                raise
