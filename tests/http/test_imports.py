"""Imports taken in, looked at and cancelled over HTTP."""

import asyncio
import threading
from collections.abc import AsyncIterator, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import text

from service.app import create_app
from service.domain.authority import Caller, Scope
from service.domain.errors import Conflict
from service.http.asking import Asked
from service.http.imports import take_import
from service.operations import imports
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, Database, connect_engine
from tests.builders import a_probe, a_site
from tests.conftest import Tenant, Urls
from tests.http.imported import JSON, LINES, SENML, counts, lines, on_disk, post, read, refusals, taken


def test_202_means_that_the_bytes_are_on_disk(tenant: Tenant, database: Database) -> None:
    body = lines("PR-1", 20_000)
    answer = post(tenant, body)
    assert answer.status_code == 202
    shown = answer.json()
    assert answer.headers["location"] == f"/v1/imports/{shown['id']}" == shown["links"]["self"]
    assert answer.headers["preference-applied"] == "respond-async"
    assert shown["state"] == "waiting"
    assert (shown["bytes_total"], shown["bytes_done"], shown["progress_pct"]) == (len(body), 0, 0)
    with database.begin(tenant.organisation_id) as session:
        chunks = session.execute(text("select body from import_chunk order by number")).scalars().all()
        job = session.execute(
            text("select task_name, args from procrastinate_jobs where args->>'import_id' = :id"),
            {"id": shown["id"]},
        ).one()
    assert b"".join(chunks) == body
    assert [len(chunk) for chunk in chunks[:-1]] == [1 << 20] * (len(body) >> 20)
    assert job == ("read_import", {"organisation_id": tenant.organisation_id, "import_id": shown["id"]})
    assert on_disk(database, tenant) == 0
    again = tenant.call("GET", shown["links"]["self"])
    assert again.json() == shown
    assert again.headers["etag"].strip('"').isdigit()


@pytest.mark.parametrize(
    ("media_type", "query", "headers", "status", "named"),
    [
        ("text/plain", "", {}, 415, "text/plain"),
        (LINES, "", {"Content_Encoding": "br"}, 415, "br"),
        (LINES, "?dry_run=perhaps", {}, 422, "/dry_run"),
        (LINES, "?dryrun=true", {}, 422, "/dryrun"),
        (LINES, "?live=true", {}, 422, "/live"),
        ("text/csv", "?profile=nowhere", {}, 422, "no table profile 'nowhere'"),
        (JSON, "?profile=nowhere", {}, 422, "no uplink profile 'nowhere'"),
        (SENML, "?profile=nowhere", {}, 422, "/profile"),
        ("text/csv", "?time_zone=Mars/Crater", {}, 422, "/time_zone"),
    ],
)
def test_what_does_not_fit_is_told_at_once(
    tenant: Tenant,
    database: Database,
    media_type: str,
    query: str,
    headers: dict[str, str],
    status: int,
    named: str,
) -> None:
    answer = post(tenant, b"", media_type, query=query, **headers)
    assert answer.status_code == status
    assert named in answer.text
    assert on_disk(database, tenant, "reading_import") == 0


@pytest.fixture
def small(urls: Urls) -> Iterator[TestClient]:
    """The app with room for 3 MB at a time."""
    settings = Settings(key_cache_s=0, posts_per_minute=0, max_import_bytes=3_000_000)
    app = create_app(settings, database=Database(connect_engine(urls.service, role=SERVICE_ROLE)))
    with TestClient(app, raise_server_exceptions=False) as opened:
        yield opened


def test_a_file_over_the_limit_is_413_and_nothing_of_it_stays(
    tenant: Tenant, database: Database, small: TestClient
) -> None:
    answer = post(tenant, lines("PR-1", 30_000), client=small)
    assert answer.status_code == 413
    assert answer.json()["type"] == "/problems/too-large"
    assert "at most 3000000 bytes" in answer.json()["detail"]
    (shown,) = tenant.get("/v1/imports")["items"]
    assert (shown["state"], shown["received"]) == ("failed", 0)
    assert "at most 3000000 bytes" in shown["problem"]
    assert on_disk(database, tenant, "import_chunk") == 0
    assert post(tenant, lines("PR-1", 20_000), client=small).status_code == 202


