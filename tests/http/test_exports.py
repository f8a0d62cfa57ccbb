"""A whole series as CSV or Parquet, read back by tools that are not ours and held against the pages."""

import asyncio
import csv
import io
import sys
import time
import tracemalloc
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import httpx
import polars as pl
import psycopg
import pyarrow.parquet as pq
import pytest
from fastapi.responses import StreamingResponse

from service.domain.authority import Scope
from service.domain.quantities import Quantity
from service.http.exports import export
from service.operations import organisations
from service.storage.database import STEWARD_ROLE, Database, connect_engine
from service.storage.frames import frame_of_probe
from service.storage.records import find
from service.storage.tables import ProbeRow
from tests import live
from tests.builders import a_pile, a_placement, a_probe, a_site
from tests.conftest import Tenant, Urls
from tests.http.test_reading_series import START, a_life, correct, pages, send

CSV, PARQUET, JSON = "text/csv", "application/vnd.apache.parquet", "application/json"


def fetch(tenant: Tenant, path: str, accept: str, **asked: str) -> Any:
    headers = {"Authorization": f"Bearer {tenant.key}", "Accept": accept}
    return tenant.client.get(path, params=asked, headers=headers)


@pytest.fixture
def heap(tenant: Tenant) -> tuple[dict[str, Any], dict[str, Any]]:
    """A pile in Lisbon over the change of its clock, with awkward readings of two probes."""
    site = a_site(tenant, time_zone="Europe/Lisbon")
    pile = a_pile(tenant, site["id"])
    first = a_probe(tenant, serial="PR-export-1", site_id=site["id"])
    second = a_probe(tenant, serial="@SUM(A1)")
    begins = datetime(2026, 3, 27, 9, 0, 0, 250_000, tzinfo=UTC)
    a_placement(tenant, first["id"], pile["id"], **{"from": begins.isoformat()})
    a_placement(
        tenant, second["id"], pile["id"], position='=1+"2", é', depth_cm=42.5, **{"from": begins.isoformat()}
    )
    rows = a_life(begins, 100)
    rows[7] = (rows[7][0], 99.5)
    send(tenant, first["serial"], rows)
    frost = [
        (moment, round(-5.3 + n % 7 / 10, 1)) for n, (moment, _) in enumerate(a_life(begins, 100, step_h=0.9))
    ]
    send(tenant, second["serial"], frost)
    hour = timedelta(hours=1)
    correct(
        tenant, first, "shift", (begins + 20 * hour).isoformat(), (begins + 22 * hour).isoformat(), by_s=90.5
    )
    correct(tenant, first, "unit", (begins + 30 * hour).isoformat(), (begins + 31 * hour).isoformat(),
            quantity="temperature", unit="K")  # fmt: skip
    return pile, first


def as_page_item(row: dict[str, str | None], *, has_pile: bool) -> dict[str, Any]:
    """Read a row of the CSV as an item of a page."""
    by = (row["corrections"] or "").split()
    item = {
        "probe": row["probe"], "position": row["position"] or None,
        "depth_cm": float(row["depth_cm"]) if row["depth_cm"] else None,
        "observed_at": row["observed_at"], "quantity": row["quantity"], "value": float(row["value"] or "nan"),
        "unit": row["unit"], "flag": int(row["flag"] or 0), "tests": (row["tests"] or "").split(),
        "counts": row["counts"] == "true",
        "corrected": {"by": by, "recorded_at": row["recorded_at"] or None,
                      "recorded_unit": row["recorded_unit"] or None} if by else None,
    }  # fmt: skip
    return item | {"pile_id": row["pile_id"] or None} if has_pile else item


