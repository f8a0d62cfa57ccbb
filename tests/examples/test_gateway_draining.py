"""What the example gateway does with every answer it may get, or not get."""

import gzip
import json
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import gateway
import httpx
import pytest
from reading_buffer import BAG, Buffer

from tests.examples.clock import NOW, Clock, reading


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def buffer(clock: Clock, tmp_path: Path) -> Buffer:
    return clock.buffer(tmp_path / "buffer.db")


def kept(bag: dict[str, Any], **counts: Any) -> httpx.Response:
    receipt = {"received": len(bag["readings"]), "refused": [], "refused_count": 0}
    return httpx.Response(207 if counts else 200, json=receipt | counts)


def drained(buffer: Buffer, clock: Clock, *answers: Any) -> list[bytes]:
    """Drain against these answers, and after them against a service that keeps everything; return what was sent."""
    script, sent = iter(answers), list[bytes]()

    def handle(request: httpx.Request) -> httpx.Response:
        sent.append(request.content)
        clock.pass_by(0)
        answer = next(script, kept)
        if isinstance(answer, Exception):
            raise answer
        return (
            answer
            if isinstance(answer, httpx.Response)
            else answer(json.loads(gzip.decompress(request.content)))
        )

    with httpx.Client(transport=httpx.MockTransport(handle), base_url="http://x") as client:
        gateway.drain(buffer, client, clock.pass_by)
    return sent


def values(body: bytes) -> list[float]:
    return [one["value"] for one in json.loads(gzip.decompress(body))["readings"]]


HTML = httpx.Response(502, text="<h1>Bad gateway</h1>")
BUSY = httpx.Response(503, json={"detail": "busy"})


@pytest.mark.parametrize(
    "answer",
    [
        httpx.ReadTimeout("late"), httpx.RemoteProtocolError("cut"), httpx.ReadError("reset"), HTML, BUSY,
        httpx.Response(408, json={"detail": "slow"}), httpx.Response(425, json={"detail": "early"}),
        httpx.Response(429, json={"detail": "often"}), httpx.Response(200, text="<h1>log in</h1>"),
        httpx.Response(200, json={"received": 1, "refused": []}), httpx.Response(204), httpx.Response(302),
        httpx.Response(200, json=["received"]), httpx.Response(404, text="<h1>no such page</h1>"),
        httpx.Response(400, text="<h1>cookie missing</h1>"), httpx.Response(511, text="log in"),
    ],
)  # fmt: skip
def test_only_an_answer_of_the_service_settles_a_pack(buffer: Buffer, clock: Clock, answer: Any) -> None:
    for number in range(3):
        buffer.record(reading(number))
    first, second, *more = drained(buffer, clock, answer)
    assert first == second, "the same bytes, though the clock went on"
    assert more == []
    assert buffer.waiting() == 0


def test_a_pack_that_never_left_is_made_anew(buffer: Buffer, clock: Clock) -> None:
    """What was said of the clock before an outage would look, after it, like a clock that is hours behind."""
    buffer.record(reading(0))
    clock_then = clock.shown
    sent = drained(
        buffer, clock, httpx.ConnectError("no"), httpx.ConnectTimeout("no"), HTML, httpx.ConnectError("no")
    )
    bags = [json.loads(gzip.decompress(body)) for body in sent]
    assert datetime.fromisoformat(bags[0]["sent_at"]) == clock_then
    assert len({bag["sent_at"] for bag in bags[:3]}) == 3
    assert sent[2] == sent[3] == sent[4], "from the first that may have arrived"


def test_oldest_first_a_hundred_at_a_time(buffer: Buffer, clock: Clock) -> None:
    for number in range(250):
        at = (NOW - timedelta(minutes=(number * 7) % 250)).isoformat()
        buffer.record(reading(number, observed_at=at))
    sent = [json.loads(gzip.decompress(body))["readings"] for body in drained(buffer, clock)]
    assert [len(bag) for bag in sent] == [BAG, BAG, 50]
    times = [one["observed_at"] for bag in sent for one in bag]
    assert times == sorted(times)


