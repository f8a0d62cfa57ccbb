"""Measures the service next to its own limits, in one run: ``python -m tests.benchmarks``.

Every figure is a median of windows (smallest and largest beside it). Durable figures stand beside a probe of the
disk (fdatasync of 8 kB): runs whose probe differs must not be compared. Stored rows are counted afterwards.
"""

import argparse
import os
import shutil
import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any

import httpx
import psycopg

from service.domain.authority import Caller, Scope
from service.operations import organisations, probes
from service.storage.database import SERVICE_ROLE, STEWARD_ROLE, Database, connect_engine
from service.storage.embedded import EmbeddedServer, Logins
from service.storage.migrating import migrate
from tests import live
from tests.benchmarks import load

SHAPES = ((1, 16), (1, 128), (24, 16), (100, 8), (1000, 8))
"""Readings in a request, clients at once."""
PROBES = 4000
OTHERS = 99
"""An organisation number nobody has."""
COPIED_TOGETHER = (1, 24, 100, 1000, 10_000)


def fsync_us(folder: Path) -> float:
    """Return the median time of a small durable write [us]."""
    handle = os.open(folder / "probe", os.O_CREAT | os.O_WRONLY)
    times = []
    for _ in range(200):
        began = time.perf_counter()
        os.pwrite(handle, b"x" * 8192, 0)
        os.fdatasync(handle)
        times.append(time.perf_counter() - began)
    os.close(handle)
    return statistics.median(times) * 1e6


def spread(values: list[float]) -> str:
    return f"{statistics.median(values):>10,.0f} ({min(values):,.0f}-{max(values):,.0f})"


