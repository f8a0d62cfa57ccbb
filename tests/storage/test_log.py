"""The log on disk: nothing is passed over, nothing is there twice, and no kind of reading slips through."""

import json
import threading
import uuid
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pytest
from pymerkle import InmemoryTree
from sqlalchemy import text
from sqlalchemy.exc import ProgrammingError

from service.domain.log import merkle
from service.domain.log.seals import read_seal
from service.jobs.log import TASKS, append_of, append_to_logs, sweep_logs
from service.jobs.tasks import Tools
from service.operations import log
from service.operations.log_proofs import proofs_for_pile
from service.storage import log as stored
from service.storage.database import Database, connect_engine
from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant, Urls
from tests.jobs.making import tools_of


@pytest.fixture
def tools(urls: Urls) -> Iterator[Tools]:
    engine = connect_engine(urls.owner, pool_size=2)
    made = tools_of(urls, owner=engine)
    yield made
    made.database.close()
    engine.dispose()


def leaves(database: Database, tenant: Tenant) -> list[dict[str, Any]]:
    with database.begin(tenant.organisation_id) as session:
        rows = session.execute(text("select * from log_leaf order by leaf")).mappings()
        return [dict(row) for row in rows]


def head(database: Database, tenant: Tenant) -> tuple[int, bytes]:
    with database.begin(tenant.organisation_id) as session:
        size = stored.size_of(session, tenant.organisation_id)
        return size, stored.root_of(session, tenant.organisation_id, size)


def kinds(database: Database, tenant: Tenant) -> list[str]:
    return [row["kind"] for row in leaves(database, tenant)]


