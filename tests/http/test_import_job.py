"""Reading an import: every form, resumed after a crash, cancelled, tried, in flat memory; no reading counted twice."""

import gzip
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import datetime
from typing import Any

import cbor2
import httpx
import pytest
from backports import zstd
from sqlalchemy import text

from service.domain.authority import Scope
from service.jobs.imports import read_import
from service.jobs.tasks import Interrupted
from service.operations import organisations
from service.settings import Settings
from service.storage.database import STEWARD_ROLE, Database, connect_engine
from tests import live
from tests.builders import a_bag, a_probe, a_site
from tests.conftest import Tenant, Urls
from tests.http.imported import (
    CBOR,
    JSON,
    LINES,
    MANY,
    PEAK_KB,
    SENML,
    TABLE,
    at,
    counts,
    lines,
    on_disk,
    read,
    reading,
    refusals,
    table,
    taken,
)
from tests.live import TOP


@pytest.mark.parametrize("form", [LINES, TABLE])
def test_thirty_thousand_readings_end_to_end(tenant: Tenant, database: Database, form: str) -> None:
    """1 in 20 is refused, which is more than a page of refusals and more than a piece holds in a list."""
    serial = a_probe(tenant)["serial"]
    make, first_line = (lines, 1) if form == LINES else (table, 2)
    import_id = taken(tenant, make(serial, MANY, bad=lambda place: place % 20 == 7), form)
    shown = read(database, tenant, import_id)
    assert shown["state"] == "done"
    assert counts(shown) == {"received": MANY, "stored": 28_500, "refused": 1_500}
    assert shown["progress_pct"] == 100
    assert shown["bytes_done"] == shown["bytes_total"]
    assert shown["started_at"] <= shown["finished_at"]
    assert shown["links"]["cancel"] is None
    assert on_disk(database, tenant) == 28_500
    assert on_disk(database, tenant, "import_chunk") == 0
    listed = refusals(tenant, import_id)
    assert [item["index"] for item in listed] == list(range(7, MANY, 20))
    assert [item["line"] for item in listed] == [first_line + place for place in range(7, MANY, 20)]
    assert {item["type"] for item in listed} == {"/problems/reading-bad-value"}
    assert listed[1]["pointer"] == "/27/value"
    assert "warm" in listed[1]["detail"]


def senml(serial: str, count: int) -> list[dict[str, Any]]:
    """The same as a pack of RFC 8428, its base name the probe's."""
    pack = [
        {
            "n": "temperature",
            "u": "Cel",
            "t": datetime.fromisoformat(at(place)).timestamp(),
            "v": 40 + place % 300 / 10,
        }
        for place in range(count)
    ]
    pack[0]["bn"] = f"{serial}/"
    return pack


def bag(serial: str, count: int) -> bytes:
    return json.dumps(a_bag(*(reading(serial, place) for place in range(count)))).encode()


@pytest.mark.parametrize("coding", [None, "gzip", "zstd"])
@pytest.mark.parametrize(
    ("form", "make"),
    [
        (JSON, bag),
        (SENML, lambda serial, count: json.dumps(senml(serial, count)).encode()),
        (CBOR, lambda serial, count: cbor2.dumps([_labels(one) for one in senml(serial, count)])),
        (TABLE, table),
        (LINES, lines),
    ],
    ids=["json", "senml-json", "senml-cbor", "csv", "ndjson"],
)
def test_every_form_under_every_coding(
    tenant: Tenant, database: Database, form: str, make: Callable[[str, int], bytes], coding: str | None
) -> None:
    serial = a_probe(tenant)["serial"]
    body = make(serial, 6_000)
    coded = {None: body, "gzip": gzip.compress(body), "zstd": zstd.compress(body)}[coding]
    import_id = taken(tenant, coded, form, **({"Content_Encoding": coding} if coding else {}))
    shown = read(database, tenant, import_id)
    assert shown["problem"] is None
    assert counts(shown) == {"received": 6_000, "stored": 6_000}
    assert (shown["content_coding"], shown["bytes_done"]) == (coding, len(coded))


def _labels(record: dict[str, Any]) -> dict[int, Any]:
    """RFC 8428, table 4: the integers that stand for the names in CBOR."""
    number = {"bn": -2, "n": 0, "u": 1, "v": 2, "t": 6}
    return {number[name]: value for name, value in record.items()}


