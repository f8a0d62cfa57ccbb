"""Planned turns and recorded ones: what becomes of a task, and how well a site keeps its days."""

import uuid
from datetime import datetime, timedelta
from typing import Any

import pytest
from sqlmodel import col, select

from service.domain.schedules import WEEKDAYS, weekday_of
from service.jobs.caretaking import sweep_verdicts
from service.jobs.tasks import Tools
from service.operations.reliability import reliability
from service.storage.database import Database, connect_engine
from service.storage.tables import PlanTaskRow
from tests.builders import a_pile, a_site
from tests.conftest import Tenant, Urls
from tests.http.planned import NOW, a_turn, day, in_force, nine
from tests.http.test_exchange import problem_of
from tests.jobs.making import tools_of

LONG_AGO = NOW - timedelta(days=60)


@pytest.fixture
def site(tenant: Tenant) -> dict[str, Any]:
    return a_site(tenant, time_zone="Europe/Lisbon")


@pytest.fixture
def pile(tenant: Tenant, site: dict[str, Any]) -> dict[str, Any]:
    return a_pile(tenant, site["id"], label="A")


@pytest.fixture
def owned(urls: Urls) -> Any:
    engine = connect_engine(urls.owner, pool_size=2)
    made = tools_of(urls, owner=engine)
    yield made
    made.database.close()
    engine.dispose()


def turned(tenant: Tenant, pile: dict[str, Any], at: datetime, **more: Any) -> Any:
    return tenant.post(f"/v1/piles/{pile['id']}/events", {"kind": "turn", "at": at.isoformat()} | more)


def tasks(database: Database, tenant: Tenant) -> list[PlanTaskRow]:
    with database.begin(tenant.organisation_id) as session:
        mine = select(PlanTaskRow).where(col(PlanTaskRow.organisation_id) == tenant.organisation_id)
        return list(session.exec(mine.order_by(col(PlanTaskRow.number), col(PlanTaskRow.task))).all())


def kept(tenant: Tenant, site: dict[str, Any], since: int = -50, until: int = 50) -> Any:
    return tenant.get(f"/v1/sites/{site['id']}/reliability?from={day(since)}&to={day(until)}")


