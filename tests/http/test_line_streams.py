"""Readings one a line: streamed, committed as they come, resumed where they broke off."""

import http.client
import json
import os
import random
import time
from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit

import pytest

from tests import live
from tests.builders import a_probe, a_reading, at
from tests.conftest import Tenant, Urls

NDJSON = "application/x-ndjson"


def line(serial: str, number: int, **overrides: Any) -> bytes:
    return json.dumps(a_reading(serial, number / 60, 40 + number % 300 / 10) | overrides).encode() + b"\n"


def send(tenant: Tenant, body: bytes, path: str = "/v1/readings", **headers: str) -> Any:
    sent = {"Authorization": f"Bearer {tenant.key}", "Content-Type": NDJSON}
    sent |= {name.replace("_", "-"): value for name, value in headers.items()}
    return tenant.client.post(path, content=body, headers=sent)


def test_every_line_is_kept_and_counted(tenant: Tenant) -> None:
    serial = a_probe(tenant)["serial"]
    body = b"\xef\xbb\xbf" + b"".join(line(serial, n) for n in range(12_000))
    answer = send(tenant, body)
    assert answer.status_code == 200, answer.text
    told = answer.json()
    assert (told["received"], told["stored"], told["lines"]) == (12_000, 12_000, 12_000)
    assert told["committed_bytes"] == len(body)
    assert send(tenant, body).json()["duplicate"] == 12_000


def test_a_bad_line_is_named_by_its_number(tenant: Tenant) -> None:
    serial = a_probe(tenant)["serial"]
    lines = [
        line(serial, 0),
        b"\n",
        b"not json\n",
        line(serial, 1, value=None),
        line(serial, 2, unit="%"),
        b'{"probe": "x"} {"probe": "y"}\n',
        b"[" * 2000 + b"\n",
        line(serial, 3).rstrip(),
    ]
    told = send(tenant, b"".join(lines))
    assert told.status_code == 207
    body = told.json()
    assert (body["stored"], body["refused_count"]) == (2, 5)
    assert [(one["line"], one["index"], one["type"]) for one in body["refused"]] == [
        (3, 1, "/problems/reading-not-a-reading"),
        (4, 2, "/problems/reading-bad-value"),
        (5, 3, "/problems/reading-unit-does-not-fit"),
        (6, 4, "/problems/reading-not-a-reading"),
        (7, 5, "/problems/reading-not-a-reading"),
    ]
    assert body["refused"][1]["pointer"] == "/2/value"


def test_two_readings_on_a_line_do_not_pass_as_one_each(tenant: Tenant) -> None:
    """A line of two and one cut in half make as many readings as lines; neither is a reading a line."""
    serial = a_probe(tenant)["serial"]
    one = line(serial, 1).rstrip()
    told = send(tenant, one + one + b"\n" + one[:20] + b"\n" + one[20:] + b"\n")
    assert told.json()["refused_count"] == 3


def test_a_line_without_end_is_refused_before_it_fills_the_memory(tenant: Tenant) -> None:
    answer = send(tenant, b"x" * (70 << 10))
    assert answer.status_code == 400
    assert "line 1" in answer.json()["detail"]


def test_all_or_nothing_cannot_be_asked_of_a_stream(tenant: Tenant) -> None:
    answer = send(tenant, b"", Prefer="handling=strict")
    assert answer.status_code == 422
    assert "JSON bag" in answer.json()["detail"]


def test_a_dry_run_keeps_nothing(tenant: Tenant) -> None:
    serial = a_probe(tenant)["serial"]
    body = line(serial, 0) + b"x\n"
    told = send(tenant, body, "/v1/readings?dry_run=true").json()
    assert (told["dry_run"], told["received"], told["usable"], told["refused_count"]) == (True, 2, 1, 1)
    assert send(tenant, body).json()["stored"] == 1