def test_the_same_file_again_changes_nothing(tenant: Tenant, database: Database) -> None:
    serial = a_probe(tenant)["serial"]
    body = lines(serial, 12_000)
    read(database, tenant, taken(tenant, body))
    again = read(database, tenant, taken(tenant, body))
    assert counts(again) == {"received": 12_000, "duplicate": 12_000}
    assert on_disk(database, tenant) == 12_000
    assert on_disk(database, tenant, "disputed_reading") == 0


def test_what_stands_is_disputed_and_what_is_unknown_held(tenant: Tenant, database: Database) -> None:
    serial = a_probe(tenant)["serial"]
    read(database, tenant, taken(tenant, lines(serial, 10)))
    other = [
        reading(serial, 3, value=12.5),
        reading(serial, 4),
        reading("PR-UNKNOWN", 5),
        reading(serial, 11),
    ]
    shown = read(database, tenant, taken(tenant, "\n".join(map(json.dumps, other)).encode()))
    assert counts(shown) == {"received": 4, "stored": 1, "duplicate": 1, "disputed": 1, "held": 1}


def test_a_dry_run_stores_nothing(tenant: Tenant, database: Database) -> None:
    serial = a_probe(tenant)["serial"]
    body = lines(serial, 6_000, bad=lambda place: place == 5_500) + lines("PR-UNKNOWN", 10)
    shown = read(database, tenant, taken(tenant, body, query="?dry_run=true"))
    assert (shown["state"], shown["dry_run"]) == ("done", True)
    assert (shown["received"], shown["refused"]) == (6_010, 1)
    assert [shown[name] for name in ("stored", "duplicate", "disputed", "held")] == [None] * 4
    assert [item["line"] for item in refusals(tenant, shown["id"])] == [5_501]
    for kept in ("reading", "held_reading", "disputed_reading", "batch", "import_chunk"):
        assert on_disk(database, tenant, kept) == 0, kept


class TestLimitsOfTheKeyHoldInTheJob:
    def test_of_its_site(self, tenant: Tenant, database: Database) -> None:
        ours, theirs = a_site(tenant)["id"], a_site(tenant)["id"]
        own, strange = a_probe(tenant, site_id=ours)["serial"], a_probe(tenant, site_id=theirs)["serial"]
        body = b"\n" + lines(own, 3) + lines(strange, 2) + lines(own, 1, bad=lambda _: True)
        import_id = taken(tenant, body, key=tenant.key_for("ingest", site_id=ours))
        shown = read(database, tenant, import_id)
        assert shown["site_id"] == ours
        assert counts(shown) == {"received": 6, "stored": 3, "refused": 3}
        assert [(item["line"], item["index"], item["type"]) for item in refusals(tenant, import_id)] == [
            (5, 3, "/problems/reading-not-this-site"),
            (6, 4, "/problems/reading-not-this-site"),
            (7, 5, "/problems/reading-bad-value"),
        ]
        dry = taken(tenant, body, key=tenant.key_for("ingest", site_id=ours), query="?dry_run=true")
        assert read(database, tenant, dry)["refused"] == 3

    def test_of_its_gateway(self, tenant: Tenant, database: Database) -> None:
        gateway = tenant.post("/v1/gateways", {"name": "north", "serials": ["PR-OWN"]})
        key = tenant.post(f"/v1/gateways/{gateway['id']}/keys", {"name": "north"})
        a_probe(tenant, serial="PR-OWN")
        a_probe(tenant, serial="PR-STRANGE")
        import_id = taken(tenant, lines("PR-OWN", 2) + lines("PR-STRANGE", 2), key=key["token"])
        assert counts(read(database, tenant, import_id)) == {"received": 4, "stored": 2, "refused": 2}
        assert [item["line"] for item in refusals(tenant, import_id)] == [3, 4]
        with database.begin(tenant.organisation_id) as session:
            senders = session.execute(text("select credential_id::text, gateway from batch")).all()
        assert senders == [(key["id"], None)]

    def test_a_bag_may_not_speak_for_another_gateway(self, tenant: Tenant, database: Database) -> None:
        gateway = tenant.post("/v1/gateways", {"name": "north"})
        key = tenant.post(f"/v1/gateways/{gateway['id']}/keys", {"name": "north"})
        body = json.dumps(a_bag(reading("PR-1", 0), gateway="south")).encode()
        shown = read(database, tenant, taken(tenant, body, JSON, key=key["token"]))
        assert shown["state"] == "failed"
        assert "/gateway" in shown["problem"]

    def test_a_file_is_no_word_from_its_gateway(self, tenant: Tenant, database: Database) -> None:
        """Written weeks before it is sent, it would put the gateway's clock in doubt, and its readings with it."""
        serial = a_probe(tenant)["serial"]
        body = json.dumps(a_bag(reading(serial, 0), gateway="north", sent_at=at(1))).encode()
        assert counts(read(database, tenant, taken(tenant, body, JSON)))["stored"] == 1
        with database.begin(tenant.organisation_id) as session:
            assert session.execute(text("select flag from reading")).scalar_one() == 1
            assert session.execute(text("select gateway, sent_at from batch")).one() == (None, None)