@pytest.mark.parametrize("status", [400, 413, 422])
def test_a_reading_that_spoils_its_pack_is_found_and_set_aside(
    buffer: Buffer, clock: Clock, status: int
) -> None:
    for number in range(BAG + 20):
        buffer.record(reading(number))
        clock.pass_by(60)
    spoilt = 20 + 37 / 10

    def service(bag: dict[str, Any]) -> httpx.Response:
        if any(one["value"] == spoilt for one in bag["readings"]):
            return httpx.Response(status, json={"detail": "no good"})
        return kept(bag)

    sent = drained(buffer, clock, *[service] * 40)
    (aside,) = buffer.set_aside()
    assert (aside["value"], aside["why"]) == (spoilt, f"{status}: no good")
    assert buffer.waiting() == 0
    assert len(sent) < 20, "halving, not one by one"
    assert len(set(sent)) == len(sent), "never the same again"


def test_a_proxys_413_halves_but_never_sets_aside(buffer: Buffer, clock: Clock) -> None:
    for number in range(4):
        buffer.record(reading(number))
    too_large = httpx.Response(413, text="<h1>too large</h1>")
    sent = drained(buffer, clock, too_large, too_large, too_large)
    assert [len(values(body)) for body in sent] == [4, 2, 1, 1, 1, 1, 1]
    assert buffer.set_aside() == []


def test_readings_refused_in_a_kept_pack_are_set_aside(buffer: Buffer, clock: Clock) -> None:
    for number in range(5):
        buffer.record(reading(number))
    refused = [{"index": 3, "detail": "unit furlong"}]
    drained(buffer, clock, lambda bag: kept(bag, refused=refused, refused_count=1))
    assert [(one["value"], one["why"]) for one in buffer.set_aside()] == [(20.3, "unit furlong")]
    assert buffer.waiting() == 0


@pytest.mark.parametrize("status", [401, 403, 404, 405, 409, 415])
def test_a_wrong_key_or_address_stops_and_loses_nothing(buffer: Buffer, clock: Clock, status: int) -> None:
    for number in range(BAG + 1):
        buffer.record(reading(number))
    with pytest.raises(SystemExit, match=f"{status}: who.*{BAG + 1} readings stay"):
        drained(buffer, clock, httpx.Response(status, json={"detail": "who?"}))
    assert buffer.set_aside() == []
    assert sum(len(values(body)) for body in drained(buffer, clock)) == BAG + 1


def test_pauses_grow_with_full_jitter_to_a_quarter_of_an_hour(buffer: Buffer, clock: Clock) -> None:
    buffer.record(reading(0))
    drained(buffer, clock, *[BUSY] * 400)
    pauses = [pause for pause in clock.slept if pause]
    assert all(pause <= 2**place for place, pause in enumerate(pauses[:10]))
    late = pauses[20:]
    assert max(late) <= 15 * 60
    assert max(late) > 800
    assert min(late) < 100


@pytest.mark.parametrize(
    ("asked", "at_least"),
    [
        ("20", 20),
        ("7200", 7200),
        ("9" * 400, 86400),
        ("-5", 0),
        ("soon", 0),
        ("Wed, 21 Oct 2026 07:28:00 GMT", 0),
    ],
)
def test_retry_after_is_kept_to(buffer: Buffer, clock: Clock, asked: str, at_least: float) -> None:
    """RFC 9110, section 10.2.3: seconds, or a date, for which the pause of our own stands in."""
    buffer.record(reading(0))
    drained(buffer, clock, httpx.Response(429, json={"detail": "x"}, headers={"Retry-After": asked}))
    (pause,) = [pause for pause in clock.slept if pause]
    assert at_least <= pause <= max(at_least, 1)
