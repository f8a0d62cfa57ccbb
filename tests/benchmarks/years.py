"""The record after years: the same posts with 1 and 35 million rows there, and the reads that must not slow down."""

import time
from typing import Any

import httpx
import psycopg

from service.storage.embedded import Logins
from tests.benchmarks.ingest import PROBES
from tests.benchmarks.measure import median_ms

DAYS = 90
PER_DAY = 96

_FILL = """
insert into reading (organisation_id, probe, quantity, observed_at, value, unit, flag, batch_id)
select 1, p.number, 1, s, 40 + (extract(epoch from s)::bigint / 900 %% 25), 1, 1, 1
from probe p, generate_series(%s::timestamptz, %s::timestamptz, interval '15 minutes') s
where p.organisation_id = 1 and p.serial like 'PR-%%' and p.serial < %s
order by p.number, s
"""


def fill(logins: Logins, rows: int) -> None:
    """Lay readings of ninety days every quarter of an hour, of as many probes as it takes."""
    probes = min(PROBES, max(1, round(rows / (DAYS * PER_DAY))))
    last = f"PR-{probes:05d}"
    began = time.perf_counter()
    with psycopg.connect(logins.owner.conninfo, autocommit=True) as owner:
        owner.execute("set statement_timeout = 0")
        made = owner.execute(_FILL, ("2026-06-01T00:00Z", "2026-08-29T23:45Z", last)).rowcount
        owner.execute("vacuum analyze reading")
    print(f"{made:,} readings of {probes:,} probes laid in {time.perf_counter() - began:,.0f} s", flush=True)


def reads(logins: Logins, base_url: str, key: str, runs: int) -> None:
    """Print the newest reading of many probes, and ninety days of one."""
    with (
        httpx.Client(base_url=base_url, headers={"Authorization": f"Bearer {key}"}, timeout=120) as client,
        psycopg.connect(logins.owner.conninfo, autocommit=True) as owner,
    ):
        row = owner.execute(
            "select id from probe where organisation_id = 1 and serial = 'PR-00000'"
        ).fetchone()
        assert row is not None
        probe = row[0]

        def ask(path: str, **headers: str) -> Any:
            def once() -> None:
                client.get(path, headers=headers).raise_for_status()

            return once

        def all_latest() -> None:
            after = ""
            while True:
                answer = client.get(f"/v1/readings/latest?limit=500{after}")
                answer.raise_for_status()
                if answer.json()["next"] is None:
                    return
                after = f"&after={answer.json()['next']}"

        span = "from=2026-06-01T00:00:00Z&to=2026-08-30T00:00:00Z"
        series = f"/v1/probes/{probe}/readings?{span}"
        for name, call, times in (
            ("newest of 40 probes", ask("/v1/readings/latest?limit=40"), runs),
            ("newest of 4,000 probes (pages of 500)", all_latest, max(3, runs // 5)),
            ("a 90-day curve by hours, first 500", ask(f"{series}&resolution=hour&limit=500"), runs),
            ("a 90-day curve by days", ask(f"{series}&resolution=day&limit=500"), runs),
            ("8,640 readings as CSV", ask(series, Accept="text/csv"), runs),
        ):
            call()
            print(f"{name:<38} {median_ms(call, times)} ms", flush=True)