class TestTasksFollowTheRecord:
    def test_a_turn_on_its_day_is_done_in_the_same_breath(
        self, tenant: Tenant, site: dict[str, Any], pile: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(-1), a_turn(2, number=2), at=LONG_AGO)
        event = turned(tenant, pile, nine(-1))
        first, second = tasks(database, tenant)
        assert (first.state, first.done_at, first.event_id) == ("done", nine(-1), uuid.UUID(event["id"]))
        assert first.pile_id == uuid.UUID(pile["id"])  # it was planned by its label alone
        assert (second.state, second.done_at) == ("planned", None)

    @pytest.mark.parametrize(
        ("offset", "state"), [(-4, "planned"), (-3, "done"), (-1, "done"), (0, "planned")]
    )
    def test_a_day_early_or_late_is_the_planned_turn(
        self,
        tenant: Tenant,
        site: dict[str, Any],
        pile: dict[str, Any],
        database: Database,
        offset: int,
        state: str,
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(-2), at=LONG_AGO)
        turned(tenant, pile, min(nine(offset), NOW))
        assert [one.state for one in tasks(database, tenant)] == [state]

    def test_a_correction_undoes_and_a_replacement_does_again(
        self, tenant: Tenant, site: dict[str, Any], pile: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(-9), a_turn(-5, number=2), at=LONG_AGO)
        event = turned(tenant, pile, nine(-9))
        assert [one.state for one in tasks(database, tenant)] == ["done", "planned"]

        def correct(replacement: Any) -> None:
            body = {
                "kind": "correct",
                "at": nine(-1).isoformat(),
                "corrects": event["id"],
                "reason": "wrong day",
            }
            tenant.post(f"/v1/piles/{pile['id']}/events", body | {"replacement": replacement})

        correct({"kind": "turn", "at": nine(-5).isoformat()})
        first, second = tasks(database, tenant)
        assert (first.state, first.done_at, first.event_id) == ("planned", None, None)
        assert (second.state, second.event_id) == ("done", uuid.UUID(event["id"]))
        correct(None)
        assert [one.state for one in tasks(database, tenant)] == ["planned", "planned"]

    def test_a_build_is_done_when_the_pile_stands(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(-3, task="build", pile="B"), at=LONG_AGO)
        made = a_pile(tenant, site["id"], label="B")
        assert [one.state for one in tasks(database, tenant)] == ["planned"]
        version = tenant.call("GET", f"/v1/piles/{made['id']}").headers["ETag"]
        body = {"built_at": nine(-2).isoformat()}
        assert tenant.call("PATCH", f"/v1/piles/{made['id']}", body, If_Match=version).status_code == 200
        (task,) = tasks(database, tenant)
        assert (task.state, task.done_at, task.event_id) == ("done", nine(-2), None)
        in_force(
            database,
            tenant,
            site["id"],
            a_turn(-3, task="build", pile="C"),
            at=LONG_AGO + timedelta(seconds=9),
        )
        a_pile(tenant, site["id"], label="C", built_at=nine(-3).isoformat())
        assert {one.state for one in tasks(database, tenant) if one.pile == "C"} == {"done"}

    def test_a_turn_that_was_missed_costs_the_plan_none_of_those_to_come(
        self, tenant: Tenant, site: dict[str, Any], pile: dict[str, Any], database: Database
    ) -> None:
        """The second was done and the first was not: the plan goes on to number the one to come as the second."""
        rows = [a_turn(n, number=2 + n // 2) for n in (-2, 0, 2)]
        in_force(database, tenant, site["id"], *rows, at=LONG_AGO)
        turned(tenant, pile, min(nine(0), NOW))
        in_force(database, tenant, site["id"], a_turn(2, number=2), a_turn(4, number=3))
        to_come = [one.on_date for one in tasks(database, tenant) if one.state == "planned"]
        assert sorted(to_come) == [
            day(-2),
            day(2),
            day(4),
        ]  # the first is marked as missed when it is too late

    def test_refused_leaves_no_trace(
        self, tenant: Tenant, site: dict[str, Any], pile: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(1))
        body = {"kind": "turn", "at": nine(1).isoformat()}
        assert tenant.call("POST", f"/v1/piles/{pile['id']}/events", body).status_code == 422
        assert [one.state for one in tasks(database, tenant)] == ["planned"]

    def test_the_sweep_marks_what_can_no_longer_be_done_and_a_late_word_unmarks_it(
        self, tenant: Tenant, site: dict[str, Any], pile: dict[str, Any], database: Database, owned: Tools
    ) -> None:
        in_force(
            database,
            tenant,
            site["id"],
            a_turn(-2),
            a_turn(-1, number=2),
            a_turn(1, number=3),
            a_turn(-5, number=1, task="screen"),
            at=LONG_AGO,
        )
        sweep_verdicts(owned)
        states = {(one.task, one.number): one.state for one in tasks(database, tenant)}
        assert states == {
            ("turn", 1): "missed",
            ("turn", 2): "planned",  # a day late it would still be this turn
            ("turn", 3): "planned",
            ("screen", 1): "planned",  # screened two weeks late it is screened all the same
        }
        turned(tenant, pile, nine(-2))  # written down later
        assert [one.state for one in tasks(database, tenant) if one.task == "turn"] == [
            "done",
            "planned",
            "planned",
        ]


class TestReliability:
    def test_counts_by_weekday_and_crew(
        self, tenant: Tenant, site: dict[str, Any], pile: dict[str, Any], database: Database
    ) -> None:
        offsets = {-37: 0, -30: 0, -23: 1, -16: None, -9: -1}  # one weekday; days late, None is missed
        other = {-34: 0}
        crews = ["blue", "blue", "red", "red", "blue"]
        plan = [
            *(a_turn(on, number=n, crew=crews[n]) for n, on in enumerate(offsets)),
            *(a_turn(on, number=9, crew=None) for on in other),
            a_turn(7, number=10, crew="red"),
        ]
        in_force(database, tenant, site["id"], *plan, at=LONG_AGO)
        for on, late in (offsets | other).items():
            if late is not None:
                turned(tenant, pile, nine(on + late))
        turned(tenant, pile, nine(-12))  # nobody had planned it
        turned(tenant, pile, nine(-45))  # before its first planned turn: no plan can be held against it
        told = kept(tenant, site)
        assert told["unplanned"] == 1
        total = {name: told["total"][name] for name in ("planned", "kept", "early", "late", "missed")}
        assert total == {"planned": 6, "kept": 3, "early": 1, "late": 1, "missed": 1}
        assert told["total"]["median_late_days"] == 0
        by_weekday = {one["weekday"]: one for one in told["weekdays"]}
        assert [*by_weekday] == [word for word in WEEKDAYS if word in by_weekday]
        mine = by_weekday[weekday_of(day(-9))]
        assert (mine["planned"], mine["kept"], mine["kept_pct"]) == (5, 2, 40.0)
        # Wilson's interval of 2 in 5 at 95 %, from its formula: (2 + z²/2 ± z sqrt(2·3/5 + z²/4)) / (5 + z²).
        assert mine["kept_low_pct"] == pytest.approx(11.76, abs=0.01)
        assert mine["kept_high_pct"] == pytest.approx(76.93, abs=0.01)
        assert mine["expected_pct"] == pytest.approx(100 * (10 + 3) / (10 + 5))
        assert {one["crew"]: one["planned"] for one in mine["crews"]} == {"blue": 3, "red": 2}
        assert {one["crew"]: one["planned"] for one in told["crews"]} == {"blue": 3, "red": 2, None: 1}

    def test_a_missed_turn_stays_missed_when_it_is_planned_anew(
        self, tenant: Tenant, site: dict[str, Any], pile: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(-9), at=LONG_AGO)
        in_force(database, tenant, site["id"], a_turn(-7), at=nine(-8))  # mended the day after
        turned(tenant, pile, nine(-7))
        assert [(one.on_date, one.state) for one in tasks(database, tenant)] == [(day(-7), "done")]
        total = kept(tenant, site)["total"]
        assert (total["planned"], total["kept"], total["missed"]) == (2, 1, 1)

    def test_a_turn_moved_before_its_morning_was_not_promised(
        self, tenant: Tenant, site: dict[str, Any], pile: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(-9), at=LONG_AGO)
        in_force(database, tenant, site["id"], a_turn(-7), at=nine(-10))
        turned(tenant, pile, nine(-7))
        total = kept(tenant, site)["total"]
        assert (total["planned"], total["kept"], total["missed"]) == (1, 1, 0)

    def test_what_may_still_be_done_in_time_is_left_out(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        plan = [a_turn(n, number=10 + n, pile=str(n)) for n in range(-3, 4)]
        in_force(database, tenant, site["id"], *plan, at=LONG_AGO)
        assert kept(tenant, site)["total"]["planned"] == 2  # those of two and three days ago

    def test_the_edge_of_the_time_asked_for_cuts_no_pair(
        self, tenant: Tenant, site: dict[str, Any], pile: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(-10), a_turn(-9, number=2), at=LONG_AGO)
        turned(tenant, pile, nine(-9))
        told = kept(tenant, site, -30, -9)
        assert (told["total"]["planned"], told["total"]["missed"], told["unplanned"]) == (1, 1, 0)

    def test_the_planner_is_told_what_to_expect(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        weeks = [a_turn(-7 * n - 3, number=n) for n in range(1, 6)]
        in_force(database, tenant, site["id"], *weeks, at=LONG_AGO)
        with database.begin(tenant.organisation_id) as session:
            found = reliability(session, tenant.organisation_id, uuid.UUID(site["id"]), now=NOW)
        assert found == dict.fromkeys(WEEKDAYS, 1.0) | {weekday_of(day(-3)): pytest.approx(10 / 15)}

    def test_without_a_plan_nothing_is_known(self, tenant: Tenant, site: dict[str, Any]) -> None:
        told = kept(tenant, site)
        assert told["weekdays"] == told["crews"] == []
        assert told["total"]["planned"] == told["unplanned"] == 0
        assert told["total"]["kept_pct"] is told["total"]["median_late_days"] is None

    def test_bad_spans_are_named(self, tenant: Tenant, site: dict[str, Any]) -> None:
        for since, until, pointer in (
            ("2026-03-02", "2026-03-02", "/to"),
            ("2026-03-02", "2036-03-02", "/to"),
            ("2026-3-2", "2026-03-04", "/from"),
        ):
            path = f"/v1/sites/{site['id']}/reliability?from={since}&to={until}"
            told = problem_of(tenant.call("GET", path), 422)
            assert told["errors"][0]["pointer"] == pointer
