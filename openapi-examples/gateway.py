"""A probe gateway: posts a file of buffered readings, oldest first, and keeps what was not acknowledged.

    python openapi-examples/gateway.py --url http://127.0.0.1:8000 --key "$KEY" readings.ndjson

The file holds one reading a line. Lines that were acknowledged (any 2xx) are taken out of it; the rest stays for the
next run, so the program may be stopped at any time. Sending a reading twice is harmless.
"""

import argparse
import json
import random
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx

BAG = 500
LONGEST_PAUSE_S = 15 * 60
WORTH_A_RETRY = {408, 425, 429, 500, 502, 503, 504}


def pauses() -> Iterator[float]:
    """Yield growing pauses with full jitter: after an outage not every gateway comes back at once."""
    longest = 1.0
    while True:
        yield random.uniform(0, longest)  # noqa: S311 - jitter, not a secret
        longest = min(longest * 2, LONGEST_PAUSE_S)


def send(
    client: httpx.Client, lines: list[str], gateway: str, give_up_after_s: float
) -> list[dict[str, object]]:
    """Post lines until they are acknowledged; return the receipts.

    A bag that is too large is halved. One that cannot be read at all is not sent again.
    """
    body = json.dumps(
        {
            "gateway": gateway,
            "sent_at": datetime.now(UTC).isoformat(),
            "readings": [json.loads(line) for line in lines],
        }
    )
    deadline = time.monotonic() + give_up_after_s
    for pause in pauses():
        try:
            # The same bytes each time: what was kept before is then told as a duplicate.
            answer = client.post("/v1/readings", content=body, headers={"Content-Type": "application/json"})
        except httpx.TransportError as error:
            reason, wait = str(error), pause
        else:
            if answer.is_success:
                return [answer.json()]
            if answer.status_code == httpx.codes.REQUEST_ENTITY_TOO_LARGE and len(lines) > 1:
                half = len(lines) // 2
                return [
                    *send(client, lines[:half], gateway, give_up_after_s),
                    *send(client, lines[half:], gateway, give_up_after_s),
                ]
            if answer.status_code not in WORTH_A_RETRY:
                raise SystemExit(f"{answer.status_code}: {answer.json()['detail']}")
            reason = answer.json()["detail"]
            wait = max(pause, float(answer.headers.get("Retry-After", 0)))
        if time.monotonic() + wait > deadline:
            raise SystemExit(f"not acknowledged: {reason}; the readings stay in the file")
        print(f"{reason}; again in {wait:.1f} s", file=sys.stderr)
        time.sleep(wait)
    raise AssertionError("pauses never end")


def main() -> None:
    """Drain the file."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("file", type=Path)
    options.add_argument("--url", required=True)
    options.add_argument("--key", required=True)
    options.add_argument("--gateway", default="example-gateway")
    options.add_argument("--give-up-after-s", type=float, default=3600)
    asked = options.parse_args()
    lines = [line for line in asked.file.read_text().splitlines() if line.strip()]
    # By instant, not by text: two lines may carry different offsets.
    lines.sort(key=lambda line: datetime.fromisoformat(json.loads(line)["observed_at"]))
    total = {"stored": 0, "duplicate": 0, "disputed": 0, "held": 0, "refused_count": 0}
    with httpx.Client(
        base_url=asked.url, headers={"Authorization": f"Bearer {asked.key}"}, timeout=30
    ) as client:
        while lines:
            bag, lines = lines[:BAG], lines[BAG:]
            for receipt in send(client, bag, asked.gateway, asked.give_up_after_s):
                for name in total:
                    total[name] += int(str(receipt[name]))
                for refused in receipt["refused"] if isinstance(receipt["refused"], list) else ():
                    print(f"refused: {refused['pointer']}: {refused['detail']}", file=sys.stderr)
            asked.file.write_text("".join(f"{line}\n" for line in lines))
    print(json.dumps(total))


if __name__ == "__main__":
    main()
