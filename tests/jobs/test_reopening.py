"""Late evidence re-opens a verdict: its successor stands on file beside it, whatever came in and by whatever way."""

import json
import threading
from datetime import datetime, timedelta
from typing import Any
from uuid import UUID

import pytest
from sqlalchemy import text
from sqlmodel import Session

from service.domain.compliance import readings_digest
from service.domain.compliance.instants import to_us
from service.jobs.caretaking import sweep_all_verdicts, sweep_verdicts
from service.jobs.tasks import Tools
from service.jobs.verdicts import SomeNotJudged
from service.operations.reopening import LONG_PAST, REOPEN, reopen
from service.storage import partitions, records
from service.storage.database import Database
from service.storage.histories import history_of
from service.storage.piles import load
from service.storage.tables import PileRow
from tests.builders import a_placement, a_probe
from tests.conftest import Tenant, Urls
from tests.jobs.making import (
    BEGAN,
    HotPile,
    a_hot_pile,
    at,
    forget_jobs,
    heard,
    hurry,
    look,
    waiting,
    work_off,
)


class TestLateReadings:
    def test_put_a_successor_beside_the_verdict(self, pile: HotPile, tools: Tools, tenant: Tenant) -> None:
        first = pile.issue()
        assert first["verdict"]["state"] == "under_way"
        assert (first["supersedes"], first["because"]) == (None, None)
        pile.send(range(41, 80))
        look(tools, tenant)
        kept, successor = pile.verdicts
        assert kept == first
        assert successor["verdict"]["state"] == "met"
        assert successor["verdict"]["held_h"] >= 72
        assert (successor["supersedes"], successor["because"]) == (first["id"], "late readings")
        assert successor["verdict"]["judged_at"] == first["verdict"]["judged_at"]
        assert successor["issued_at"] > first["issued_at"]
        live = tenant.get(f"/v1/piles/{pile.pile_id}/compliance")["items"][0]
        assert successor["verdict"]["readings_digest"] == live["readings_digest"]

    def test_looking_again_issues_nothing_more(self, pile: HotPile, tools: Tools, tenant: Tenant) -> None:
        pile.issue()
        pile.send(range(41, 80))
        for _ in range(3):
            look(tools, tenant)
        assert len(pile.verdicts) == 2

    def test_later_ones_re_open_the_successor(self, pile: HotPile, tools: Tools, tenant: Tenant) -> None:
        first = pile.issue()
        pile.send(range(41, 50))
        look(tools, tenant)
        pile.send(range(50, 80))
        look(tools, tenant)
        chain = pile.verdicts
        assert [item["supersedes"] for item in chain] == [None, first["id"], chain[1]["id"]]
        assert [item["verdict"]["state"] for item in chain] == ["under_way", "under_way", "met"]

    def test_each_rule_and_interpretation_has_a_successor_of_its_own(
        self, pile: HotPile, tools: Tools, tenant: Tenant
    ) -> None:
        asked = [
            ("us-503-pfrp-asp", "inspector"),
            ("us-503-pfrp-asp", "literal"),
            ("us-nop-windrow", "inspector"),
        ]
        first = {(pile.issue(rule, how)["id"]) for rule, how in asked}
        pile.send(range(41, 80))
        look(tools, tenant)
        successors = pile.verdicts[3:]
        assert {item["supersedes"] for item in successors} == first
        assert {
            (item["verdict"]["rule"]["id"], item["verdict"]["interpretation"]) for item in successors
        } == set(asked)

    def test_the_newest_alone_is_re_opened(self, pile: HotPile, tools: Tools, tenant: Tenant) -> None:
        pile.issue()
        second = pile.issue()
        pile.send(range(41, 80))
        look(tools, tenant)
        assert [item["supersedes"] for item in pile.verdicts] == [None, None, second["id"]]

    def test_after_the_instant_judged_are_not_late(self, pile: HotPile, tools: Tools, tenant: Tenant) -> None:
        pile.issue()
        judged_at = datetime.fromisoformat(pile.verdicts[0]["verdict"]["judged_at"])
        pile.send([(judged_at - BEGAN) / timedelta(hours=1) + 0.001], 20.0)
        look(tools, tenant)
        assert len(pile.verdicts) == 1

    def test_resent_ones_change_nothing(self, pile: HotPile, tools: Tools, tenant: Tenant) -> None:
        pile.issue()
        pile.send(range(41))
        look(tools, tenant)
        assert len(pile.verdicts) == 1

    def test_two_gateways_that_take_turns_do_not_call_for_successors_without_end(
        self, pile: HotPile, tools: Tools, tenant: Tenant
    ) -> None:
        """Once everything from before the instant judged is in, the chain ends, though readings go on coming."""
        second = a_probe(tenant)
        a_placement(tenant, second["id"], pile.pile_id, position="core-2", **{"from": at(0)})
        pile.issue()
        for hour in range(41, 89, 8):
            pile.send(range(hour, hour + 8))
            look(tools, tenant)
            pile.send(range(hour - 4, hour + 4), serial=second["serial"])
            look(tools, tenant)
        so_far = len(pile.verdicts)
        judged_at = datetime.fromisoformat(pile.verdicts[0]["verdict"]["judged_at"])
        for minute in range(5):
            moment = (judged_at - BEGAN) / timedelta(hours=1) + (1 + minute) / 60
            pile.send([moment], serial=second["serial"])
            pile.send([moment])
            look(tools, tenant)
        assert so_far == 1 + 12
        assert len(pile.verdicts) == so_far

    def test_two_workers_at_once_issue_one_successor(
        self, pile: HotPile, tools: Tools, tenant: Tenant
    ) -> None:
        pile.issue()
        pile.send(range(41, 80))
        barrier = threading.Barrier(6)
        faults: list[BaseException] = []

        def work() -> None:
            barrier.wait()
            try:
                look(tools, tenant)
            except BaseException as error:  # noqa: BLE001 - it is looked at below
                faults.append(error)

        threads = [threading.Thread(target=work) for _ in range(6)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert faults == []
        assert len(pile.verdicts) == 2

    def test_another_organisations_verdicts_are_left_alone(
        self, pile: HotPile, tools: Tools, tenant: Tenant, other: Tenant
    ) -> None:
        theirs = a_hot_pile(other)
        theirs.send(range(41))
        theirs.issue()
        pile.issue()
        theirs.send(range(41, 80))
        pile.send(range(41, 80))
        look(tools, tenant)
        assert (len(pile.verdicts), len(theirs.verdicts)) == (2, 1)


class TestBeyondThePile:
    def test_a_pile_that_cannot_be_judged_keeps_nobody_else_waiting(
        self, pile: HotPile, tools: Tools, tenant: Tenant, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        worse = a_hot_pile(tenant)
        worse.send(range(41))
        for one in (worse, pile):
            one.issue()
            one.send(range(41, 80))
        real = records.find

        def find(session: Session, kind: Any, organisation_id: int, row_id: UUID, **options: Any) -> Any:
            if str(row_id) == worse.pile_id:
                raise RuntimeError("broken")
            return real(session, kind, organisation_id, row_id, **options)

        monkeypatch.setattr("service.jobs.verdicts.records.find", find)
        with pytest.raises(SomeNotJudged, match=worse.pile_id):
            look(tools, tenant)
        monkeypatch.undo()
        assert (len(pile.verdicts), len(worse.verdicts)) == (2, 1)

    def test_the_job_works_it_off_and_is_gone(
        self, pile: HotPile, urls: Urls, tools: Tools, tenant: Tenant, database: Database
    ) -> None:
        pile.issue()
        pile.send(range(41, 80))
        with database.begin(tenant.organisation_id) as session:
            reopen(session, tenant.organisation_id, LONG_PAST)
        hurry(database)
        logs = heard(lambda: work_off(urls, tools))
        mine = [entry for entry in logs if entry.get("organisation_id") == tenant.organisation_id]
        assert [entry["now"] for entry in mine if entry["event"] == "verdict_reopened"] == ["met"]
        assert waiting(database, REOPEN, tenant.organisation_id) == []
        assert len(pile.verdicts) == 2

    def test_the_sweep_finds_a_lost_signal(
        self, pile: HotPile, owned: Tools, tenant: Tenant, other: Tenant, database: Database
    ) -> None:
        quiet = a_hot_pile(other)
        quiet.send(range(41))
        quiet.issue()
        pile.issue()
        pile.send(range(41, 80))
        for one in (tenant, other):
            forget_jobs(database, one.organisation_id)
        assert owned.owner is not None
        with owned.owner.begin() as connection:  # long enough before its verdict not to have been on the way
            partitions.enter_plain(connection, other.organisation_id)
            connection.execute(
                text(
                    "update batch set received_at = received_at - interval '2 minutes' where organisation_id = :o"
                ),
                {"o": other.organisation_id},
            )
        sweep_verdicts(owned)
        assert len(waiting(database, REOPEN, tenant.organisation_id)) == 1
        assert waiting(database, REOPEN, other.organisation_id) == []
        forget_jobs(database, tenant.organisation_id)

    def test_the_daily_sweep_asks_wherever_a_verdict_stands(
        self, pile: HotPile, owned: Tools, tenant: Tenant, other: Tenant, database: Database
    ) -> None:
        pile.issue()
        forget_jobs(database, tenant.organisation_id)
        sweep_all_verdicts(owned)
        assert len(waiting(database, REOPEN, tenant.organisation_id)) == 1
        assert waiting(database, REOPEN, other.organisation_id) == []
        with Session(database.engine) as session, session.begin():
            session.execute(text("delete from procrastinate_jobs where status = 'todo'"))

    def test_the_digest_on_file_is_of_what_is_on_record(
        self, pile: HotPile, tools: Tools, tenant: Tenant, database: Database
    ) -> None:
        """An inspector who works the digest out again finds the newest verdict's, not the one before."""
        pile.issue()
        pile.send(range(41, 80))
        look(tools, tenant)
        newest = pile.verdicts[-1]["verdict"]
        judged_at = datetime.fromisoformat(newest["judged_at"])
        with database.begin(tenant.organisation_id) as session:
            row = records.find(session, PileRow, tenant.organisation_id, UUID(pile.pile_id))
            history = history_of(load(session, row), now=judged_at)
        assert readings_digest(history, to_us(judged_at, "/judged_at")) == newest["readings_digest"]
        assert json.dumps(pile.verdicts[0]).count(newest["readings_digest"]) == 0
