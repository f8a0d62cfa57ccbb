"""The worker in its own thread and as its own process: it starts, works, survives the record, and stops."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from typing import Any

import httpx
import pytest
from sqlalchemy import create_engine, text
from sqlmodel import Session
from structlog.testing import capture_logs

from service.domain.authority import Scope
from service.operations import organisations
from service.operations.reopening import LONG_PAST, REOPEN, reopen
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, STEWARD_ROLE, Database, connect_engine
from service.worker import working
from tests import live
from tests.conftest import Urls
from tests.jobs.making import RULE, at, hurry, waiting, wobble


@pytest.fixture
def record(fresh: Urls) -> Iterator[Database]:
    made = Database(connect_engine(fresh.service, role=SERVICE_ROLE))
    yield made
    made.close()


def until(true: Callable[[], object], within_s: float = 60) -> None:
    """Wait for something another thread or process does."""
    end = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.05)


def organisation(fresh: Urls) -> tuple[int, str]:
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    made = organisations.create_key(steward, "worked for", name="test", scopes=frozenset(Scope))
    steward.close()
    return made.row.organisation_id, made.token


def pause(fresh: Urls) -> None:
    """Cut everybody off, as a record that is started anew does."""
    engine = create_engine(fresh.owner)
    with engine.begin() as connection:
        connection.execute(
            text(
                "select pg_terminate_backend(pid) from pg_stat_activity"
                " where datname = current_database() and pid <> pg_backend_pid()"
            )
        )
    engine.dispose()


def ask(record: Database, organisation_id: int) -> None:
    """Ask for a look at the organisation's verdicts; there are none, so that it is quickly done."""
    with Session(record.engine) as session, session.begin():
        session.execute(
            text(
                "insert into procrastinate_jobs (queue_name, task_name, args)"
                " values ('default', :task, jsonb_build_object('organisation_id', cast(:o as int)))"
            ),
            {"task": REOPEN, "o": organisation_id},
        )


def test_it_works_until_it_is_stopped_and_takes_care_of_the_record_soon(
    fresh: Urls, record: Database
) -> None:
    number, _ = organisation(fresh)
    ask(record, number)
    with working(fresh.service, fresh.owner, Settings()):
        until(lambda: not waiting(record, REOPEN))
        until(lambda: waiting(record, "caretake"))
        ask(record, number)
        until(lambda: not waiting(record, REOPEN))
    ask(record, number)
    with Session(record.engine) as session:
        assert session.execute(text("select count(*) from procrastinate_workers")).scalar_one() == 0
    assert len(waiting(record, REOPEN)) == 1
    assert len(waiting(record, "caretake")) == 1


def test_it_goes_on_after_the_record_was_away(fresh: Urls, record: Database) -> None:
    number, _ = organisation(fresh)
    with working(fresh.service, fresh.owner, Settings()):
        ask(record, number)
        until(lambda: not waiting(record, REOPEN))
        pause(fresh)
        record.engine.dispose()
        ask(record, number)
        until(lambda: not waiting(record, REOPEN))


def test_it_starts_before_the_record_is_there_and_can_be_stopped_all_the_same() -> None:
    nowhere = "postgresql://nobody@127.0.0.1:9/none"
    with capture_logs() as logs, working(nowhere, nowhere, Settings()):
        until(lambda: any(entry["event"] == "worker_interrupted" for entry in logs))


def test_with_the_services_login_alone_caretaking_is_left_to_others(fresh: Urls, record: Database) -> None:
    with capture_logs() as logs, working(fresh.service, fresh.service, Settings()):
        until(lambda: any(entry["event"] == "caretaking_skipped" for entry in logs))
        with Session(record.engine) as session, session.begin():
            session.execute(
                text(
                    "insert into procrastinate_jobs (queue_name, task_name) values ('caretaking', 'caretake')"
                )
            )
        ask(record, 1)
        until(lambda: not waiting(record, REOPEN))
        assert len(waiting(record, "caretake")) == 1
    assert [entry["event"] for entry in logs].count("caretaking_skipped") == 1


class TestProcesses:
    """The commands: serve with a worker beside it, serve without, and work alone."""

    def _a_late_verdict(self, base_url: str, key: str) -> str:
        """Issue a verdict on two days of heat, and send the third day afterwards."""
        headers = {"Authorization": f"Bearer {key}"}

        def post(path: str, body: dict[str, Any]) -> dict[str, Any]:
            answer = httpx.post(f"{base_url}/v1/{path}", json=body, headers=headers, timeout=30)
            assert answer.status_code in {200, 201}, answer.text
            made: dict[str, Any] = answer.json()
            return made

        site = post("sites", {"name": "s", "time_zone": "UTC"})
        pile = post("piles", {"site_id": site["id"], "label": "p", "built_at": at(0), "rules": [RULE]})
        probe = post("probes", {"serial": "PR-1"})
        post(f"probes/{probe['id']}/placements", {"pile_id": pile["id"], "position": "core-1", "from": at(0)})
        for since, to in ((0, 41), (41, 80)):
            readings = [
                {
                    "probe": "PR-1",
                    "observed_at": at(hour),
                    "quantity": "temperature",
                    "value": 60 + wobble(hour),
                    "unit": "Cel",
                }
                for hour in range(since, to)
            ]
            post("readings", {"readings": readings})
            if to == 41:
                post(f"piles/{pile['id']}/verdicts", {"rule": RULE})
        return f"{base_url}/v1/piles/{pile['id']}/verdicts"

    def _states(self, url: str, key: str) -> list[str]:
        items = httpx.get(url, headers={"Authorization": f"Bearer {key}"}, timeout=30).json()["items"]
        return [item["verdict"]["state"] for item in items]

    @pytest.mark.parametrize("arguments", [("--workers", "1"), ("--workers", "2")])
    def test_serve_runs_jobs_and_stops_cleanly(
        self, fresh: Urls, record: Database, arguments: tuple[str, ...]
    ) -> None:
        number, key = organisation(fresh)
        environment = {"DATABASE_URL": fresh.service, "HEAPLEDGER_OWNER_URL": fresh.owner}
        with live.serving(environment, "--no-migrate", *arguments) as served:
            url = self._a_late_verdict(served.base_url, key)
            with record.begin(number) as session:
                reopen(session, number, LONG_PAST)
            hurry(record)
            until(lambda: self._states(url, key) == ["under_way", "met"])
            served.process.send_signal(signal.SIGTERM)
            assert served.process.wait(30) == 0
        with Session(record.engine) as session:
            assert session.execute(text("select count(*) from procrastinate_workers")).scalar_one() == 0

    def test_what_serve_leaves_work_does(self, fresh: Urls, record: Database) -> None:
        number, key = organisation(fresh)
        environment = {"DATABASE_URL": fresh.service, "HEAPLEDGER_OWNER_URL": fresh.owner}
        with live.serving(environment, "--no-migrate", "--no-work") as served:
            url = self._a_late_verdict(served.base_url, key)
            with record.begin(number) as session:
                reopen(session, number, LONG_PAST)
            hurry(record)
            with Session(record.engine) as session:
                assert session.execute(text("select count(*) from procrastinate_workers")).scalar_one() == 0
            assert self._states(url, key) == ["under_way"]
            process = subprocess.Popen(
                [sys.executable, "-m", "service", "work", "--no-migrate"],
                env={**os.environ, **environment},
                cwd=live.TOP,
                stdout=subprocess.DEVNULL,
            )
            try:
                until(lambda: self._states(url, key) == ["under_way", "met"])
                process.send_signal(signal.SIGTERM)
                assert process.wait(30) == 0
            finally:
                process.kill()
                process.wait()