async def _posted(app: Any, tenant: Tenant, *pieces: bytes) -> list[dict[str, Any]]:
    """Send pieces of a body to the app and hang up before its end; return what it answered."""
    head = {"authorization": f"Bearer {tenant.key}", "content-type": LINES, "prefer": "respond-async"}
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": "/v1/readings",
        "raw_path": b"/v1/readings",
        "query_string": b"",
        "headers": [(name.encode(), value.encode()) for name, value in head.items()],
        "client": ("127.0.0.1", 1),
        "server": ("127.0.0.1", 80),
    }
    coming = [{"type": "http.request", "body": piece, "more_body": True} for piece in pieces]
    coming.append({"type": "http.disconnect"})
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return coming.pop(0)

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    await app(scope, receive, send)
    return sent


def test_a_cut_connection_leaves_an_import_of_which_nothing_is_read(
    tenant: Tenant, database: Database
) -> None:
    body = lines("PR-1", 20_000)
    sent = asyncio.run(_posted(tenant.client.app, tenant, body[:1_500_000], body[1_500_000:2_000_000]))
    assert sent[0]["status"] == 400
    (shown,) = tenant.get("/v1/imports")["items"]
    assert (shown["state"], shown["bytes_total"], shown["progress_pct"]) == ("receiving", 1 << 20, None)
    assert read(database, tenant, shown["id"]) == shown
    assert on_disk(database, tenant) == on_disk(database, tenant, "held_reading") == 0
    now = datetime.now(UTC)
    with database.begin(tenant.organisation_id) as session:
        assert (
            imports.drop_cut_off(session, tenant.organisation_id, before=now - timedelta(days=1), now=now)
            == 0
        )
        assert imports.drop_cut_off(session, tenant.organisation_id, before=now, now=now) == 1
    shown = tenant.get(f"/v1/imports/{shown['id']}")
    assert (shown["state"], shown["problem"]) == ("failed", imports.CUT_OFF)
    assert on_disk(database, tenant, "import_chunk") == 0