class TestWhatCannotBeRead:
    @pytest.mark.parametrize(
        ("body", "form", "coding", "problem"),
        [
            (b"{", JSON, "identity", "not JSON"),
            (b"[1]", JSON, "identity", "readings"),
            (b"plain", LINES, "gzip", "not gzip"),
            (b"plain", TABLE, "zstd", "not zstd"),
            (b"x" * (70 << 10), LINES, "identity", "line 1 is longer"),
            (b"probe,observed_at,quantity,value,unit\nP,2026-05-04T09:00:00,temperature,1,Cel", TABLE, "identity",
             "/time_zone"),
            (b"a,b\n1,2", TABLE, "identity", "/probe"),
            (b"", TABLE, "identity", "empty"),
        ],
    )  # fmt: skip
    def test_ends_as_failed_and_says_why(
        self, tenant: Tenant, database: Database, body: bytes, form: str, coding: str, problem: str
    ) -> None:
        shown = read(database, tenant, taken(tenant, body, form, Content_Encoding=coding))
        assert shown["state"] == "failed"
        assert problem in shown["problem"]
        assert shown["finished_at"] is not None
        assert (on_disk(database, tenant), on_disk(database, tenant, "import_chunk")) == (0, 0)

    def test_to_its_end_keeps_what_came_before(self, tenant: Tenant, database: Database) -> None:
        serial = a_probe(tenant)["serial"]
        body = gzip.compress(lines(serial, 12_000))
        shown = read(database, tenant, taken(tenant, body[:-2_000], Content_Encoding="gzip"))
        assert shown["state"] == "failed"
        assert "cut off" in shown["problem"]
        assert counts(shown) == {"received": 10_000, "stored": 10_000}
        assert on_disk(database, tenant) == 10_000

    def test_a_whole_document_has_a_cap(self, tenant: Tenant, database: Database) -> None:
        import_id = taken(tenant, bag("PR-1", 200), JSON)
        shown = read(database, tenant, import_id, max_bag_bytes=1024)
        assert shown["state"] == "failed"
        assert "8192 bytes" in shown["problem"]
        assert LINES in shown["problem"]

    @pytest.mark.parametrize("pack", [gzip.compress, zstd.compress])
    def test_a_bomb_is_stopped(
        self, tenant: Tenant, database: Database, pack: Callable[[bytes], bytes]
    ) -> None:
        """200 MB of line ends in a few kB: within a limit they are nothing, over it they are refused."""
        bomb = pack(b"\n" * 200_000_000)
        coding = "gzip" if pack is gzip.compress else "zstd"
        import_id = taken(tenant, bomb, Content_Encoding=coding)
        shown = read(database, tenant, import_id, max_import_bytes=1 << 20)
        assert shown["state"] == "failed"
        assert "8388608 bytes" in shown["problem"]

    def test_a_member_named_nul_is_listed(self, tenant: Tenant, database: Database) -> None:
        body = json.dumps(reading("PR-1", 0) | {"\0\ud800": 1}).encode()
        import_id = taken(tenant, body)
        assert counts(read(database, tenant, import_id)) == {"received": 1, "refused": 1}
        assert len(refusals(tenant, import_id)) == 1

    def test_a_fault_of_the_service_is_raised_for_the_queue(self, tenant: Tenant, database: Database) -> None:
        import_id = taken(tenant, lines("PR-1", 10))
        with database.begin(tenant.organisation_id) as session:
            session.execute(text("delete from import_chunk"))
        with pytest.raises(RuntimeError, match="lacks piece 0"):
            read(database, tenant, import_id)
        assert tenant.get(f"/v1/imports/{import_id}")["state"] == "running"


