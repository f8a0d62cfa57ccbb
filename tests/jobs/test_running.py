"""A job is tried again after growing waits, given up in sight, and never stuck or lost."""

import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from prometheus_client import REGISTRY
from sqlalchemy import text
from sqlmodel import Session

from service.jobs.caretaking import rescue_jobs
from service.jobs.tasks import Interrupted, Task, Tools
from service.storage import jobs
from tests.conftest import Urls
from tests.jobs.making import heard, hurry, tools_of, waiting, work_off


class Recorder:
    """A task that does as it is told, and counts."""

    def __init__(self, *outcomes: Exception | None) -> None:
        self.outcomes = list(outcomes)
        self.calls: list[dict[str, Any]] = []

    def __call__(self, _tools: Tools, **arguments: Any) -> None:
        self.calls.append(arguments)
        outcome = self.outcomes.pop(0) if self.outcomes else None
        if outcome is not None:
            raise outcome


class TestWorking:
    @pytest.fixture
    def tools(self, fresh: Urls) -> Iterator[Tools]:
        made = tools_of(fresh)
        yield made
        made.database.close()

    def _ask(self, tools: Tools, **options: Any) -> None:
        with Session(tools.database.engine) as session, session.begin():
            jobs.defer(session, "told", organisation_id=7, **options)

    def _all(self, tools: Tools) -> list[tuple[str, int, str | None]]:
        with Session(tools.database.engine) as session:
            rows = session.execute(
                text(
                    "select status::text, attempts, queueing_lock from procrastinate_jobs"
                    " where task_name = 'told' order by id"
                )
            )
            return [tuple(row) for row in rows]

    def _counted(self, outcome: str) -> float:
        labels = {"task": "told", "outcome": outcome}
        return REGISTRY.get_sample_value("heapledger_jobs_total", labels) or 0.0

    def test_a_job_is_run_once_with_its_ids_and_is_gone(self, fresh: Urls, tools: Tools) -> None:
        told = Recorder()
        self._ask(tools)
        before = self._counted("done")
        work_off(fresh, tools, [Task("told", told)])
        work_off(fresh, tools, [Task("told", told)])
        assert told.calls == [{"organisation_id": 7}]
        assert self._all(tools) == []
        assert self._counted("done") == before + 1

    def test_a_failed_job_waits_longer_each_time_and_stands_when_it_failed_for_good(
        self, fresh: Urls, tools: Tools
    ) -> None:
        told = Recorder(*[ValueError("no")] * 20)
        self._ask(tools)
        before = self._counted("failed")
        waits, logs = [], []
        for _ in range(jobs.MOST_ATTEMPTS + 3):
            logs += heard(lambda: work_off(fresh, tools, [Task("told", told)]))
            now = datetime.now(UTC)
            waits += [(job["scheduled_at"] - now).total_seconds() for job in waiting(tools.database, "told")]
            hurry(tools.database)
        assert [round(wait / 4 ** (n + 1), 0) for n, wait in enumerate(waits)] == [1.0] * jobs.MOST_ATTEMPTS
        assert len(told.calls) == jobs.MOST_ATTEMPTS + 1
        assert [status for status, *_ in self._all(tools)] == ["failed"]
        assert self._counted("failed") == before + 1
        for_good = [entry for entry in logs if entry["event"] == "job_failed"]
        assert [(entry["task"], entry["organisation_id"], entry["log_level"]) for entry in for_good] == [
            ("told", 7, "error")
        ]

    def test_a_coalesced_job_that_fails_goes_back_though_another_waits_under_its_name(
        self, fresh: Urls, tools: Tools
    ) -> None:
        """The queue alone could neither put it back nor end it: it would count as running for ever."""

        def fail_late(_tools: Tools, **_ids: Any) -> None:
            if not told.calls:
                self._ask(tools, once="told")
            told(_tools)

        told = Recorder(ValueError("no"))
        self._ask(tools, once="told")
        work_off(fresh, tools, [Task("told", fail_late)])
        hurry(tools.database)
        work_off(fresh, tools, [Task("told", fail_late)])
        assert len(told.calls) == 3
        assert self._all(tools) == []

    def test_an_interrupted_job_goes_back_at_once_as_often_as_it_takes(
        self, fresh: Urls, tools: Tools
    ) -> None:
        times = jobs.MOST_ATTEMPTS + 3
        told = Recorder(*[Interrupted()] * times)
        self._ask(tools)
        work_off(fresh, tools, [Task("told", told)])
        assert len(told.calls) == times + 1
        assert self._all(tools) == []

    def test_a_worker_that_stops_begins_no_job(self, fresh: Urls, tools: Tools) -> None:
        told = Recorder()
        self._ask(tools)
        with Session(tools.database.engine) as session, session.begin():
            session.execute(text("update procrastinate_jobs set attempts = 0"))

        def stop_first(_tools: Tools, **_ids: Any) -> None:
            tools.stopping.set()
            with pytest.raises(Interrupted):
                tools.go_on()
            told(_tools)

        work_off(fresh, tools, [Task("told", stop_first)])
        assert len(told.calls) == 1

    def test_the_job_of_a_worker_that_died_is_run_again(self, fresh: Urls, tools: Tools) -> None:
        self._ask(tools, once="told")
        self._die(tools, silent_for_s=jobs.STALE_AFTER_S + 30)
        self._ask(tools, once="told")
        logs = heard(lambda: rescue_jobs(tools))
        assert [(entry["event"], entry["task"]) for entry in logs] == [("job_rescued", "told")]
        told = Recorder()
        work_off(fresh, tools, [Task("told", told)])
        assert len(told.calls) == 2
        assert self._all(tools) == []

    def test_the_job_of_a_worker_that_lives_is_left_to_it(self, tools: Tools) -> None:
        self._ask(tools)
        self._die(tools, silent_for_s=jobs.STALE_AFTER_S - 30)
        assert heard(lambda: rescue_jobs(tools)) == []
        assert [status for status, *_ in self._all(tools)] == ["doing"]

    def test_a_job_that_kills_its_worker_each_time_is_given_up(self, tools: Tools) -> None:
        self._ask(tools)
        events = []
        for _ in range(jobs.MOST_ATTEMPTS + 1):
            self._die(tools, silent_for_s=jobs.STALE_AFTER_S + 30)
            events += [entry["event"] for entry in heard(lambda: rescue_jobs(tools))]
        assert events == ["job_rescued"] * jobs.MOST_ATTEMPTS + ["job_failed"]
        assert [status for status, *_ in self._all(tools)] == ["failed"]

    def _die(self, tools: Tools, *, silent_for_s: float) -> None:
        """Begin the waiting job as a worker does that is killed then."""
        with Session(tools.database.engine) as session, session.begin():
            worker = session.execute(
                text("select worker_id from procrastinate_register_worker_v1()")
            ).scalar_one()
            session.execute(text("select procrastinate_fetch_job_v2(null, :w)"), {"w": worker})
            session.execute(
                text(
                    "update procrastinate_workers set last_heartbeat = now() - make_interval(secs => :s)"
                    " where id = :w"
                ),
                {"w": worker, "s": silent_for_s},
            )

    def test_no_two_jobs_under_one_lock_run_at_once(self, fresh: Urls, tools: Tools) -> None:
        running, most = [0], [0]
        guard = threading.Lock()

        def count(_tools: Tools, **_ids: Any) -> None:
            with guard:
                running[0] += 1
                most[0] = max(most[0], running[0])
            threading.Event().wait(0.02)
            with guard:
                running[0] -= 1

        for _ in range(6):
            self._ask(tools, lock="told:7")
        for left in range(5, -1, -1):
            work_off(fresh, tools, [Task("told", count)], concurrency=3)
            assert len(self._all(tools)) == left
        assert most == [1]

    def test_what_ended_long_ago_is_forgotten(self, fresh: Urls, tools: Tools) -> None:
        told = Recorder(*[ValueError("no")] * 20)
        self._ask(tools)
        for _ in range(jobs.MOST_ATTEMPTS + 1):
            work_off(fresh, tools, [Task("told", told)])
            hurry(tools.database)
        self._ask(tools)
        with Session(tools.database.engine) as session, session.begin():
            now = datetime.now(UTC)
            assert jobs.forget_ended(session, before=now - timedelta(days=1), most=10) == 0
            session.execute(text("update procrastinate_events set at = at - interval '2 days'"))
            assert jobs.forget_ended(session, before=now - timedelta(days=1), most=10) == 1
        assert [status for status, *_ in self._all(tools)] == ["todo"]
