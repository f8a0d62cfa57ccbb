"""A link in simulated time that fails in every way, before the real service."""

import gzip
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import httpx

from tests.examples.world import World

ANSWER_TIMEOUT_S = 30
GOOD, LOST, LATE, ANSWER_CUT, SLOW, ANSWER_LATE, TWICE = (
    "good",
    "lost",
    "late",
    "cut",
    "slow",
    "sleepy",
    "twice",
)
BAD_GATEWAY, KEPT_BUT_502, TOO_MANY, BUSY, PORTAL, JSON_PORTAL, MOVED = (
    "502", "kept502", "429", "503", "portal", "jsonportal", "302",
)  # fmt: skip
FAULTS = (
    LOST, LATE, ANSWER_CUT, SLOW, ANSWER_LATE, TWICE, BAD_GATEWAY, KEPT_BUT_502, TOO_MANY, BUSY, PORTAL, JSON_PORTAL,
    MOVED,
)  # fmt: skip


@dataclass
class Link(httpx.BaseTransport):
    """The way to the real service: through it come real requests and answers, when they come.

    The service lives in real time. So each pack's ``sent_at`` is moved to be as long ago there as it is here.
    """

    world: World
    url: str
    fate: Callable[[], str]
    down: tuple[datetime, datetime] | None = None
    met: dict[str, int] = field(default_factory=dict)
    late: list[tuple[datetime, httpx.Request]] = field(default_factory=list)
    open_body: bytes | None = None
    is_busy: bool = False

    def __post_init__(self) -> None:
        self._real = httpx.HTTPTransport()
        self.world.on_time = self.deliver_late

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        assert not self.is_busy, "one request in flight"
        self.is_busy = True
        try:
            return self._carried(request)
        finally:
            self.is_busy = False

    def _carried(self, request: httpx.Request) -> httpx.Response:
        body = request.read()
        self.world.step()
        if self.down is not None and self.down[0] <= self.world.true < self.down[1]:
            self._meet("down")
            self.world.advance(10)
            raise httpx.ConnectTimeout("no way")
        assert self.open_body in {None, body}, "a pack whose fate is open is sent again with the same bytes"
        self.open_body = body
        answer = self._fated(request, self._meet(self.fate()))
        self.world.step()
        if "received" in answer.text:
            self.open_body = None
        return answer

    def _fated(self, request: httpx.Request, fate: str) -> httpx.Response:
        html = {"Content-Type": "text/html"}
        if fate in {TOO_MANY, BUSY, BAD_GATEWAY, PORTAL, JSON_PORTAL, MOVED}:
            wait = {"Retry-After": "20"}
            date = {"Retry-After": "Wed, 21 Oct 2026 07:28:00 GMT"}
            return {
                TOO_MANY: httpx.Response(429, json={"detail": "too many"}, headers=wait),
                BUSY: httpx.Response(503, text="busy", headers=html | date),
                BAD_GATEWAY: httpx.Response(502, text="<h1>Bad gateway</h1>", headers=html),
                PORTAL: httpx.Response(200, text="<h1>Please log in</h1>", headers=html),
                JSON_PORTAL: httpx.Response(200, json={"status": "ok"}),
                MOVED: httpx.Response(302, headers={"Location": "http://portal.invalid/"}),
            }[fate]
        if fate == LATE:
            due = self.world.true + timedelta(seconds=self.world.random.uniform(30, 7200))
            self.late.append((due, request))
        if fate in {LOST, LATE}:
            self.world.advance(ANSWER_TIMEOUT_S)
            raise httpx.ReadTimeout("no answer")
        self.world.advance(self.world.random.uniform(1, 25) if fate == SLOW else 0.2)
        answer = self.forward(request)
        self.world.step()
        if fate == TWICE:
            answer = self.forward(request)
        if fate == ANSWER_CUT:
            raise httpx.RemoteProtocolError("peer closed connection without sending complete message body")
        if fate == ANSWER_LATE:
            self.world.advance(ANSWER_TIMEOUT_S)
            raise httpx.ReadTimeout("no answer")
        if fate == KEPT_BUT_502:
            return httpx.Response(502, text="<h1>Bad gateway</h1>", headers=html)
        return answer

    def forward(self, request: httpx.Request) -> httpx.Response:
        """Hand a request to the service; what it answers with success is on disk there."""
        bag = json.loads(gzip.decompress(request.content))
        if "sent_at" in bag:
            on_the_way = self.world.true - datetime.fromisoformat(bag["sent_at"])
            bag["sent_at"] = (datetime.now(UTC) - on_the_way).isoformat()
        headers = {
            name: request.headers[name] for name in ("Authorization", "Content-Type", "Content-Encoding")
        }
        moved = httpx.Request(
            "POST",
            f"{self.url}/v1/readings",
            headers=headers,
            content=gzip.compress(json.dumps(bag).encode()),
            extensions={"timeout": httpx.Timeout(60).as_dict()},
        )
        answer = self._real.handle_request(moved)
        text = answer.read()
        answer.close()
        assert answer.status_code in {200, 207}, text
        return httpx.Response(answer.status_code, content=text, headers={"Content-Type": "application/json"})

    def deliver_late(self, *, all_of_it: bool = False) -> None:
        """Deliver what was held up on its way, long after its sender has given it up."""
        due = [item for item in self.late if all_of_it or item[0] <= self.world.true]
        self.late = [item for item in self.late if item not in due]
        for _, request in due:
            self.forward(request)

    def close(self) -> None:
        self._real.close()

    def _meet(self, fate: str) -> str:
        self.met[fate] = self.met.get(fate, 0) + 1
        return fate
