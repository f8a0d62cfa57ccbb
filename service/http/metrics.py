"""Counters for whoever runs the service, in Prometheus text form."""

import time
from functools import lru_cache
from typing import Final

from prometheus_client import Counter, Histogram
from starlette.types import ASGIApp, Message, Receive, Scope, Send

REQUESTS: Final = Counter("heapledger_requests_total", "Requests answered.", ["route", "method", "status"])
SECONDS: Final = Histogram("heapledger_request_seconds", "Time to answer [s].", ["route"])
READINGS: Final = Counter("heapledger_readings_total", "Readings by what became of them.", ["outcome"])


def measured(app: ASGIApp) -> ASGIApp:
    """Count each request under its route, not its path, so that ids do not multiply the series."""

    async def counting(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await app(scope, receive, send)
            return
        status = 500
        began = time.perf_counter()

        async def noting(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await app(scope, receive, noting)
        finally:
            route = getattr(scope.get("route"), "path", "unmatched")
            note(route, scope["method"], status, time.perf_counter() - began)

    return counting


def note(route: str, method: str, status: int, seconds: float) -> None:
    """Count one request."""
    count, time_taken = _series(route, method, status)
    count.inc()
    time_taken.observe(seconds)


@lru_cache(4096)
def _series(route: str, method: str, status: int) -> tuple[Counter, Histogram]:
    """Return a route's own series; finding them costs more than counting."""
    return REQUESTS.labels(route, method, str(status)), SECONDS.labels(route)


@lru_cache(16)
def outcome(name: str) -> Counter:
    """Return the series of one outcome of readings."""
    return READINGS.labels(name)
