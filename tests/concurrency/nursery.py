"""The service in a process of its own, quickly: forked from one that has imported it already.

Run as a program it is that one. It takes orders as lines of JSON and answers each with one number. Being their parent
it can say that a service is gone, and none of their numbers is given out again before it did.
"""

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from http.client import HTTPConnection, HTTPException
from pathlib import Path

from service import cli
from tests.live import TOP, free_port

LONGEST_STOP_S = 45


class Nursery:
    """Starts ``heapledger serve`` in a tenth of the time."""

    def __init__(self) -> None:
        self._parent = subprocess.Popen(
            [sys.executable, "-m", "tests.concurrency.nursery"],
            cwd=TOP,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def start(
        self, environment: dict[str, str], *arguments: str, port: int | None = None, log: Path | None = None
    ) -> "Forked":
        """Start a service without waiting for it."""
        port = port or free_port()
        pid = self.order(
            environment={
                "HEAPLEDGER_KEY_CACHE_S": "0",
                "HEAPLEDGER_POSTS_PER_MINUTE": "0",
                **environment,
            },
            arguments=["serve", "--port", str(port), *arguments],
            log=str(log or os.devnull),
        )
        return Forked(self, pid, port)

    @contextmanager
    def serving(
        self, environment: dict[str, str], *arguments: str, log: Path | None = None
    ) -> Iterator["Forked"]:
        """Serve for a while; at the end it must stop as it is told to."""
        served = self.start(environment, *arguments, log=log)
        try:
            yield served.wait_ready(120)
        except BaseException:
            served.kill()
            raise
        assert served.stop() == 0

    def order(self, **order: object) -> int:
        """Have something done, and return what it says."""
        assert self._parent.stdin is not None
        assert self._parent.stdout is not None
        self._parent.stdin.write(json.dumps(order) + "\n")
        self._parent.stdin.flush()
        return int(self._parent.stdout.readline())

    def close(self) -> None:
        """End every service that was started here."""
        assert self._parent.stdin is not None
        assert self._parent.stdout is not None
        self._parent.stdin.close()
        self._parent.wait(60)
        self._parent.stdout.close()


@dataclass
class Forked:
    """A service that runs, or did."""

    nursery: Nursery
    pid: int
    port: int

    @property
    def base_url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}"

    def wait_ready(self, within_s: float = 60) -> "Forked":
        """Wait until it is ready."""
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            with suppress(OSError, HTTPException), closing(HTTPConnection("127.0.0.1", self.port)) as wire:
                wire.request("GET", "/readyz")
                if wire.getresponse().status == 200:
                    return self
            time.sleep(0.01)
        raise AssertionError("the service did not become ready")

    def kill(self) -> None:
        """End it as a power cut would."""
        assert self.nursery.order(end=self.pid, by=signal.SIGKILL) == -signal.SIGKILL

    def stop(self) -> int:
        """Ask it to stop, as an operator would, wait, and return how it ended."""
        return self.nursery.order(end=self.pid, by=signal.SIGTERM)


def _serve(order: dict[str, object], arguments: list[str]) -> None:
    """Be the service, in the child."""
    os.setsid()
    log = os.open(str(order["log"]), os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, 0)
    os.dup2(log, 1)
    os.dup2(log, 2)
    os.environ.update(order["environment"])  # type: ignore[call-overload]
    sys.argv = ["heapledger", *arguments]
    cli.main()


def _end(child: int, by: int) -> int:
    """Send a signal, wait, and return how the child ended; one that goes on regardless is killed."""
    os.kill(child, by)
    until = time.monotonic() + LONGEST_STOP_S
    while True:
        gone, status = os.waitpid(child, os.WNOHANG)
        if gone:
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() > until:
            os.kill(child, signal.SIGKILL)
        time.sleep(0.002)


def main() -> None:
    """Take orders until there are no more, then end what is left."""
    children = set()
    for line in sys.stdin:
        order = json.loads(line)
        if "end" in order:
            said = _end(order["end"], order["by"])
            children.discard(order["end"])
        else:
            said = os.fork()
            if not said:
                _serve(order, order["arguments"])
                return
            children.add(said)
        print(said, flush=True)
    for child in children:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)


if __name__ == "__main__":
    main()