def by_hand(urls: Urls, statement: str, *values: Any) -> None:
    """What somebody with the owner's password can do."""
    with psycopg.connect(urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        connection.execute("set session_replication_role = replica")
        connection.execute(statement, values)


def a_furnished_pile(tenant: Tenant) -> dict[str, Any]:
    site = a_site(tenant)
    pile = a_pile(tenant, site["id"], built_at=at(0))
    probe = a_probe(tenant)
    placement = a_placement(tenant, probe["id"], pile["id"])
    return {"pile": pile["id"], "serial": probe["serial"], "probe": probe["id"], "placement": placement}


def test_every_kind_is_logged_once(tenant: Tenant, database: Database, tools: Tools) -> None:
    made = a_furnished_pile(tenant)
    tenant.post("/v1/readings", a_bag(*(a_reading(made["serial"], hour) for hour in range(5))))
    tenant.post(f"/v1/piles/{made['pile']}/events", {"kind": "turn", "at": at(3), "crew": "Maria Silva"})
    tenant.post(f"/v1/piles/{made['pile']}/verdicts", {"rule": "us-nop-windrow"})
    correction = {"kind": "exclude", "from": at(1), "to": at(2), "reason": "Jo sat on it"}
    tenant.post(f"/v1/probes/{made['probe']}/corrections", correction)
    append_to_logs(tools)
    assert sorted(kinds(database, tenant)) == ["batch", "correction", "event", "placement", "verdict"]
    before = head(database, tenant)
    append_to_logs(tools)
    sweep_logs(tools)
    assert head(database, tenant) == before
    changed = tenant.call(
        "PATCH",
        f"/v1/probes/{made['probe']}/placements/{made['placement']['id']}",
        {"to": at(9)},
        If_Match='"1"',
    )
    assert changed.status_code == 200, changed.text
    append_to_logs(tools)
    assert [row["ref"][-2:] for row in leaves(database, tenant) if row["kind"] == "placement"] == ["@1", "@2"]


def test_no_persons_words_are_in_the_log(tenant: Tenant, database: Database, tools: Tools) -> None:
    made = a_furnished_pile(tenant)
    event = {"kind": "turn", "at": at(3), "crew": "Maria Silva", "note": "Maria was late"}
    kept = tenant.post(f"/v1/piles/{made['pile']}/events", event)
    correct = {
        "kind": "correct",
        "at": at(3),
        "corrects": kept["id"],
        "reason": "Maria said so",
        "replacement": event | {"crew": "Jo Vega"},
    }
    tenant.post(f"/v1/piles/{made['pile']}/events", correct)
    append_of(tools, tenant.organisation_id)
    told = json.dumps([row["entry"] for row in leaves(database, tenant)])
    assert "crew" in told
    for word in ("Maria", "Silva", "Jo", "Vega", "late"):
        assert word not in told


@pytest.mark.parametrize("sizes", [[1], [3, 1, 4], [16, 1], [7, 9, 2]])
def test_the_root_is_that_of_the_entries(
    sizes: list[int], tenant: Tenant, database: Database, tools: Tools
) -> None:
    """Against pymerkle 7.0.0, appended to bit by bit."""
    probe = a_probe(tenant)
    hour = 0
    for size in sizes:
        for _ in range(size):
            tenant.post("/v1/readings", a_bag(a_reading(probe["serial"], hour)))
            hour += 1
        append_of(tools, tenant.organisation_id)
    tree = InmemoryTree(algorithm="sha256")
    for row in leaves(database, tenant):
        tree.append_entry(row["entry"].encode())
    assert head(database, tenant) == (sum(sizes), tree.get_root())
    with database.begin(tenant.organisation_id) as session:
        for leaf in range(sum(sizes)):
            found = log.inclusion(session, tenant.organisation_id, leaf, None)
            theirs = tree.prove_inclusion(leaf + 1, sum(sizes)).path
            assert [found["hash"], *found["path"]] == [log.in_base64(one) for one in theirs]


def seals(database: Database, tenant: Tenant) -> list[tuple[Any, ...]]:
    """Count and span of every sealed series, of batches and of adoptions, in no order of theirs."""
    with database.begin(tenant.organisation_id) as session:
        rows = session.execute(text("select seal from batch where seal is not null")).all()
        adopted = session.execute(text("select seal from adopted_batch")).all()
    return sorted(
        tuple((one.count, one.last_s - one.first_s) for one in read_seal(bytes(row[0])).series)
        for row in [*rows, *adopted]
    )


def test_only_what_was_kept_is_sealed(tenant: Tenant, database: Database, tools: Tools) -> None:
    """A repeated bag, a contradiction and a refused reading are in no seal; the one new reading is."""
    probe = a_probe(tenant)
    bag = [a_reading(probe["serial"], hour) for hour in range(3)]
    tenant.post("/v1/readings", a_bag(*bag))
    assert seals(database, tenant) == [((3, 7200),)]
    tenant.post("/v1/readings", a_bag(*bag))
    assert seals(database, tenant) == [((3, 7200),)]
    mixed = tenant.post(
        "/v1/readings",
        a_bag(bag[0], a_reading(probe["serial"], 1, 5.0), a_reading(probe["serial"], 9), {"probe": "x"}),
    )
    assert (mixed["stored"], mixed["duplicate"], mixed["disputed"]) == (1, 1, 1)
    assert seals(database, tenant) == [((1, 0),), ((3, 7200),)]
    append_of(tools, tenant.organisation_id)
    assert kinds(database, tenant) == ["batch", "batch"]


def test_held_readings_are_covered_when_they_are_adopted(
    tenant: Tenant, database: Database, tools: Tools
) -> None:
    known = a_probe(tenant)
    serial = f"PR-{uuid.uuid4().hex[:8]}"
    for hours in ((0, 1), (2,)):
        tenant.post(
            "/v1/readings",
            a_bag(*(a_reading(name, hour) for hour in hours for name in (serial, known["serial"]))),
        )
    assert seals(database, tenant) == [((1, 0),), ((2, 3600),)]
    append_of(tools, tenant.organisation_id)
    a_probe(tenant, serial=serial)
    append_of(tools, tenant.organisation_id)
    assert kinds(database, tenant) == ["batch", "batch", "adoption", "adoption"]
    assert seals(database, tenant) == sorted([((2, 3600),), ((1, 0),)] * 2)
    with database.begin(tenant.organisation_id) as session:
        stored_count = session.execute(text("select count(*) from reading")).scalar_one()
    assert stored_count == sum(count for seal in seals(database, tenant) for count, _ in seal)


def test_what_commits_late_is_not_passed_over(
    tenant: Tenant, database: Database, tools: Tools, urls: Urls
) -> None:
    """A row that was recorded before the newest leaf, and seen only after it: minutes by the quick look, days by the
    nightly one.
    """
    probe = a_probe(tenant)
    tenant.post("/v1/readings", a_bag(a_reading(probe["serial"], 1)))
    append_of(tools, tenant.organisation_id)
    insert = (
        "insert into batch (organisation_id, batch_id, received_at, seal)"
        " select organisation_id, -%s, %s, seal from batch where organisation_id = %s limit 1"
    )
    by_hand(urls, insert, 1, datetime.now(UTC) - timedelta(minutes=5), tenant.organisation_id)
    append_of(tools, tenant.organisation_id)
    assert [row["ref"] for row in leaves(database, tenant)][1:] == ["-1"]
    tenant.post("/v1/readings", a_bag(a_reading(probe["serial"], 2)))
    by_hand(urls, insert, 2, datetime.now(UTC) - timedelta(days=3), tenant.organisation_id)
    append_of(tools, tenant.organisation_id)
    assert len(leaves(database, tenant)) == 3
    append_of(tools, tenant.organisation_id, everything=True)
    assert [row["ref"] for row in leaves(database, tenant)][3:] == ["-2"]
    tree = InmemoryTree(algorithm="sha256")
    for row in leaves(database, tenant):
        tree.append_entry(row["entry"].encode())
    assert head(database, tenant)[1] == tree.get_root()


def test_a_backlog_is_worked_off_in_order(tenant: Tenant, database: Database) -> None:
    """Some at a time, as after a day without a worker: each once, the earliest first."""
    made = a_furnished_pile(tenant)
    for hour in range(11):
        tenant.post("/v1/readings", a_bag(a_reading(made["serial"], hour)))
    appended = []
    while True:
        with database.begin(tenant.organisation_id) as session:
            count = log.append_due(session, tenant.organisation_id, most=4)
        if not count:
            break
        appended.append(count)
    assert appended == [4, 4, 4]
    rows = leaves(database, tenant)
    assert [row["leaf"] for row in rows] == list(range(12))
    assert [row["recorded_at"] for row in rows] == sorted(row["recorded_at"] for row in rows)
    assert len({(row["kind"], row["ref"]) for row in rows}) == 12


def test_two_that_append_at_once_make_one_log(tenant: Tenant, database: Database) -> None:
    probe = a_probe(tenant)
    for hour in range(20):
        tenant.post("/v1/readings", a_bag(a_reading(probe["serial"], hour)))
    start = threading.Barrier(4)
    counts: list[int] = []

    def append() -> None:
        start.wait()
        with database.begin(tenant.organisation_id) as session:
            counts.append(log.append_due(session, tenant.organisation_id))

    threads = [threading.Thread(target=append) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(counts) == [0, 0, 0, 20]
    assert len(leaves(database, tenant)) == 20


def test_a_leaf_costs_fewer_than_two_rows_and_a_proof_reads_few(
    tenant: Tenant, database: Database, tools: Tools
) -> None:
    probe = a_probe(tenant)
    for hour in range(37):
        tenant.post("/v1/readings", a_bag(a_reading(probe["serial"], hour)))
    append_of(tools, tenant.organisation_id)
    with database.begin(tenant.organisation_id) as session:
        assert session.execute(text("select count(*) from log_node")).scalar_one() < 37
        places = [place for one in merkle.inclusion_ranges(20, 37) for place in merkle.complete(*one)]
        assert len(places) <= 2 * 6
        assert all(stored.nodes(session, tenant.organisation_id, places).values())


def test_readings_deleted_for_their_age_leave_the_log_whole(
    tenant: Tenant, database: Database, tools: Tools, urls: Urls
) -> None:
    made = a_furnished_pile(tenant)
    tenant.post("/v1/readings", a_bag(*(a_reading(made["serial"], hour) for hour in range(3))))
    append_of(tools, tenant.organisation_id)
    before = head(database, tenant)
    by_hand(urls, "delete from reading where organisation_id = %s", tenant.organisation_id)
    append_of(tools, tenant.organisation_id, everything=True)
    assert head(database, tenant) == before
    with database.begin(tenant.organisation_id) as session:
        shown = proofs_for_pile(session, tenant.organisation_id, uuid.UUID(made["pile"]), None)
    (batch,) = [item for item in shown["items"] if "series" in item]
    assert batch["series"][0]["readings"] == []


def test_a_persons_words_can_be_forgotten(tenant: Tenant, database: Database, tools: Tools) -> None:
    """The service may delete the key to a person's words, and nothing else of the log."""
    made = a_furnished_pile(tenant)
    tenant.post(f"/v1/piles/{made['pile']}/events", {"kind": "turn", "at": at(3), "crew": "Maria"})
    append_of(tools, tenant.organisation_id)
    before = head(database, tenant)
    with database.begin(tenant.organisation_id) as session:
        assert session.execute(text("delete from log_word_key")).rowcount == 1
        shown = proofs_for_pile(session, tenant.organisation_id, uuid.UUID(made["pile"]), None)
    assert head(database, tenant) == before
    (event,) = [item for item in shown["items"] if '"kind":"event"' in item["entry"]]
    assert "words" not in event
    for table in ("log_leaf", "log_node"):
        with (
            database.begin(tenant.organisation_id) as session,
            pytest.raises(ProgrammingError, match="denied"),
        ):
            session.execute(text(f"delete from {table}"))


def test_the_job_runs_by_itself() -> None:
    assert {task.name: task.every for task in TASKS} == {
        "append_to_logs": "* * * * *",
        "sweep_logs": "32 3 * * *",
    }
    assert all(task.needs_owner for task in TASKS)
