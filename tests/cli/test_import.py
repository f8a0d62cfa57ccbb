"""``heapledger import``: every format by its suffix, refused lines by number, in flat memory, safe to interrupt."""

import gzip
import json
import os
import signal
import subprocess
import sys
import time
from datetime import UTC, datetime
from pathlib import Path
from uuid import UUID

import cbor2
import pytest
from backports import zstd
from rich.progress import Progress

from service.domain.authority import Caller, Scope
from service.importing import Broke, asked_of_file, keep_shown, refused_lines, told
from service.operations.packs import Receipt
from service.settings import Settings
from service.storage import records
from service.storage.database import Database
from service.storage.tables import ReadingProfileRow
from tests.builders import a_bag
from tests.conftest import Tenant, Urls
from tests.http.imported import MANY, PEAK_KB, lines, on_disk, reading, table
from tests.live import TOP


def environment(urls: Urls) -> dict[str, str]:
    return {
        **os.environ,
        "COLUMNS": "200",
        "DATABASE_URL": urls.service,
        "HEAPLEDGER_OWNER_URL": urls.owner,
    }


def start(urls: Urls, tenant: Tenant, file: Path, *options: str) -> "subprocess.Popen[str]":
    """Start the command on a file."""
    return subprocess.Popen(
        [sys.executable, "-m", "service", "import", str(file), "--organisation", tenant.name, *options],
        env={
            **os.environ,
            "COLUMNS": "200",
            "DATABASE_URL": urls.service,
            "HEAPLEDGER_OWNER_URL": urls.owner,
        },
        cwd=TOP,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def imported(urls: Urls, tenant: Tenant, file: Path, *options: str, expect: int = 0) -> str:
    """Run the command to its end and return what it said."""
    child = start(urls, tenant, file, *options)
    said, _ = child.communicate(timeout=120)
    assert child.returncode == expect, said
    assert "Traceback" not in said
    return said


def kept(database: Database, tenant: Tenant, file: Path, **options: str) -> tuple[Receipt, Broke]:
    """Do in this process what the command does."""
    total = Receipt(0)
    caller = Caller(tenant.organisation_id, UUID(int=0), frozenset({Scope.INGEST}))
    asked = asked_of_file(
        file, None, profile=options.get("profile"), time_zone=options.get("time_zone"), is_dry_run=False
    )
    with Progress(disable=True) as progress:
        return total, keep_shown(database, Settings(), caller, file, asked, total, progress)


def counted(received: int, *, stored: int = 0, duplicate: int = 0, held: int = 0, refused: int = 0) -> str:
    return f"{received} read: {stored} stored, {duplicate} there before, 0 disputed, {held} held, {refused} refused"


def a_file(folder: Path, name: str, body: bytes) -> Path:
    file = folder / name
    file.write_bytes(body)
    return file


BAG = json.dumps(a_bag(*(reading("PR-1", place) for place in range(3)))).encode()
MOMENT = datetime(2025, 6, 1, tzinfo=UTC).timestamp()
PACK = [{"bn": "PR-1/", "n": "temperature", "u": "Cel", "t": MOMENT, "v": 51.5}]


@pytest.mark.parametrize(
    ("name", "body", "count"),
    [
        ("a.json", BAG, 3),
        ("bom.json", b"\xef\xbb\xbf" + BAG, 3),
        ("a.ndjson", lines("PR-1", 3), 3),
        ("a.jsonl.gz", gzip.compress(lines("PR-1", 3)), 3),
        ("a.csv", table("PR-1", 3), 3),
        ("A.CSV.ZST", zstd.compress(table("PR-1", 3)), 3),
        ("a.senml", json.dumps(PACK).encode(), 1),
        ("a.senmlc", cbor2.dumps([{-2: "PR-1/", 0: "temperature", 1: "Cel", 6: MOMENT, 2: 51.5}]), 1),
    ],
)
def test_the_suffix_tells_the_format(
    tenant: Tenant, database: Database, tmp_path: Path, name: str, body: bytes, count: int
) -> None:
    total, broke = kept(database, tenant, a_file(tmp_path, name, body))
    assert broke == Broke()
    assert told(total, is_dry_run=False) == counted(count, held=count)
    assert on_disk(database, tenant, "held_reading") == count


@pytest.mark.parametrize(
    ("name", "body", "problem"),
    [
        ("a.json", b"[1, 2]", 'send {"readings": [...]}'),
        ("a.json", lines("PR-1", 2), "is read with --format ndjson"),
        ("a.csv.gz", b"plain", "not gzip"),
        ("a.csv", b"a,b\n1,2\n", "/probe"),
        (
            "a.csv",
            b"probe,observed_at,quantity,value,unit\nP,2025-05-04T09:00:00,temperature,1,Cel",
            "time_zone",
        ),
    ],
)
def test_a_file_of_another_form_is_told_in_a_sentence(
    tenant: Tenant, database: Database, tmp_path: Path, name: str, body: bytes, problem: str
) -> None:
    total, broke = kept(database, tenant, a_file(tmp_path, name, body))
    assert (total.received, broke.code) == (0, 1)
    assert "not read to its end" in broke.texts[0]
    assert problem in broke.texts[0]


def test_a_loggers_own_table(tenant: Tenant, database: Database, tmp_path: Path) -> None:
    definition = {
        "delimiter": ";",
        "decimal_comma": True,
        "observed_at": {"column": "when"},
        "time_format": "%d.%m.%Y %H:%M",
        "value": {"column": "deg"},
        "probe": {"constant": "PR-1"},
        "quantity": {"constant": "temperature"},
        "unit": {"constant": "Cel"},
    }
    row = ReadingProfileRow(
        organisation_id=tenant.organisation_id, name="logger", kind="table", definition=definition, sample=""
    )
    with database.begin(tenant.organisation_id) as session:
        records.add(session, row)
    file = a_file(tmp_path, "a.csv", b"when;deg\n04.05.2025 09:00;51,5\n04.05.2025 10:00;x\n")
    assert "carry no offset" in kept(database, tenant, file, profile="logger")[1].texts[0]
    total, _ = kept(database, tenant, file, profile="logger", time_zone="Europe/Lisbon")
    assert told(total, is_dry_run=False) == counted(2, held=1, refused=1)
    assert [line.partition(" column")[0] for line in refused_lines(total)] == ["line 3: value:"]
    assert "no table profile 'other'" in kept(database, tenant, file, profile="other")[1].texts[0]


def test_a_reading_of_a_bag_has_no_line(tenant: Tenant, database: Database, tmp_path: Path) -> None:
    bag = a_bag(reading("PR-1", 0), {"probe": "PR-1"}, reading("PR-1", 40))
    total, _ = kept(database, tenant, a_file(tmp_path, "a.json", json.dumps(bag).encode()))
    assert [line[:34] for line in refused_lines(total)] == ["reading 2: observed_at: is missing"]


def test_refused_lines_are_numbered_and_the_file_may_come_again(
    tenant: Tenant, urls: Urls, database: Database, tmp_path: Path
) -> None:
    file = a_file(tmp_path, "a.csv", table("PR-1", MANY, bad=lambda place: place % 1000 == 3))
    said = imported(urls, tenant, file, expect=2)
    assert counted(MANY, held=MANY - 30, refused=30) in said
    for place in range(3, 20_000, 1000):
        assert f"line {place + 2}: value: " in said
    assert "line 20005" not in said
    assert "and 10 more refused" in said
    imported(urls, tenant, file, expect=2)
    assert on_disk(database, tenant, "held_reading") == MANY - 30


def test_a_suffix_that_does_not_say_asks_for_the_format(
    tenant: Tenant, urls: Urls, database: Database, tmp_path: Path
) -> None:
    file = a_file(tmp_path, "readings.txt", lines("PR-1", 6_000, bad=lambda place: place == 5_500))
    said = imported(urls, tenant, file, expect=1)
    assert "--format: the suffix of 'readings.txt' does not say" in said
    assert "senml-json, senml-cbor, csv, ndjson" in said
    said = imported(urls, tenant, file, "--format", "ndjson", "--dry-run", expect=2)
    assert "6000 read: 5999 usable, 1 refused; nothing was kept" in said
    assert "line 5501: value: " in said
    for where in ("reading", "held_reading", "batch"):
        assert on_disk(database, tenant, where) == 0


def test_interrupted_it_says_what_is_kept(
    tenant: Tenant, urls: Urls, database: Database, tmp_path: Path
) -> None:
    many = 300_000
    file = a_file(tmp_path, "a.csv", table("PR-1", many))
    child = start(urls, tenant, file)
    while on_disk(database, tenant, "held_reading") == 0:
        assert child.poll() is None
        time.sleep(0.02)
    child.send_signal(signal.SIGINT)
    said, _ = child.communicate(timeout=60)
    assert child.returncode == 130, said
    before = on_disk(database, tenant, "held_reading")
    assert 0 < before < many
    assert counted(before, held=before) in said
    assert "importing the file again is harmless" in said
    assert "Traceback" not in said
    assert counted(many, held=many) in imported(urls, tenant, file)
    assert on_disk(database, tenant, "held_reading") == many


COMMAND = f"""
import sys
from service.cli import main
{PEAK_KB}
try:
    main()
except SystemExit as ended:
    assert not ended.code
print("peak", peak_kb())
"""


def test_memory_does_not_grow_with_the_file(tenant: Tenant, urls: Urls, tmp_path: Path) -> None:
    """Ten times the file, at most a third of the difference in memory."""
    peak_kb = {}
    size = len(lines("PR-1", 1_000)) / 1_000
    for wanted in (2_000_000, 20_000_000):
        file = a_file(tmp_path, "a.ndjson", lines("PR-1", int(wanted / size)))
        done = subprocess.run(
            [sys.executable, "-c", COMMAND, "import", str(file), "--organisation", tenant.name],
            env=environment(urls),
            cwd=TOP,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert done.returncode == 0, done.stdout + done.stderr
        assert "0 refused" in done.stdout
        peak_kb[wanted] = int(done.stdout.split()[-1])
    assert peak_kb[20_000_000] - peak_kb[2_000_000] < 6_000, peak_kb
