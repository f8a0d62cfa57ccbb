"""A probe gateway that loses nothing: a reading is on disk before it is answered, and leaves it once acknowledged.

    some-sensor | python gateway.py buffer.db --record     # one JSON object a line; its number is printed once kept
    python gateway.py buffer.db --drain --every-s 60 --url http://127.0.0.1:8000 --key "$KEY"
    python gateway.py buffer.db --set-aside                # what the service could not use, with the reasons

A line is {"probe": "PR-0042", "quantity": "temperature", "value": 61.4, "unit": "Cel"}, stamped with this clock unless
it brings an "observed_at". Two programs share the buffer, so recording goes on while draining is stuck; either may be
killed at any instant. Sending twice is harmless, and only an answer of the service itself empties the buffer.

The wire form is the JSON bag under gzip: a SenML pack has no place for sent_at, which shows the service our clock.
"""

import argparse
import gzip
import json
import os
import random
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any, Final

import httpx
from reading_buffer import Buffer, only_one

LONGEST_PAUSE_S: Final = 15 * 60
LONGEST_ASKED_PAUSE_S: Final = 24 * 3600
HEADERS: Final = {"Content-Type": "application/json", "Content-Encoding": "gzip"}
THE_PACK_IS_WRONG: Final = {400, 413, 422}
WORTH_A_RETRY: Final = {408, 425, 429}
"""Beside 5xx. Any other 4xx blames the key or the address, and every pack would be refused: that is for a person."""


def record(buffer: Buffer, lines: Iterable[bytes]) -> None:
    """Keep a reading a line, and print its number once it is on disk."""
    for line in lines:
        try:
            print(buffer.record(json.loads(line)), flush=True)
        except (ValueError, TypeError, OverflowError, RecursionError) as error:
            print(f"not kept: {line[:80]!r}: {error}", file=sys.stderr)


def said_by_service(answer: httpx.Response) -> dict[str, Any] | None:
    """Return what the service says; None where a proxy or a log-in page answers in its place."""
    try:
        said = answer.json()
    except ValueError:
        return None
    mark = "received" if answer.is_success else "detail"
    return said if isinstance(said, dict) and mark in said else None


def drain(buffer: Buffer, client: httpx.Client, sleep: Callable[[float], None] = time.sleep) -> None:
    """Send until nothing waits: oldest first, one request in flight."""
    failures = 0
    while (pack := buffer.pack()) is not None:
        reason, at_least_s = send(buffer, client, *pack)
        if not reason:
            failures = 0
            continue
        # Full jitter: after an outage not every gateway comes back at once.
        jitter_s = random.uniform(0, min(LONGEST_PAUSE_S, 2 ** min(failures, 10)))  # noqa: S311
        pause_s = max(at_least_s, jitter_s)
        failures += 1
        print(f"{reason}; {buffer.waiting()} wait; again in {pause_s:.1f} s", file=sys.stderr)
        sleep(pause_s)


def send(buffer: Buffer, client: httpx.Client, body: bytes, count: int, is_new: bool) -> tuple[str, float]:  # noqa: FBT001
    """Send a pack once; return why its fate is open, if it is, and how long to wait at least [s]."""
    try:
        answer = client.post("/v1/readings", content=gzip.compress(body, mtime=0), headers=HEADERS)
    except httpx.RequestError as error:
        if is_new and isinstance(error, httpx.ConnectError | httpx.ConnectTimeout):
            buffer.unpack()  # not a byte of it has left: after hours offline a new one shows our clock of then
        return repr(error), 0
    said, status = said_by_service(answer), answer.status_code
    if said and answer.is_success and said["received"] == count:
        buffer.settle(said["refused"])
        return "", 0
    reason = f"{status}: {said.get('detail') if said else answer.text[:80]}"
    if (said and status in THE_PACK_IS_WRONG) or (
        status == httpx.codes.REQUEST_ENTITY_TOO_LARGE and count > 1
    ):
        buffer.refuse(reason)
        return "", 0
    if said and answer.is_client_error and status not in WORTH_A_RETRY:
        raise SystemExit(f"{reason}; {buffer.waiting()} readings stay in the buffer")
    asked = answer.headers.get("Retry-After", "")
    return reason, min(float(asked), LONGEST_ASKED_PAUSE_S) if asked.isdecimal() else 0


def main() -> None:
    """Record, drain, or show what was set aside."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("buffer", type=Path)
    what = options.add_mutually_exclusive_group(required=True)
    for name in ("--record", "--drain", "--set-aside"):
        what.add_argument(name, action="store_true")
    options.add_argument("--url", default="http://127.0.0.1:8000")
    options.add_argument("--key", default=os.environ.get("KEY", ""), help="by default what KEY holds")
    options.add_argument(
        "--every-s", type=float, help="look again for ever; without it, end once nothing waits"
    )
    asked = options.parse_args()
    buffer = Buffer(asked.buffer)
    if asked.record:
        record(buffer, sys.stdin.buffer)
    elif asked.set_aside:
        for reading in buffer.set_aside():
            print(json.dumps(reading))
    else:
        headers = {"Authorization": f"Bearer {asked.key}"}
        with only_one(asked.buffer), httpx.Client(base_url=asked.url, headers=headers, timeout=30) as client:
            drain(buffer, client)
            while asked.every_s:
                time.sleep(asked.every_s)
                drain(buffer, client)
        print(json.dumps({"waiting": buffer.waiting(), "set_aside": len(buffer.set_aside())}))


if __name__ == "__main__":
    main()