class TestANamedStream:
    def test_tells_how_far_it_came(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        body = b"".join(line(serial, n) for n in range(6_000))
        send(tenant, body, Idempotency_Key='"march"')
        told = tenant.get("/v1/readings/streams/march")
        assert (told["committed_bytes"], told["lines"], told["stored"]) == (len(body), 6_000, 6_000)
        assert told["is_complete"] is True

    def test_goes_on_where_it_was_left(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        first, rest = b"".join(line(serial, n) for n in range(10)), line(serial, 10) + b"bad\n"
        send(tenant, first, Idempotency_Key="s1")
        told = send(tenant, rest, Idempotency_Key="s1", Upload_Offset=str(len(first)))
        assert told.status_code == 207
        body = told.json()
        assert (body["received"], body["stored"], body["lines"]) == (12, 11, 12)
        assert body["refused"][0]["line"] == 12
        assert body["committed_bytes"] == len(first + rest)

    def test_does_not_leave_a_hole(self, tenant: Tenant) -> None:
        send(tenant, line("P", 0), Idempotency_Key="s2")
        answer = send(tenant, line("P", 1), Idempotency_Key="s2", Upload_Offset="99999")
        assert answer.status_code == 409
        assert str(len(line("P", 0))) in answer.json()["detail"]
        assert send(tenant, b"", Idempotency_Key="s3", Upload_Offset="1").status_code == 409

    def test_is_its_keys_own(self, tenant: Tenant, other: Tenant) -> None:
        send(tenant, line("P", 0), Idempotency_Key="s4")
        assert other.call("GET", "/v1/readings/streams/s4").status_code == 404
        assert tenant.call("GET", "/v1/readings/streams/s4", key=tenant.key_for("ingest")).status_code == 404

    @pytest.mark.parametrize(
        ("headers", "pointer"),
        [
            ({"Upload_Offset": "0"}, "/Upload-Offset"),
            ({"Idempotency_Key": "k", "Upload_Offset": "-1"}, "/Upload-Offset"),
            ({"Idempotency_Key": ""}, "/Idempotency-Key"),
        ],
    )
    def test_of_bad_headers_is_refused(self, tenant: Tenant, headers: dict[str, str], pointer: str) -> None:
        answer = send(tenant, b"", **headers)
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["pointer"] == pointer


def stream_until(served: live.Served, key: str, pieces: Iterator[bytes], name: str, offset: int) -> bool:
    """Send a stream by real sockets in chunks; return whether it came to its end and was answered."""
    address = urlsplit(served.base_url)
    connection = http.client.HTTPConnection(str(address.hostname), address.port, timeout=60)
    connection.putrequest("POST", "/v1/readings")
    for header, value in (
        ("Authorization", f"Bearer {key}"),
        ("Content-Type", NDJSON),
        ("Transfer-Encoding", "chunked"),
        ("Idempotency-Key", name),
        ("Upload-Offset", str(offset)),
    ):
        connection.putheader(header, value)
    connection.endheaders()
    for piece in pieces:
        if not piece:
            connection.close()
            return False
        connection.send(b"%x\r\n%s\r\n" % (len(piece), piece))
    connection.send(b"0\r\n\r\n")
    answer = connection.getresponse()
    answer.read()
    connection.close()
    return answer.status == 200


@pytest.mark.parametrize("count", [1_000_000 if os.environ.get("HEAPLEDGER_TESTS_LONG") == "1" else 100_000])
def test_cut_at_random_bytes_and_resumed_nothing_is_lost(tenant: Tenant, urls: Urls, count: int) -> None:
    """HEAPLEDGER_TESTS_LONG=1 gives the long form of a million lines."""
    serial = a_probe(tenant)["serial"]
    body = b"".join(line(serial, n, observed_at=at(n / 3600)) for n in range(count))
    seeded = random.Random(20261125)  # noqa: S311 - where to cut
    with live.serving({"DATABASE_URL": urls.service}, "--no-migrate") as served:
        offset, cuts, done = 0, 0, False
        while not done:
            cut = seeded.randrange(offset + 1, len(body) + 1) if cuts < 4 else None

            def pieces(start: int = offset, end: int | None = cut) -> Iterator[bytes]:
                for at in range(start, end or len(body), 1 << 16):
                    yield body[at : min(at + (1 << 16), end or len(body))]
                if end is not None:
                    yield b""

            done = stream_until(served, tenant.key, pieces(), "harvest", offset)
            cuts += 1
            reached = offset
            for _ in range(1000):  # what had arrived is committed after the connection is gone
                told = tenant.call("GET", "/v1/readings/streams/harvest")
                reached = told.json()["committed_bytes"] if told.status_code == 200 else 0
                if done or reached == (body.rfind(b"\n", 0, cut) + 1):
                    break
                time.sleep(0.02)
            assert cut is None or reached == body.rfind(b"\n", 0, cut) + 1
            offset = reached
    told = tenant.get("/v1/readings/streams/harvest")
    assert told["is_complete"] is True
    assert cuts == 5
    assert (told["received"], told["stored"] + told["duplicate"]) == (count, count)
    assert told["stored"] == count