class TestGoingOn:
    @pytest.mark.parametrize(("form", "make"), [(LINES, lines), (TABLE, table)])
    def test_an_interrupted_run_is_gone_on_with(
        self, tenant: Tenant, database: Database, form: str, make: Callable[..., bytes]
    ) -> None:
        serial = a_probe(tenant)["serial"]
        body = gzip.compress(make(serial, MANY, bad=lambda place: place % 1000 == 0))
        import_id = taken(tenant, body, form, Content_Encoding="gzip")
        seen: list[dict[str, Any]] = []

        def stop_after_two() -> None:
            seen.append(tenant.get(f"/v1/imports/{import_id}"))
            if len(seen) == 2:
                raise Interrupted

        with pytest.raises(Interrupted):
            read_import(
                database, tenant.organisation_id, import_id, settings=Settings(), go_on=stop_after_two
            )
        assert [one["received"] for one in seen] == [5_000, 10_000]
        assert [one["state"] for one in seen] == ["running", "running"]
        assert 0 < seen[0]["progress_pct"] < seen[1]["progress_pct"] < 100
        shown = read(database, tenant, import_id)
        assert counts(shown) == {"received": MANY, "stored": MANY - 30, "refused": 30}
        assert shown["started_at"] == seen[0]["started_at"]
        assert [item["index"] for item in refusals(tenant, import_id)] == list(range(0, MANY, 1000))

    def test_kill_minus_nine_counts_nothing_twice(
        self, tenant: Tenant, database: Database, urls: Urls
    ) -> None:
        """Killed again and again, wherever it happens to be, until it comes through."""
        serial = a_probe(tenant)["serial"]
        import_id = taken(tenant, lines(serial, 60_000, bad=lambda place: place % 100 == 0))
        reached, killed = [0], 0
        while reached[-1] < 40_000:
            child = run_apart(urls, tenant, import_id)
            while (now := tenant.get(f"/v1/imports/{import_id}")["received"]) <= reached[-1]:
                assert child.poll() is None, "the job ended by itself"
                time.sleep(0.005)
            time.sleep(0.02)
            os.kill(child.pid, signal.SIGKILL)
            child.communicate()
            killed += 1
            reached.append(now)
        assert killed >= 2
        assert tenant.get(f"/v1/imports/{import_id}")["state"] == "running"
        assert on_disk(database, tenant) == tenant.get(f"/v1/imports/{import_id}")["stored"]
        shown = read(database, tenant, import_id)
        assert counts(shown) == {"received": 60_000, "stored": 59_400, "refused": 600}
        assert on_disk(database, tenant) == 59_400
        assert [item["index"] for item in refusals(tenant, import_id)] == list(range(0, 60_000, 100))

    def test_two_runs_at_once_read_each_reading_once(self, tenant: Tenant, database: Database) -> None:
        serial = a_probe(tenant)["serial"]
        import_id = taken(tenant, lines(serial, MANY, bad=lambda place: place % 100 == 0))
        together = threading.Barrier(2)
        faults: list[BaseException] = []

        def run() -> None:
            together.wait()
            try:
                read_import(database, tenant.organisation_id, import_id, settings=Settings())
            except BaseException as error:  # noqa: BLE001 - told in the test's own thread
                faults.append(error)

        runs = [threading.Thread(target=run) for _ in range(2)]
        for one in runs:
            one.start()
        for one in runs:
            one.join()
        assert not faults
        shown = tenant.get(f"/v1/imports/{import_id}")
        assert shown["state"] == "done"
        assert counts(shown) == {"received": MANY, "stored": MANY - 300, "refused": 300}

    def test_a_run_too_many_does_nothing(self, tenant: Tenant, database: Database) -> None:
        import_id = taken(tenant, lines(a_probe(tenant)["serial"], 10))
        once = read(database, tenant, import_id)
        assert read(database, tenant, import_id) == once