class TestIdempotencyKey:
    def test_repeated_gives_the_same_import(self, tenant: Tenant, database: Database) -> None:
        body = lines("PR-1", 10)
        first = post(tenant, body, Idempotency_Key='"spring"')
        read(database, tenant, first.json()["id"])
        again = post(tenant, body, Idempotency_Key="spring")
        assert (again.status_code, again.json()) == (202, first.json())
        assert again.headers["location"] == first.headers["location"]
        assert again.headers["idempotency-replayed"] == "true"
        assert len(tenant.get("/v1/imports")["items"]) == 1
        other = post(tenant, body, Idempotency_Key="spring", key=tenant.key_for("ingest"))
        assert other.json()["id"] != first.json()["id"]

    @pytest.mark.parametrize(("count", "query"), [(11, ""), (10, "?dry_run=true")])
    def test_of_another_request_is_refused(self, tenant: Tenant, count: int, query: str) -> None:
        assert post(tenant, lines("PR-1", 10), Idempotency_Key="k").status_code == 202
        answer = post(tenant, lines("PR-1", count), query=query, Idempotency_Key="k")
        assert answer.status_code == 422
        assert answer.json()["errors"][0]["pointer"] == "/Idempotency-Key"
        assert len(tenant.get("/v1/imports")["items"]) == 1

    def test_side_by_side_makes_one_import(self, tenant: Tenant) -> None:
        body = lines("PR-1", 4_000)
        together = threading.Barrier(4)
        answers: list[Any] = []

        def send() -> None:
            together.wait()
            answers.append(post(tenant, body, Idempotency_Key="k"))

        senders = [threading.Thread(target=send) for _ in range(4)]
        for sender in senders:
            sender.start()
        for sender in senders:
            sender.join()
        assert {answer.status_code for answer in answers} == {202}
        (one,) = {answer.json()["id"] for answer in answers}
        listed = tenant.get("/v1/imports")["items"]
        assert [shown["id"] for shown in listed if shown["state"] == "waiting"] == [one]
        assert {shown["state"] for shown in listed if shown["id"] != one} <= {"failed"}

    def test_that_came_in_second_gives_way(self, tenant: Tenant, database: Database) -> None:
        """Both were let in; the other was whole first."""
        body = lines("PR-1", 10)
        caller = Caller(tenant.organisation_id, UUID(int=1), frozenset({Scope.INGEST}))
        asked = Asked(LINES, "identity", is_strict=False, responds_async=True, key="k")
        answers = []

        async def slowly() -> AsyncIterator[bytes]:
            yield body[:100]
            answers.append(await take_import(caller, asked, _whole(body), database, Settings()))
            yield body[100:]

        answers.append(asyncio.run(take_import(caller, asked, slowly(), database, Settings())))
        assert [answer[0] for answer in answers] == [202, 202]
        assert answers[0][1]["id"] == answers[1][1]["id"]
        states = {shown["state"]: shown["problem"] for shown in tenant.get("/v1/imports")["items"]}
        assert states == {"waiting": None, "failed": "the Idempotency-Key 'k' stands for another import"}
        assert on_disk(database, tenant, "import_chunk") == 1


async def _whole(body: bytes) -> AsyncIterator[bytes]:
    yield body


class TestCancel:
    def test_before_it_is_read(self, tenant: Tenant, database: Database) -> None:
        import_id = taken(tenant, lines("PR-1", 10))
        shown = tenant.post(f"/v1/imports/{import_id}/cancel", None)
        assert (shown["state"], shown["problem"]) == ("cancelled", "cancelled before anything was kept")
        assert shown["links"]["cancel"] is None
        assert on_disk(database, tenant, "import_chunk") == 0
        assert read(database, tenant, import_id) == shown
        assert on_disk(database, tenant, "held_reading") == 0

    @pytest.mark.parametrize("state", ["done", "cancelled", "failed"])
    def test_of_one_that_is_over_is_a_conflict(self, tenant: Tenant, database: Database, state: str) -> None:
        import_id = taken(tenant, b"{" if state == "failed" else b"{}", JSON if state == "failed" else LINES)
        if state == "cancelled":
            tenant.post(f"/v1/imports/{import_id}/cancel", None)
        assert read(database, tenant, import_id)["state"] == state
        answer = tenant.call("POST", f"/v1/imports/{import_id}/cancel")
        assert answer.status_code == 409
        assert state in answer.json()["detail"]

    def test_while_it_comes_in_stops_its_sender(self, tenant: Tenant, database: Database) -> None:
        caller = Caller(tenant.organisation_id, UUID(int=1), frozenset({Scope.INGEST}))
        asked = Asked(LINES, "identity", is_strict=False, responds_async=True)

        async def pieces() -> AsyncIterator[bytes]:
            yield b"{}\n" * 400_000
            (shown,) = (await asyncio.to_thread(tenant.get, "/v1/imports"))["items"]
            await asyncio.to_thread(tenant.post, f"/v1/imports/{shown['id']}/cancel", None)
            yield b"{}\n" * 400_000

        with pytest.raises(Conflict, match="cancelled"):
            asyncio.run(take_import(caller, asked, pieces(), database, Settings()))
        assert on_disk(database, tenant, "import_chunk") == 0


