"""The caretaker as a job: everything it does in one run, by one worker at a time, and only as the owner."""

import threading
from collections.abc import Iterator
from datetime import timedelta

import pytest
from sqlalchemy import Engine, text

from service.jobs import caretaking
from service.jobs.caretaking import caretake, sweep_verdicts
from service.jobs.tasks import Interrupted, Tools
from service.storage.database import connect_engine
from tests.conftest import Urls
from tests.jobs.making import heard, tools_of
from tests.storage.months import a_farm, hours, month_start


@pytest.fixture
def owner(fresh: Urls) -> Iterator[Engine]:
    made = connect_engine(fresh.owner, pool_size=3)
    yield made
    made.dispose()


@pytest.fixture
def tools(fresh: Urls, owner: Engine) -> Iterator[Tools]:
    made = tools_of(fresh, owner=owner)
    yield made
    made.database.close()


def test_one_run_does_it_all_and_a_second_finds_nothing(tools: Tools, owner: Engine) -> None:
    farm = a_farm(owner, keep_months=12)
    judged = farm.pile()
    farm.place(0, judged, month_start(14), month_start(14) + timedelta(hours=3))
    farm.verdict(judged)
    farm.read(0, hours(month_start(30), 5) + hours(month_start(14), 5) + hours(month_start(2), 5))
    farm.run(
        "insert into idempotent_answer (organisation_id, credential_id, operation, key, request_digest, created_at)"
        " values (:o, gen_random_uuid(), 'x', 'x', 'x', now() - interval '8 days')"
    )
    with owner.begin() as connection:
        connection.execute(text("drop table reading_2027_01"))
        connection.execute(
            text(
                "insert into procrastinate_jobs (queue_name, task_name, status) values ('default', 'x', 'failed')"
            )
        )
        connection.execute(
            text(
                "insert into procrastinate_events (job_id, type, at)"
                " select id, 'failed', now() - interval '31 days' from procrastinate_jobs"
            )
        )
    (told,) = heard(lambda: caretake(tools))
    found = {
        name: told[name] for name in ("months_made", "readings_deleted", "passing_deleted", "jobs_deleted")
    }
    assert found == {
        "months_made": ["reading_2027_01"],
        "readings_deleted": 2,
        "passing_deleted": 1,
        "jobs_deleted": 1,
    }
    assert told["months_emptied"] == [f"reading_{month_start(30):%Y_%m}"]
    assert farm.left() == hours(month_start(14), 3) + hours(month_start(2), 5)
    (again,) = heard(lambda: caretake(tools))
    assert [again[name] for name in found] == [[], 0, 0, 0]
    assert again["months_emptied"] == []


def test_two_at_once_leave_it_to_the_first(tools: Tools, monkeypatch: pytest.MonkeyPatch) -> None:
    inside, go = threading.Event(), threading.Event()
    real = caretaking.partitions.keep_ahead

    def slow(connection: object) -> list[str]:
        inside.set()
        assert go.wait(20)
        return real(connection)  # type: ignore[arg-type]

    monkeypatch.setattr(caretaking.partitions, "keep_ahead", slow)
    first = threading.Thread(target=caretake, args=(tools,))
    first.start()
    assert inside.wait(20)
    logs = heard(lambda: caretake(tools))
    go.set()
    first.join()
    assert [entry["event"] for entry in logs] == ["caretaking_is_done_by_another"]
    monkeypatch.undo()
    assert [entry["event"] for entry in heard(lambda: caretake(tools))] == ["caretaking_done"]


def test_it_can_be_stopped(tools: Tools, owner: Engine) -> None:
    a_farm(owner, keep_months=12)
    tools.stopping.set()
    with pytest.raises(Interrupted):
        caretake(tools)


def test_imports_that_never_came_whole_or_that_nobody_reads_are_found(tools: Tools, owner: Engine) -> None:
    farm = a_farm(owner)
    for state, age in (("receiving", "2 days"), ("receiving", "1 hour"), ("waiting", "2 hours")):
        farm.run(
            "insert into reading_import (organisation_id, id, media_type, is_dry_run, state, created_at)"
            f" values (:o, gen_random_uuid(), 'text/csv', false, '{state}', now() - interval '{age}')"
        )
    caretake(tools)
    sweep_verdicts(tools)
    with owner.connect() as connection:
        states = connection.execute(
            text(
                f"select state from reading_import where organisation_id = {farm.organisation_id} order by 1"
            )
        ).scalars()
        assert list(states) == ["failed", "receiving", "waiting"]
        jobs = connection.execute(
            text("select count(*) from procrastinate_jobs where task_name = 'read_import'")
        ).scalar_one()
        assert jobs == 1
