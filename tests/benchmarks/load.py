"""A lean HTTP client for measuring: prebuilt requests over kept-alive sockets, each answer waited for."""

import asyncio
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field


@dataclass
class Window:
    """One measured stretch."""

    requests: int = 0
    seconds: float = 0.0
    latencies_s: list[float] = field(default_factory=list)
    bad: int = 0


def request_bytes(path: str, body: bytes, key: str) -> bytes:
    """Return a whole POST request."""
    head = (
        f"POST {path} HTTP/1.1\r\nhost: localhost\r\nauthorization: Bearer {key}\r\n"
        f"content-type: application/json\r\ncontent-length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


async def _client(
    port: int, requests: Iterator[bytes], until: Callable[[], bool], window: Window, good: bytes
) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", port)
    try:
        for request in requests:
            if until():
                return
            began = time.perf_counter()
            writer.write(request)
            head = await reader.readuntil(b"\r\n\r\n")
            _, told, length = head.lower().partition(b"content-length: ")
            if told:
                await reader.readexactly(int(length.split(b"\r\n")[0]))
            window.latencies_s.append(time.perf_counter() - began)
            window.requests += 1
            if not head.startswith(good):
                window.bad += 1
    finally:
        writer.close()


async def _window(port: int, clients: list[Iterator[bytes]], seconds: float, good: bytes) -> Window:
    window = Window()
    began = time.perf_counter()
    await asyncio.gather(
        *(_client(port, one, lambda: time.perf_counter() - began > seconds, window, good) for one in clients)
    )
    window.seconds = time.perf_counter() - began
    return window


def run(port: int, clients: list[Iterator[bytes]], seconds: float, good: bytes = b"HTTP/1.1 200") -> Window:
    """Post from every client at once for some seconds."""
    return asyncio.run(_window(port, clients, seconds, good))


def bags(probe_serials: list[str], batch: int, start_s: int) -> Iterator[bytes]:
    """Yield bags whose readings never repeat: time goes on, the probes of one client take turns."""
    second = start_s
    while True:
        readings = []
        for number in range(batch):
            serial = probe_serials[number % len(probe_serials)]
            if number and number % len(probe_serials) == 0:
                second += 1
            readings.append(
                {
                    "probe": serial,
                    "observed_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(second)),
                    "quantity": "temperature",
                    "value": 40 + (second * 7 + number) % 300 / 10,
                    "unit": "Cel",
                }
            )
        second += 1
        yield json.dumps({"readings": readings}).encode()
