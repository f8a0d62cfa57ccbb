"""``POST /v1/readings`` beside COPY into the same table, and the processor time each side takes."""

import statistics
import time
from collections.abc import Callable, Iterator
from itertools import islice
from typing import Any

import numpy as np
import psycopg

from service.storage.embedded import Logins
from service.storage.packing import POSTGRES_EPOCH_US
from tests.benchmarks import load
from tests.benchmarks.measure import cpu_s, spread

SHAPES = ((1, 16), (1, 128), (24, 16), (100, 8), (1000, 8), (10_000, 4))
"""Readings in a request, clients at once."""
COPIED_TOGETHER = (1, 24, 100, 1000, 10_000)
PROBES = 4000
OTHERS = 99
"""An organisation number nobody has."""

_ROW = np.dtype(
    [
        ("fields", ">i2"),
        *(
            part
            for name, kind in (
                ("observed_at", ">i8"),
                ("value", ">f8"),
                ("batch_id", ">i8"),
                ("organisation_id", ">i4"),
                ("probe", ">i4"),
                ("quantity", ">i2"),
                ("unit", ">i2"),
                ("flag", ">i2"),
            )
            for part in ((f"{name}_length", ">i4"), (name, kind))
        ),
    ]
)
_COPY = f"copy reading ({', '.join(_ROW.names[2::2])}) from stdin (format binary)"


def _packed(second: int, each: int, probes: int) -> bytes:
    """Return rows of COPY's binary form: some probes, each with a run of seconds, in the order of the key."""
    rows = np.zeros(each * probes, _ROW)
    rows["fields"] = 8
    for name in _ROW.names[2::2]:
        rows[f"{name}_length"] = _ROW[name].itemsize
    rows["observed_at"] = (np.tile(np.arange(each), probes) + second) * 1_000_000 - POSTGRES_EPOCH_US
    rows["probe"] = np.repeat(np.arange(probes), each)
    rows["value"], rows["batch_id"], rows["organisation_id"] = 61.4, 1, OTHERS
    rows["quantity"] = rows["unit"] = rows["flag"] = 1
    return b"PGCOPY\n\xff\r\n\x00" + b"\x00" * 8 + rows.tobytes() + b"\xff\xff"


def copy_rate(owner: psycopg.Connection[Any], together: int, windows: int, seconds: float) -> list[float]:
    """Return rows/s of binary COPY into ``reading`` itself: durable, one connection, nothing asked about duplicates.

    As a gateway with twenty probes would send them, and sorted by key as the service sorts its batches.
    """
    rates = []
    second = 1_740_000_000 + together * 1_000
    for _ in range(windows):
        spent, rows = 0.0, 0
        while spent < seconds:
            probes = 20 if together >= 20 else 1
            each = max(1, together // probes)
            packed = _packed(second, each, probes)
            second += each
            began = time.perf_counter()  # packing is not what is measured
            with owner.cursor().copy(_COPY) as copy:
                copy.write(packed)
            owner.commit()
            spent += time.perf_counter() - began
            rows += each * probes
        rates.append(rows / spent)
    owner.execute("delete from reading where organisation_id = %s", (OTHERS,))
    owner.commit()
    return rates


def copy_rates(logins: Logins, windows: int, seconds: float) -> dict[int, float]:
    """Print and return the median rate of COPY at each size."""
    with psycopg.connect(logins.owner.conninfo) as owner:
        bare = {n: statistics.median(copy_rate(owner, n, windows, seconds / 2)) for n in COPIED_TOGETHER}
    print("binary COPY into the same table, one connection, rows/s: ", end="")
    print(", ".join(f"{n:,} together {rate:,.0f}" for n, rate in bare.items()), flush=True)
    return bare


Maker = Callable[[list[str], int, int], Iterator[bytes]]


def clients(
    batch: int, count: int, start_s: int, each: int, make: Maker, wrap: Callable[[bytes], bytes]
) -> list[Iterator[bytes]]:
    """Return prepared requests for each client; made beforehand, so that making them is not measured."""
    made = []
    for client in range(count):
        mine = [f"PR-{(client * 20 + number) % PROBES:05d}" for number in range(20 if batch > 1 else 1)]
        made.append(iter([wrap(bag) for bag in islice(make(mine, batch, start_s), each)]))
    return made


def enough(batch: int, count: int, seconds: float) -> int:
    """Return how many requests a client can send in a window at the very most."""
    if batch == 1:
        return max(20, int(seconds * 15_000 / count * 4))
    return max(4, int(seconds * 400_000 / batch / count))


def posts(
    logins: Logins,
    port: int,
    key: str,
    bare: dict[int, float],
    service_pids: list[int],
    windows: int,
    seconds: float,
) -> dict[tuple[int, int], float]:
    """Print the rates of ``POST /v1/readings`` beside those of COPY; return them by shape."""
    print(
        f"{'readings':>9} {'clients':>7} {'readings/s':>28} {'/COPY same':>11} {'/COPY 10k':>10}"
        f" {'p50 ms':>7} {'p99 ms':>7} {'p99/p50':>8} {'us app':>7} {'us db':>6}"
    )
    start_s, acknowledged, bad, medians = 1_700_000_000, 0, 0, {}
    with psycopg.connect(logins.owner.conninfo, autocommit=True) as owner:
        before = _count(owner)
        for batch, count in SHAPES:
            rates, latencies, sent, app_s, database_s = [], [], 0, 0.0, 0.0
            for _ in range(windows):
                prepared = clients(
                    batch,
                    count,
                    start_s,
                    enough(batch, count, seconds),
                    load.bags,
                    lambda bag: load.request_bytes("/v1/readings", bag, key),
                )
                backends = _backends(owner)
                used = cpu_s(service_pids), cpu_s(backends)
                window = load.run(port, prepared, seconds)
                app_s += cpu_s(service_pids) - used[0]
                database_s += cpu_s(backends) - used[1]
                start_s += 200_000
                sent += window.requests * batch
                bad += window.bad
                rates.append(window.requests * batch / window.seconds)
                latencies += window.latencies_s
            acknowledged += sent
            latencies.sort()
            median = medians[batch, count] = statistics.median(rates)
            p50, p99 = (latencies[int(len(latencies) * part)] * 1e3 for part in (0.5, 0.99))
            print(
                f"{batch:>9} {count:>7} {spread(rates):>28} {median / bare[batch]:>11.2f}"
                f" {median / bare[10_000]:>10.2f} {p50:>7.1f} {p99:>7.1f} {p99 / p50:>8.1f}"
                f" {app_s / sent * 1e6:>7.1f} {database_s / sent * 1e6:>6.1f}",
                flush=True,
            )
        stored = _count(owner) - before
    print(
        f"acknowledged {acknowledged:,}, stored {stored:,} (requests in flight at the end of a window make the rest)"
    )
    assert bad == 0
    assert stored >= acknowledged
    return medians


def _count(owner: psycopg.Connection[Any]) -> int:
    row = owner.execute("select count(*) from reading where organisation_id = 1").fetchone()
    return int(row[0]) if row else 0


def _backends(owner: psycopg.Connection[Any]) -> list[int]:
    rows = owner.execute("select pid from pg_stat_activity where pid <> pg_backend_pid() and pid is not null")
    return [row[0] for row in rows.fetchall()]
