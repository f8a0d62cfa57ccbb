"""Measures the service next to its own limits, in one run: ``python -m tests.benchmarks``.

Every figure is a median of windows (smallest and largest beside it). Durable figures stand beside a probe of the
disk (fdatasync of 8 kB): runs whose probe differs must not be compared. Stored rows are counted afterwards. The load
comes from one Python process on the same machine: with few cores it takes its share of them.
"""

import argparse
import os
import shutil
import tempfile
from pathlib import Path

import psutil

from service.domain.authority import Caller, Scope
from service.operations import organisations, probes
from service.storage.database import SERVICE_ROLE, STEWARD_ROLE, Database, connect_engine
from service.storage.embedded import EmbeddedServer, Logins
from service.storage.migrating import migrate
from tests import live
from tests.benchmarks import answers, chances, ingest, lines, peers, recipes, verdicts, years
from tests.benchmarks.measure import print_disk

PARTS = ("ingest", "peers", "years", "answers", "verdicts", "chances", "recipes", "lines")


def _computing(
    parts: list[str], logins: Logins, base_url: str, key: str, pids: list[int], windows: int
) -> None:
    """Measure the answers that compute, each beside its limit."""
    if "answers" in parts:
        answers.answers(logins, base_url, key, windows * 6)
    if "verdicts" in parts:
        verdicts.verdicts(logins, base_url, key, pids, windows * 2)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--windows", type=int, default=5)
    options.add_argument("--seconds", type=float, default=3.0)
    options.add_argument("--workers", type=int, default=1)
    options.add_argument("--folder", type=Path, help="where the data lies; a temporary folder when absent")
    options.add_argument("--rows", type=int, default=0, help="readings that are there before the measuring")
    options.add_argument("--parts", default=",".join(PARTS), help=f"some of {', '.join(PARTS)}")
    asked = options.parse_args()
    parts = asked.parts.split(",")
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
            for number in range(ingest.PROBES):
                probes.register_probe(session, caller, {"serial": f"PR-{number:05d}"})
        if asked.rows:
            years.fill(logins, asked.rows)
        environment = {"DATABASE_URL": logins.service.url, "HEAPLEDGER_KEY_CACHE_S": "60"}
        with live.serving(environment, "--no-migrate", "--workers", str(asked.workers)) as served:
            port = int(served.base_url.rsplit(":", 1)[1])
            family = psutil.Process(served.process.pid)
            pids = [family.pid, *(child.pid for child in family.children(recursive=True))]
            print(f"{os.cpu_count()} cores, {asked.workers} web process(es), {asked.rows:,} readings before")
            print_disk(folder, "before")
            if "ingest" in parts or "peers" in parts:
                bare = ingest.copy_rates(logins, asked.windows, asked.seconds)
                rates = ingest.posts(logins, port, made.token, bare, pids, asked.windows, asked.seconds)
                if "peers" in parts:
                    peers.compare(folder, rates, asked.windows, asked.seconds)
                print_disk(folder, "after")
            if "years" in parts and asked.rows:
                years.reads(logins, served.base_url, made.token, asked.windows * 4)
            _computing(parts, logins, served.base_url, made.token, pids, asked.windows)
            if "chances" in parts:
                chances.chances(served.base_url, made.token, pids, asked.windows * 4)
            if "recipes" in parts:
                recipes.recipes(served.base_url, made.token, pids, asked.windows * 6)
            if "lines" in parts:
                lines.lines(asked.windows * 4)
        database.close()
        steward.close()
    finally:
        server.stop()
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
