"""A general-purpose time-series store beside the service: Debian's InfluxDB 1.x over its own HTTP, each write synced.

It overwrites a repeated point in silence and checks no authority; the service refuses duplicates through its key and
keeps who sent what. Debian's version is years old: a ratio to it is a ratio to that version.
"""

import shutil
import statistics
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx

from tests import live
from tests.benchmarks import load
from tests.benchmarks.ingest import SHAPES, clients, enough
from tests.benchmarks.measure import spread

_CONFIG = """
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  wal-fsync-delay = "0s"
  query-log-enabled = false
[monitor]
  store-enabled = false
[http]
  bind-address = "127.0.0.1:{port}"
  log-enabled = false
"""


@contextmanager
def _store(folder: Path) -> Iterator[int]:
    folder.mkdir()
    port = live.free_port()
    config = folder / "config"
    config.write_text(_CONFIG.format(folder=folder, port=port, rpc=live.free_port()))
    process = subprocess.Popen(
        ["influxd", "-config", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        for _ in range(200):
            try:
                httpx.get(f"http://127.0.0.1:{port}/ping").raise_for_status()
                break
            except httpx.HTTPError:
                time.sleep(0.1)
        httpx.post(f"http://127.0.0.1:{port}/query", data={"q": "create database bench"}).raise_for_status()
        yield port
    finally:
        process.kill()
        process.wait()


def _points(serials: list[str], batch: int, start_s: int) -> Iterator[bytes]:
    """Yield the readings of :func:`load.bags` in the store's line form."""
    second = start_s
    while True:
        lines = []
        for number in range(batch):
            if number and number % len(serials) == 0:
                second += 1
            value = 40 + (second * 7 + number) % 300 / 10
            lines.append(f"temperature,probe={serials[number % len(serials)]} value={value} {second}")
        second += 1
        yield "\n".join(lines).encode()


def _request(body: bytes) -> bytes:
    head = (
        f"POST /write?db=bench&precision=s HTTP/1.1\r\nhost: localhost\r\ncontent-length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


def compare(folder: Path, ours: dict[tuple[int, int], float], windows: int, seconds: float) -> None:
    """Print the store's rates and ours beside them."""
    if shutil.which("influxd") is None:
        print("no influxd here (Debian package influxdb): the store is not measured")
        return
    print(f"{'readings':>9} {'clients':>7} {'InfluxDB 1.x readings/s':>28} {'ours/theirs':>12}")
    start_s, acknowledged = 1_700_000_000, 0
    with _store(folder / "influx") as port:
        for batch, count in SHAPES:
            rates = []
            for _ in range(windows):
                prepared = clients(batch, count, start_s, enough(batch, count, seconds), _points, _request)
                window = load.run(port, prepared, seconds, good=b"HTTP/1.1 204")
                assert window.bad == 0
                start_s += 200_000
                acknowledged += window.requests * batch
                rates.append(window.requests * batch / window.seconds)
            median = statistics.median(rates)
            print(
                f"{batch:>9} {count:>7} {spread(rates):>28} {ours[batch, count] / median:>12.2f}", flush=True
            )
        answer = httpx.get(
            f"http://127.0.0.1:{port}/query",
            params={"db": "bench", "q": "select count(value) from temperature"},
            timeout=600,
        )
        stored = answer.json()["results"][0]["series"][0]["values"][0][1]
    print(f"acknowledged {acknowledged:,}, stored {stored:,}")