class TestWhoMaySee:
    def test_another_organisations_is_as_good_as_absent(self, tenant: Tenant, other: Tenant) -> None:
        import_id = taken(tenant, lines("PR-1", 10))
        for method, path in (("GET", ""), ("GET", "/refusals"), ("POST", "/cancel")):
            answer = other.call(method, f"/v1/imports/{import_id}{path}")
            assert answer.status_code == 404
            assert answer.json()["detail"] == "no import with this id"
        assert other.get("/v1/imports")["items"] == []

    def test_a_key_that_only_ingests_sees_its_own(self, tenant: Tenant) -> None:
        own, reader, strange = tenant.key_for("ingest"), tenant.key_for("read"), tenant.key_for("ingest")
        mine, others = taken(tenant, lines("PR-1", 1), key=own), taken(tenant, lines("PR-1", 1))
        assert [one["id"] for one in tenant.get("/v1/imports", key=own)["items"]] == [mine]
        assert [one["id"] for one in tenant.get("/v1/imports", key=reader)["items"]] == [mine, others]
        assert tenant.get(f"/v1/imports/{mine}/refusals", key=own)["items"] == []
        assert tenant.call("GET", f"/v1/imports/{others}", key=own).status_code == 404
        assert tenant.call("POST", f"/v1/imports/{mine}/cancel", key=strange).status_code == 404
        assert tenant.call("POST", f"/v1/imports/{mine}/cancel", key=reader).status_code == 403
        assert tenant.call("GET", "/v1/imports", key=tenant.key_for("write")).status_code == 403
        assert tenant.call("POST", f"/v1/imports/{mine}/cancel", key=own).status_code == 200

    def test_a_key_of_one_site_sees_that_sites(self, tenant: Tenant) -> None:
        here, there = a_site(tenant)["id"], a_site(tenant)["id"]
        mine = taken(tenant, lines("PR-1", 1), key=tenant.key_for("ingest", site_id=here))
        whole = taken(tenant, lines("PR-1", 1))
        for site, seen in ((here, [mine]), (there, [])):
            key = tenant.key_for("read", site_id=site)
            assert [one["id"] for one in tenant.get("/v1/imports", key=key)["items"]] == seen
            assert tenant.call("GET", f"/v1/imports/{whole}", key=key).status_code == 404


def test_lists_are_paged(tenant: Tenant, database: Database) -> None:
    made = [taken(tenant, b"not a reading\n" * 5, LINES) for _ in range(3)]
    seen, after = [], ""
    while True:
        page = tenant.get(f"/v1/imports?limit=2{after}")
        seen += [one["id"] for one in page["items"]]
        if page["next"] is None:
            break
        after = f"&after={page['next']}"
    assert seen == made
    assert counts(read(database, tenant, made[0])) == {"received": 5, "refused": 5}
    assert [item["line"] for item in refusals(tenant, made[0], limit=2)] == [1, 2, 3, 4, 5]
    answer = tenant.call("GET", f"/v1/imports/{made[0]}/refusals?after=nonsense")
    assert answer.status_code == 422


def test_a_lost_job_is_asked_for_again(tenant: Tenant, database: Database) -> None:
    probe = a_probe(tenant)["serial"]
    import_id = taken(tenant, lines(probe, 10))
    where = {"id": import_id}
    with database.begin(tenant.organisation_id) as session:
        session.execute(text("delete from procrastinate_jobs where args->>'import_id' = :id"), where)
    later = datetime.now(UTC) + timedelta(minutes=1)
    with database.begin(tenant.organisation_id) as session:
        assert imports.ask_again(session, tenant.organisation_id, before=later) == 1
        assert imports.ask_again(session, tenant.organisation_id, before=later) == 1
    asked = text("select count(*) from procrastinate_jobs where args->>'import_id' = :id")
    with database.begin(tenant.organisation_id) as session:
        assert session.execute(asked, where).scalar_one() == 1
    assert read(database, tenant, import_id)["stored"] == 10
    with database.begin(tenant.organisation_id) as session:
        assert imports.ask_again(session, tenant.organisation_id, before=later) == 0