def made_plain(items: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Put the apostrophe a spreadsheet needs before texts of ours that look like formulas."""
    return [
        item
        | {name: f"'{item[name]}" for name in ("probe", "position") if (item[name] or "")[:1] in set("=+-@")}
        for item in items
    ]


class TestCsv:
    def test_holds_what_the_pages_hold(self, tenant: Tenant, heap: Any) -> None:
        pile, probe = heap
        for path, has_pile in (
            (f"/v1/piles/{pile['id']}/readings", False),
            (f"/v1/probes/{probe['id']}/readings", True),
        ):
            answer = fetch(tenant, path, CSV)
            assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
            assert "Accept" in answer.headers["vary"]
            rows = list(csv.DictReader(io.StringIO(answer.text, newline=""), strict=True))
            items = made_plain(pages(tenant, path, limit=37))
            assert [as_page_item(row, has_pile=has_pile) for row in rows] == items
            frame = pl.read_csv(answer.content, infer_schema=False, empty_string_is_null=False)
            assert frame.to_dicts() == rows

    def test_ends_every_line_as_rfc_4180_does(self, tenant: Tenant, heap: Any) -> None:
        text = fetch(tenant, f"/v1/piles/{heap[0]['id']}/readings", CSV).content
        assert text.endswith(b"\r\n")
        assert text.count(b"\r\n") == text.count(b"\n") == text.count(b"\r")

    def test_tells_the_sites_time_beside_utc(self, tenant: Tenant, heap: Any) -> None:
        answer = fetch(tenant, f"/v1/piles/{heap[0]['id']}/readings", CSV)
        zone = ZoneInfo("Europe/Lisbon")
        offsets = set()
        for row in csv.DictReader(io.StringIO(answer.text)):
            utc, local = (datetime.fromisoformat(row[name]) for name in ("observed_at", "observed_at_local"))
            assert row["observed_at"].endswith("Z")
            assert utc == local
            assert local.replace(tzinfo=None) == utc.astimezone(zone).replace(tzinfo=None)
            offsets.add(row["observed_at_local"][-6:])
        assert offsets == {"+00:00", "+01:00"}

    def test_makes_texts_plain_that_a_spreadsheet_would_run_and_leaves_numbers_alone(
        self, tenant: Tenant, heap: Any
    ) -> None:
        rows = list(
            csv.DictReader(io.StringIO(fetch(tenant, f"/v1/piles/{heap[0]['id']}/readings", CSV).text))
        )
        second = [row for row in rows if row["depth_cm"]]
        assert {(row["probe"], row["position"]) for row in second} == {("'@SUM(A1)", '\'=1+"2", é')}
        assert min(float(row["value"]) for row in second) == -5.3
        assert {row["probe"] for row in rows if not row["depth_cm"]} == {"PR-export-1"}

    @pytest.mark.parametrize("resolution", ["hour", "day"])
    def test_of_hours_and_days_holds_what_their_pages_hold(
        self, tenant: Tenant, heap: Any, resolution: str
    ) -> None:
        path = f"/v1/piles/{heap[0]['id']}/readings"
        rows = list(csv.DictReader(io.StringIO(fetch(tenant, path, CSV, resolution=resolution).text)))
        items = pages(tenant, path, resolution=resolution)
        assert len(rows) == len(items) > 4
        numbers = ("count", "minimum", "mean", "maximum")
        assert [[row[name] for name in ("from", "to", "unit", "first_at", "last_at")] for row in rows] == [
            [item[name] for name in ("from", "to", "unit", "first_at", "last_at")] for item in items
        ]
        assert [[float(row[name]) for name in numbers] for row in rows] == [
            [item[name] for name in numbers] for item in items
        ]

    def test_without_a_reading_is_a_header(self, tenant: Tenant) -> None:
        path = f"/v1/probes/{a_probe(tenant)['id']}/readings"
        assert fetch(tenant, path, CSV).text.count("\r\n") == 1
        assert fetch(tenant, path, CSV, resolution="day").text.startswith(
            "pile_id,position,from,from_local,to,"
        )

    def test_can_be_sent_to_another_organisation(self, tenant: Tenant, other: Tenant, heap: Any) -> None:
        """What left counts the same where it arrives, and a second time it is all there already."""
        path = f"/v1/probes/{heap[1]['id']}/readings"
        text = fetch(tenant, path, CSV).content
        a_probe(other, serial="PR-export-1")
        headers = {"Authorization": f"Bearer {other.key}", "Content-Type": "text/csv"}
        first, again = (
            other.client.post("/v1/readings", content=text, headers=headers).json() for _ in range(2)
        )
        there = len(pages(tenant, path))
        assert (first["received"], first["stored"], first["refused"]) == (there, there, [])
        assert (again["stored"], again["duplicate"], again["disputed"]) == (0, there, 0)


class TestParquet:
    def read(self, tenant: Tenant, folder: Path, path: str, **asked: str) -> Path:
        answer = fetch(tenant, path, PARQUET, **asked)
        assert answer.status_code == 200, answer.text
        assert answer.headers["content-type"] == PARQUET
        file = folder / "readings.parquet"
        file.write_bytes(answer.content)
        return file

    def test_is_read_by_duckdb_with_the_same_count_instants_and_extremes(
        self, tenant: Tenant, heap: Any, tmp_path: Path
    ) -> None:
        path = f"/v1/piles/{heap[0]['id']}/readings"
        file = self.read(tenant, tmp_path, path)
        items = pages(tenant, path)
        with duckdb.connect() as found:
            found.execute("set timezone = 'UTC'")
            kind = found.execute(f"select typeof(observed_at) from '{file}' limit 1").fetchone()
            row = found.execute(
                "select count(*), min(observed_at), max(observed_at), min(value), avg(value), max(value),"
                f" count(distinct probe), count(*) filter (counts), count(recorded_at) from '{file}'"
            ).fetchone()
        assert kind == ("TIMESTAMP WITH TIME ZONE",)
        values = [item["value"] for item in items]
        moments = [datetime.fromisoformat(item["observed_at"]) for item in items]
        assert row == (
            len(items), min(moments), max(moments), min(values), pytest.approx(sum(values) / len(values)),
            max(values), 2, sum(item["counts"] for item in items),
            sum(bool(item["corrected"] and item["corrected"]["recorded_at"]) for item in items),
        )  # fmt: skip

    def test_is_read_by_polars_reading_by_reading(self, tenant: Tenant, heap: Any, tmp_path: Path) -> None:
        path = f"/v1/piles/{heap[0]['id']}/readings"
        frame = pl.read_parquet(self.read(tenant, tmp_path, path))
        assert frame.schema["observed_at"] == pl.Datetime("us", "UTC")
        assert frame.schema["value"] == pl.Float64
        items = pages(tenant, path)
        assert frame["observed_at"].to_list() == [
            datetime.fromisoformat(item["observed_at"]) for item in items
        ]
        for name in ("value", "flag", "counts", "depth_cm"):
            assert frame[name].to_list() == [item[name] for item in items]
        for name in ("probe", "position", "unit", "quantity"):
            assert frame[name].cast(pl.String).to_list() == [item[name] for item in items]
        assert frame["tests"].cast(pl.String).to_list() == [" ".join(item["tests"]) or None for item in items]

    def test_names_the_sites_zone_and_packs_texts_once(
        self, tenant: Tenant, heap: Any, tmp_path: Path
    ) -> None:
        file = self.read(tenant, tmp_path, f"/v1/piles/{heap[0]['id']}/readings")
        schema = pq.read_schema(file)
        assert schema.metadata[b"time_zone"] == b"Europe/Lisbon"
        assert str(schema.field("observed_at").type) == "timestamp[us, tz=UTC]"
        assert str(schema.field("value").type) == "double"
        assert str(schema.field("position").type).startswith("dictionary<values=string")

    @pytest.mark.parametrize("resolution", ["hour", "day"])
    def test_of_hours_and_days_holds_what_their_pages_hold(
        self, tenant: Tenant, heap: Any, tmp_path: Path, resolution: str
    ) -> None:
        path = f"/v1/piles/{heap[0]['id']}/readings"
        frame = pl.read_parquet(self.read(tenant, tmp_path, path, resolution=resolution))
        items = pages(tenant, path, resolution=resolution)
        for name in ("count", "minimum", "mean", "maximum"):
            assert frame[name].to_list() == [item[name] for item in items]
        for name in ("from", "to", "first_at", "last_at"):
            assert frame[name].to_list() == [datetime.fromisoformat(item[name]) for item in items]

    def test_without_a_reading_has_its_columns(self, tenant: Tenant, tmp_path: Path) -> None:
        frame = pl.read_parquet(self.read(tenant, tmp_path, f"/v1/probes/{a_probe(tenant)['id']}/readings"))
        assert frame.height == 0
        assert {"observed_at", "value", "tests"} <= set(frame.columns)

    def test_is_refused_where_the_extra_is_not_installed(
        self, tenant: Tenant, heap: Any, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        for name in ("pyarrow", "pyarrow.parquet"):
            monkeypatch.setitem(sys.modules, name, None)
        answer = fetch(tenant, f"/v1/piles/{heap[0]['id']}/readings", PARQUET)
        assert (answer.status_code, answer.json()["type"]) == (406, "/problems/not-acceptable")
        assert "heapledger[parquet]" in answer.json()["detail"]
        assert fetch(tenant, f"/v1/piles/{heap[0]['id']}/readings", CSV).status_code == 200


class TestWhatIsAskedFor:
    @pytest.mark.parametrize(
        ("accept", "given"),
        [
            ("*/*", JSON),
            ("application/*", JSON),
            ("application/json", JSON),
            ("text/*", CSV),
            ("TEXT/CSV", CSV),
            ("text/csv, */*", CSV),
            ("text/csv;q=0.4, application/json;q=0.3, */*;q=0.1", CSV),
            ("text/csv;q=0.2, application/json;q=0.3", JSON),
            ("text/html, application/xhtml+xml, */*;q=0.8", JSON),
            ("application/json;q=0, */*", CSV),
            (f"{PARQUET}, text/csv;q=0.9", PARQUET),
            ("text/csv; header=present", CSV),
        ],
    )
    def test_is_what_is_given(self, tenant: Tenant, heap: Any, accept: str, given: str) -> None:
        """RFC 9110, section 12.5.1: weights, and the most exact range that fits."""
        answer = fetch(tenant, f"/v1/piles/{heap[0]['id']}/readings", accept)
        assert answer.status_code == 200, answer.text
        assert answer.headers["content-type"].partition(";")[0] == given

    @pytest.mark.parametrize(
        "accept", ["application/xml", "image/*", "text/csv;q=0", "*/*;q=0", "csv", "text/csv;q=x"]
    )
    def test_if_not_offered_is_refused_with_what_is(self, tenant: Tenant, heap: Any, accept: str) -> None:
        for path in (f"/v1/piles/{heap[0]['id']}/readings", f"/v1/probes/{heap[1]['id']}/readings"):
            answer = fetch(tenant, path, accept)
            assert (answer.status_code, answer.json()["type"]) == (406, "/problems/not-acceptable")
            assert answer.headers["content-type"] == "application/problem+json"
            assert all(offered in answer.json()["detail"] for offered in (JSON, CSV, PARQUET))
        assert tenant.client.get("/problems/not-acceptable").status_code == 200

    def test_as_a_file_has_no_pages(self, tenant: Tenant, heap: Any) -> None:
        path = f"/v1/piles/{heap[0]['id']}/readings"
        assert fetch(tenant, path, CSV, limit="3").text.count("\r\n") == 1 + len(pages(tenant, path))
        answer = fetch(tenant, path, CSV, after="abc")
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["pointer"] == "/after"

    def test_is_described(self, tenant: Tenant) -> None:
        document = tenant.client.get("/openapi.json").json()
        for path in ("/v1/piles/{pile_id}/readings", "/v1/probes/{probe_id}/readings"):
            content = document["paths"][path]["get"]["responses"]["200"]["content"]
            assert set(content) == {JSON, CSV, PARQUET}


def years(tenant: Tenant, readings: int, step_h: float = 0.25) -> dict[str, Any]:
    """A probe with many readings, outside any pile."""
    probe = a_probe(tenant)
    send(
        tenant,
        probe["serial"],
        a_life(START - timedelta(hours=readings * step_h), int(readings * step_h), step_h=step_h),
    )
    return probe


class TestALongFile:
    def test_is_written_in_the_memory_of_a_piece(self, tenant: Tenant, database: Database) -> None:
        def peak_of(readings: int) -> int:
            probe = years(tenant, readings)
            with database.begin(tenant.organisation_id) as session:
                row = find(session, ProbeRow, tenant.organisation_id, probe["id"])
                frame = frame_of_probe(
                    session, row, Quantity.TEMPERATURE, since=START - timedelta(days=2000), until=START
                )
            tracemalloc.start()
            count = asyncio.run(lines_of(export(database, frame, None, ZoneInfo("UTC"), CSV)))
            peak = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
            assert count == readings + 1
            return peak

        async def lines_of(answer: StreamingResponse) -> int:
            return sum([bytes(chunk).count(b"\r\n") async for chunk in answer.body_iterator])

        # A piece is 20,000 readings: five of them take no more than three.
        assert peak_of(100_000) < 1.15 * peak_of(50_000)


MANY = 120_000


@dataclass(frozen=True)
class Slow:
    """A service of its own with a probe of many readings."""

    owner: str
    base_url: str
    key: str
    probe_id: str

    def asked(self, client: httpx.Client, accept: str) -> Any:
        path = f"{self.base_url}/v1/probes/{self.probe_id}/readings"
        return client.stream("GET", path, headers={"Authorization": f"Bearer {self.key}", "Accept": accept})

    def as_owner(self, statement: str, *values: Any) -> Any:
        with psycopg.connect(self.owner.replace("+psycopg", ""), autocommit=True) as connection:
            return connection.execute(statement, values)  # type: ignore[arg-type]


@pytest.fixture
def slow(fresh: Urls) -> Iterator[Slow]:
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    made = organisations.create_key(steward, "slow", name="x", scopes=frozenset(Scope))
    steward.close()
    with live.serving({"DATABASE_URL": fresh.service}, "--no-migrate") as served:
        headers = {"Authorization": f"Bearer {made.token}"}
        probe = httpx.post(f"{served.base_url}/v1/probes", json={"serial": "PR-1"}, headers=headers).json()
        found = Slow(fresh.owner, served.base_url, made.token, probe["id"])
        found.as_owner(
            "insert into reading (organisation_id, probe, quantity, observed_at, value, unit, flag, batch_id)"
            " select p.organisation_id, p.number, 1, timestamptz '2026-02-01Z' + n * interval '1 minute',"
            " 55 + n %% 30 / 10.0, 1, 1, 1 from probe p, generate_series(0, %s - 1) n",
            MANY,
        )
        yield found


@pytest.mark.xdist_group("live")
class TestASlowReader:
    @pytest.mark.parametrize("accept", [CSV, PARQUET])
    def test_keeps_no_transaction_open(self, slow: Slow, accept: str) -> None:
        with httpx.Client(timeout=60) as client, slow.asked(client, accept) as answer:
            chunks = answer.iter_raw()
            read = len(next(chunks))
            # Whoever is in the middle of a piece is done with it soon; nobody waits for the reader.
            until = time.monotonic() + 20
            while (open_ones := self._open_transactions(slow)) and time.monotonic() < until:
                time.sleep(0.05)
            assert open_ones == []
            read += sum(len(chunk) for chunk in chunks)
            assert read > 500_000

    def _open_transactions(self, slow: Slow) -> list[str]:
        rows = slow.as_owner(
            "select state || ' ' || query from pg_stat_activity where datname = current_database()"
            " and pid <> pg_backend_pid() and xact_start is not null and backend_type = 'client backend'"
        ).fetchall()
        return [row[0] for row in rows]

    def test_gets_every_line_once_over_many_pieces(self, slow: Slow) -> None:
        with httpx.Client(timeout=60) as client, slow.asked(client, CSV) as answer:
            rows = list(csv.DictReader(answer.iter_lines()))
        moments = [row["observed_at"] for row in rows]
        assert len(moments) == MANY
        assert moments == sorted(set(moments))

    @pytest.mark.parametrize("accept", [CSV, PARQUET])
    def test_sees_a_broken_connection_when_the_record_fails_on_the_way(self, slow: Slow, accept: str) -> None:
        """What came is not taken for the whole; the chunked coding has no end (RFC 9112, section 8)."""
        with httpx.Client(timeout=60) as client, slow.asked(client, accept) as answer:
            assert answer.status_code == 200
            chunks = answer.iter_raw()
            next(chunks)
            slow.as_owner("alter table reading rename to reading_gone")
            with pytest.raises(httpx.RemoteProtocolError):
                for _ in chunks:
                    pass
        slow.as_owner("alter table reading_gone rename to reading")
        with httpx.Client(timeout=60) as client, slow.asked(client, accept) as answer:
            assert len(answer.read()) > 500_000

    def test_is_told_a_problem_when_the_record_fails_at_once(self, slow: Slow) -> None:
        slow.as_owner("alter table reading rename to reading_gone")
        with httpx.Client(timeout=60) as client, slow.asked(client, CSV) as answer:
            assert answer.status_code == 500
            assert answer.headers["content-type"] == "application/problem+json"