def copy_rate(owner: psycopg.Connection[Any], together: int, windows: int, seconds: float) -> list[float]:
    """Return rows/s of COPY into ``reading`` itself: durable, one connection, nothing asked about duplicates.

    As a gateway with twenty probes would send them, and sorted by key as the service sorts its batches.
    """
    rates = []
    second = 1_600_000_000 + together * 100_000
    for _ in range(windows):
        spent, rows = 0.0, 0
        while spent < seconds:
            each = max(1, together // 20)
            lines = "".join(
                f"{datetime.fromtimestamp(second + step, UTC).isoformat()}\t61.4\t1\t{OTHERS}\t{probe}\t1\t1\t1\n"
                for probe in range(20 if together >= 20 else 1)
                for step in range(each)
            )
            second += each
            began = time.perf_counter()  # making the text is not what is measured
            with owner.cursor().copy(
                "copy reading (observed_at, value, batch_id, organisation_id, probe, quantity, unit, flag) from stdin"
            ) as copy:
                copy.write(lines)
            owner.commit()
            spent += time.perf_counter() - began
            rows += lines.count("\n")
        rates.append(rows / spent)
    owner.execute("delete from reading where organisation_id = %s", (OTHERS,))
    owner.commit()
    return rates


def clients(batch: int, count: int, key: str, start_s: int, each: int) -> list[Iterator[bytes]]:
    """Return prepared requests for each client; made beforehand, so that making them is not measured."""
    made = []
    for client in range(count):
        mine = [f"PR-{(client * 20 + number) % PROBES:05d}" for number in range(20 if batch > 1 else 1)]
        bags = islice(load.bags(mine, batch, start_s), each)
        made.append(iter([load.request_bytes("/v1/readings", bag, key) for bag in bags]))
    return made


def ingest(logins: Logins, port: int, key: str, windows: int, seconds: float) -> None:
    """Print the rates of ``POST /v1/readings`` beside those of COPY."""
    with psycopg.connect(logins.owner.conninfo) as owner:
        bare = {n: statistics.median(copy_rate(owner, n, windows, seconds / 2)) for n in COPIED_TOGETHER}
    print("COPY into the same table, one connection, rows/s: ", end="")
    print(", ".join(f"{n:,} together {rate:,.0f}" for n, rate in bare.items()))
    print(
        f"{'readings':>9} {'clients':>7} {'readings/s':>28} {'/COPY same':>11}"
        f" {'/COPY 10k':>10} {'p50 ms':>7} {'p99 ms':>7}"
    )
    start_s, acknowledged, refused = 1_700_000_000, 0, 0
    for batch, count in SHAPES:
        rates, latencies = [], []
        each = (
            max(20, int(seconds * 15_000 / batch / count * 4))
            if batch == 1
            else int(seconds * 300_000 / batch / count)
        )
        for _ in range(windows):
            window = load.run(port, clients(batch, count, key, start_s, each), seconds)
            start_s += 200_000
            acknowledged += window.requests * batch
            refused += window.bad
            rates.append(window.requests * batch / window.seconds)
            latencies += window.latencies_s
        latencies.sort()
        median = statistics.median(rates)
        p50, p99 = (latencies[int(len(latencies) * part)] * 1e3 for part in (0.5, 0.99))
        print(
            f"{batch:>9} {count:>7} {spread(rates):>28} {median / bare[batch]:>11.2f}"
            f" {median / bare[10_000]:>10.2f} {p50:>7.1f} {p99:>7.1f}"
        )
    with psycopg.connect(logins.owner.conninfo) as owner:
        row = owner.execute("select count(*) from reading").fetchone()
    stored = row[0] if row else 0
    print(
        f"acknowledged {acknowledged:,}, stored {stored:,} (requests in flight at the end of a window make the rest)"
    )
    assert refused == 0
    assert stored >= acknowledged


def median_ms(call: Callable[[], object], runs: int) -> str:
    times = []
    for _ in range(runs):
        began = time.perf_counter()
        call()
        times.append((time.perf_counter() - began) * 1e3)
    return f"{statistics.median(times):8.2f} ({min(times):.2f}-{max(times):.2f})"


def _ninety_days(client: httpx.Client) -> str:
    """Register a pile with four probes and 90 days of readings every 15 minutes; return its id."""
    built = datetime.now(UTC).replace(minute=0, second=0, microsecond=0) - timedelta(days=90)

    def create(path: str, body: dict[str, Any]) -> dict[str, Any]:
        answer = client.post(path, json=body)
        answer.raise_for_status()
        made: dict[str, Any] = answer.json()
        return made

    site = create(
        "/v1/sites", {"name": "bench", "time_zone": "Europe/Lisbon", "work_days": ["mon", "wed", "fri"]}
    )
    pile = create(
        "/v1/piles",
        {
            "site_id": site["id"],
            "label": "90 days",
            "built_at": built.isoformat(),
            "rules": ["us-nop-windrow"],
            "pattern": {"rest_days": 7, "turn_on": ["mon", "wed", "fri"], "last_turn_day": 27},
        },
    )
    for day in range(3, 60, 3):
        create(
            f"/v1/piles/{pile['id']}/events",
            {"kind": "turn", "at": (built + timedelta(days=day)).isoformat()},
        )
    for number in range(4):
        probe = create("/v1/probes", {"serial": f"LOG-{number}"})
        placement = {"pile_id": pile["id"], "position": f"core-{number}", "from": built.isoformat()}
        create(f"/v1/probes/{probe['id']}/placements", placement)
        for start in range(0, 90 * 96, 2000):
            readings = [
                {
                    "probe": f"LOG-{number}",
                    "observed_at": (built + timedelta(minutes=15 * step)).isoformat(),
                    "quantity": "temperature",
                    "value": round(20 + min(45, step / 4) + (step * 7 % 30) / 10, 1),
                    "unit": "Cel",
                }
                for step in range(start, min(start + 2000, 90 * 96))
            ]
            create("/v1/readings", {"readings": readings})
    return str(pile["id"])


def answers(logins: Logins, base_url: str, key: str, runs: int) -> None:
    """Print the time of each computing answer over HTTP, and of the limits beside them."""
    with (
        httpx.Client(base_url=base_url, headers={"Authorization": f"Bearer {key}"}, timeout=60) as client,
        psycopg.connect(logins.owner.conninfo, autocommit=True) as owner,
    ):
        pile = _ninety_days(client)
        owner.execute("vacuum analyze reading")

        def copy_out() -> None:
            for number in range(4):
                row = owner.execute(
                    "select number from probe where serial = %s", (f"LOG-{number}",)
                ).fetchone()
                assert row is not None
                with owner.cursor().copy(
                    "copy (select observed_at, value, unit, flag from reading where organisation_id = 1"
                    " and probe = %s and quantity = 1 order by observed_at) to stdout (format binary)",
                    row,
                ) as copy:
                    for _ in copy:
                        pass

        def ask(method: str, path: str, body: Any = None) -> Callable[[], object]:
            def once() -> None:
                client.request(method, path, json=body).raise_for_status()

            return once

        mix = [
            {"feedstock": "horse-manure", "mass_kg": 400},
            {"feedstock": "leaves-compacted-moist", "mass_kg": 120},
        ]
        stock = [
            {"feedstock": code} for code in ("horse-manure", "leaves-compacted-moist", "straw", "sawdust")
        ]
        targets = {"carbon_nitrogen_ratio": {"min": 25, "max": 30}, "moisture_pct": {"min": 50, "max": 60}}
        plan = {
            "time_zone": "Europe/Lisbon",
            "build_on": "2026-03-02",
            "work_days": ["mon", "tue", "wed", "thu", "fri"],
            "pattern": {"rest_days": 4, "turn_every_days": 2, "last_turn_day": 16},
        }
        start = datetime(2026, 5, 4, tzinfo=UTC)
        check = {
            "rule": "us-nop-windrow",
            "time_zone": "America/Chicago",
            "readings": [
                {
                    "position": "core",
                    "observed_at": (start + timedelta(hours=h)).isoformat(),
                    "temperature_c": 57.2,
                }
                for h in range(361)
            ],
            "turns": [(start + timedelta(days=day)).isoformat() for day in (2, 5, 8, 11, 14)],
            "initial_carbon_nitrogen_ratio": 29.4,
        }
        rows = [
            ("empty answer (/livez)", ask("GET", "/livez")),
            ("evaluate, 2 feedstocks", ask("POST", "/v1/recipes/evaluate", {"ingredients": mix})),
            (
                "solve, 4 feedstocks and water",
                ask(
                    "POST",
                    "/v1/recipes/solve",
                    {
                        "ingredients": stock,
                        "targets": targets,
                        "amount": {"mass_kg": 500},
                        "allow_water": True,
                    },
                ),
            ),
            ("plan, 18 days, with nearest", ask("POST", "/v1/schedules/plan", plan)),
            ("check, 361 readings sent along", ask("POST", "/v1/compliance/check", check)),
            ("bare COPY OUT of 34,560 readings", copy_out),
            ("compliance of 34,560 readings", ask("GET", f"/v1/piles/{pile}/compliance")),
            ("status of 34,560 readings", ask("GET", f"/v1/piles/{pile}/status")),
        ]
        for name, call in rows:
            call()
            print(f"{name:<34} {median_ms(call, runs)} ms")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--windows", type=int, default=5)
    options.add_argument("--seconds", type=float, default=3.0)
    options.add_argument("--workers", type=int, default=1)
    options.add_argument("--folder", type=Path, help="where the data lies; a temporary folder when absent")
    asked = options.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="heapledger-bench-", dir=asked.folder))
    server = EmbeddedServer(folder, shared_buffers_mb=1024)
    logins = server.start()
    try:
        migrate(logins.owner.url)
        steward = Database(connect_engine(logins.owner.url, role=STEWARD_ROLE))
        made = organisations.create_key(steward, "bench", name="bench", scopes=frozenset(Scope))
        database = Database(connect_engine(logins.service.url, role=SERVICE_ROLE))
        caller = Caller(made.row.organisation_id, made.row.id, frozenset(Scope))
        with database.begin(caller.organisation_id) as session:
            for number in range(PROBES):
                probes.register_probe(session, caller, {"serial": f"PR-{number:05d}"})
        environment = {"DATABASE_URL": logins.service.url, "HEAPLEDGER_KEY_CACHE_S": "60"}
        with live.serving(environment, "--no-migrate", "--workers", str(asked.workers)) as served:
            port = int(served.base_url.rsplit(":", 1)[1])
            print(f"fdatasync of 8 kB: {fsync_us(folder):,.0f} us before", flush=True)
            ingest(logins, port, made.token, asked.windows, asked.seconds)
            print(f"fdatasync of 8 kB: {fsync_us(folder):,.0f} us after", flush=True)
            answers(logins, served.base_url, made.token, asked.windows * 6)
        database.close()
        steward.close()
    finally:
        server.stop()
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