def test_cancel_is_seen_between_pieces_and_keeps_what_was_kept(tenant: Tenant, database: Database) -> None:
    serial = a_probe(tenant)["serial"]
    import_id = taken(tenant, lines(serial, MANY))
    answers = []

    def cancel() -> None:
        answers.append(tenant.call("POST", f"/v1/imports/{import_id}/cancel"))

    read_import(database, tenant.organisation_id, import_id, settings=Settings(), go_on=cancel)
    assert [answer.status_code for answer in answers] == [200]
    shown = tenant.get(f"/v1/imports/{import_id}")
    assert shown == answers[0].json()
    assert shown["state"] == "cancelled"
    assert "first 5000 readings stays" in shown["problem"]
    assert counts(shown) == {"received": 5_000, "stored": 5_000}
    assert on_disk(database, tenant) == 5_000
    assert on_disk(database, tenant, "import_chunk") == 0


APART = f"""
import sys
from service.jobs.imports import read_import
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, Database, connect_engine
{PEAK_KB}
url, organisation, import_id = sys.argv[1:]
database = Database(connect_engine(url, role=SERVICE_ROLE, pool_size=2))
before = peak_kb()
read_import(database, int(organisation), import_id, settings=Settings())
print(before, peak_kb())
"""


def run_apart(urls: Urls, tenant: Tenant, import_id: str) -> "subprocess.Popen[str]":
    """Run the job in a process of its own."""
    return subprocess.Popen(
        [sys.executable, "-c", APART, urls.service, str(tenant.organisation_id), import_id],
        cwd=TOP,
        stdout=subprocess.PIPE,
        text=True,
    )


def test_through_the_real_worker(fresh: Urls) -> None:
    """A file posted to a running service is read by its worker, without anybody's help."""
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    key = organisations.create_key(steward, "A", name="test", scopes=frozenset(Scope)).token
    steward.close()
    body = gzip.compress(lines("PR-1", MANY, bad=lambda place: place % 100 == 0))
    head = {"Authorization": f"Bearer {key}"}
    sent = {"Content-Type": LINES, "Content-Encoding": "gzip", "Prefer": "respond-async"}
    environment = {"DATABASE_URL": fresh.service, "HEAPLEDGER_OWNER_URL": fresh.owner}
    with (
        live.serving(environment, "--no-migrate") as served,
        httpx.Client(base_url=served.base_url, headers=head) as client,
    ):
        client.post("/v1/probes", json={"serial": "PR-1"}).raise_for_status()
        answer = client.post("/v1/readings", content=body, headers=sent)
        assert answer.status_code == 202, answer.text
        until = time.monotonic() + 60
        while (shown := client.get(answer.headers["location"]).json())["state"] in {"waiting", "running"}:
            assert time.monotonic() < until, shown
            time.sleep(0.1)
    assert shown["state"] == "done"
    assert counts(shown) == {"received": MANY, "stored": MANY - 300, "refused": 300}


@pytest.mark.parametrize(("form", "make"), [(LINES, lines), (TABLE, table)])
def test_memory_does_not_grow_with_the_file(
    tenant: Tenant, urls: Urls, form: str, make: Callable[[str, int], bytes]
) -> None:
    """Ten times the file, at most a quarter of the difference in memory."""
    serial = a_probe(tenant)["serial"]
    grown_kb = {}
    size = len(make(serial, 1_000)) / 1_000
    for wanted in (2_000_000, 20_000_000):
        import_id = taken(tenant, make(serial, int(wanted / size)), form)
        grown_kb[wanted] = grown_by(urls, tenant, import_id)
        assert tenant.get(f"/v1/imports/{import_id}")["state"] == "done"
    assert grown_kb[20_000_000] - grown_kb[2_000_000] < 4_500, grown_kb


def test_a_dense_body_is_inflated_bit_by_bit(tenant: Tenant, urls: Urls) -> None:
    """200 MB that came as some twenty kB are never in memory together."""
    body = zstd.compress((b" " * 60_000 + b"\n") * 3_300 + lines("PR-1", 1))
    assert len(body) < 100_000
    import_id = taken(tenant, body, Content_Encoding="zstd")
    grown = grown_by(urls, tenant, import_id)
    assert grown < 64_000
    assert counts(tenant.get(f"/v1/imports/{import_id}")) == {"received": 1, "held": 1}


def grown_by(urls: Urls, tenant: Tenant, import_id: str) -> int:
    """Run the job in a process of its own and return by how much its memory grew at most [kB]."""
    child = run_apart(urls, tenant, import_id)
    told, _ = child.communicate(timeout=120)
    assert child.returncode == 0
    before, after = map(int, told.split())
    return after - before
