"""What people say about readings: entries beside them, in the order of record."""

import threading
import uuid
from datetime import datetime
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.exc import ProgrammingError

from service.domain.quantities import Quantity
from service.domain.readings.corrections import in_force
from service.operations.reopening import lock_of
from service.storage.corrections import corrections_of
from service.storage.database import Database
from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant
from tests.http.test_exchange import NO_ONE, problem_of

SPAN = {"from": at(0), "to": at(24)}
EXCLUDE = {"kind": "exclude", "reason": "the probe lay on the path"} | SPAN


def path_of(probe: dict[str, Any]) -> str:
    return f"/v1/probes/{probe['id']}/corrections"


def same(one: str, other: str) -> bool:
    return datetime.fromisoformat(one) == datetime.fromisoformat(other)


class TestRecording:
    @pytest.mark.parametrize(
        "told",
        [
            {"kind": "accept", "reason": "a fire was near, it was that hot"},
            {"kind": "exclude", "quantity": "temperature", "reason": "lay on the path"},
            {"kind": "shift", "by_s": -3600, "reason": "summer time was set by hand"},
            {"kind": "shift", "by_s": 0.5, "quantity": "moisture", "reason": "drift"},
            {
                "kind": "unit",
                "quantity": "temperature",
                "unit": "[degF]",
                "reason": "the logger was set to F",
            },
        ],
        ids=str,
    )
    def test_keeps_what_was_said(self, tenant: Tenant, told: dict[str, Any]) -> None:
        path = path_of(a_probe(tenant))
        made = tenant.post(path, told | SPAN)
        assert {name: made[name] for name in told} == told
        assert same(made["from"], SPAN["from"])
        assert same(made["to"], SPAN["to"])
        unsaid = {"quantity", "by_s", "unit", "withdraws"} - told.keys()
        assert [made[name] for name in unsaid] == [None] * len(unsaid)
        assert made["is_in_force"]
        assert tenant.get(path)["items"] == [made]

    @pytest.mark.parametrize(
        ("body", "pointer", "said"),
        [
            (EXCLUDE | {"reason": " "}, "/reason", "why"),
            (EXCLUDE | {"kind": "delete"}, "/kind", "withdraw"),
            (EXCLUDE | {"to": at(0)}, "/to", "later than"),
            ({"kind": "exclude", "reason": "x", "to": at(1)}, "/from", "is missing"),
            ({"kind": "exclude", "reason": "x", "from": at(1)}, "/to", "is missing"),
            (EXCLUDE | {"from": "2026-05-04T09:00:00"}, "/from", "offset"),
            (EXCLUDE | {"by_s": 60}, "/by_s", "leave it out"),
            (EXCLUDE | {"unit": "Cel"}, "/unit", "leave it out"),
            (EXCLUDE | {"withdraws": NO_ONE}, "/withdraws", "leave it out"),
            (EXCLUDE | {"quantity": "heat"}, "/quantity", "temperature"),
            (EXCLUDE | {"value": 61.4}, "/value", "not a known field"),
            (EXCLUDE | {"kind": "shift"}, "/by_s", "is missing"),
            (EXCLUDE | {"kind": "shift", "by_s": 0}, "/by_s", "moves nothing"),
            (EXCLUDE | {"kind": "shift", "by_s": 4e8}, "/by_s", "ten years"),
            (EXCLUDE | {"kind": "unit", "quantity": "temperature"}, "/unit", "is missing"),
            (EXCLUDE | {"kind": "unit", "unit": "Cel"}, "/quantity", "is missing"),
            (EXCLUDE | {"kind": "unit", "quantity": "ph", "unit": "Cel"}, "/unit", "is not told in Cel"),
            ({"kind": "withdraw", "reason": "x"}, "/withdraws", "is missing"),
            (
                {"kind": "withdraw", "withdraws": NO_ONE, "reason": "x"},
                "/withdraws",
                "no entry of this probe",
            ),
        ],
        ids=str,
    )
    def test_names_what_does_not_fit(
        self, tenant: Tenant, body: dict[str, Any], pointer: str, said: str
    ) -> None:
        path = path_of(a_probe(tenant))
        errors = problem_of(tenant.call("POST", path, body), 422)["errors"]
        assert any(one["pointer"] == pointer and said in one["detail"] for one in errors), errors
        assert tenant.get(path)["items"] == []

    def test_leaves_readings_as_recorded(self, tenant: Tenant, database: Database) -> None:
        probe = a_probe(tenant)
        tenant.post("/v1/readings", a_bag(a_reading(probe["serial"], 1, 61.4)))
        query = text("select observed_at, value, unit, flag from reading")
        with database.begin(tenant.organisation_id) as session:
            before = session.execute(query).all()
        tenant.post(path_of(probe), EXCLUDE)
        tenant.post(path_of(probe), EXCLUDE | {"kind": "shift", "by_s": 60})
        with database.begin(tenant.organisation_id) as session:
            assert session.execute(query).all() == before

    def test_is_repeatable(self, tenant: Tenant) -> None:
        path, key = path_of(a_probe(tenant)), uuid.uuid4().hex
        first = tenant.call("POST", path, EXCLUDE, Idempotency_Key=key)
        again = tenant.call("POST", path, EXCLUDE, Idempotency_Key=key)
        assert (first.status_code, first.json()) == (201, again.json())
        assert len(tenant.get(path)["items"]) == 1

    def test_stays_on_record(self, tenant: Tenant, database: Database) -> None:
        tenant.post(path_of(a_probe(tenant)), EXCLUDE)
        for statement in ("update reading_correction set reason = 'x'", "delete from reading_correction"):
            with (
                pytest.raises(ProgrammingError, match="permission denied"),
                database.begin(tenant.organisation_id) as session,
            ):
                session.execute(text(statement))

    def test_a_key_for_another_site_sees_no_such_probe(self, tenant: Tenant) -> None:
        here = a_site(tenant)["id"]
        key = tenant.key_for("read", "write", site_id=here)
        tenant.post(path_of(a_probe(tenant, site_id=here)), EXCLUDE, key=key)
        path = path_of(a_probe(tenant))
        problem_of(tenant.call("POST", path, EXCLUDE, key=key), 404)
        problem_of(tenant.call("GET", path, key=key), 404)


def withdraw(made: dict[str, Any], **overrides: Any) -> dict[str, Any]:
    return {"kind": "withdraw", "withdraws": made["id"], "reason": "it was another probe"} | overrides


class TestWithdrawing:
    def test_has_the_span_and_quantity_of_what_it_names(self, tenant: Tenant) -> None:
        path = path_of(a_probe(tenant))
        made = tenant.post(path, EXCLUDE | {"quantity": "moisture"})
        gone = tenant.post(path, withdraw(made))
        assert [gone[name] for name in ("from", "to", "quantity")] == [made["from"], made["to"], "moisture"]
        assert [one["is_in_force"] for one in tenant.get(path)["items"]] == [False, False]

    def test_can_be_withdrawn_itself(self, tenant: Tenant) -> None:
        path = path_of(a_probe(tenant))
        made = tenant.post(path, EXCLUDE)
        gone = tenant.post(path, withdraw(made, **SPAN))
        tenant.post(path, withdraw(gone))
        assert [one["is_in_force"] for one in tenant.get(path)["items"]] == [True, False, False]

    @pytest.mark.parametrize(
        ("other", "pointer"),
        [({"from": at(1)}, "/from"), ({"to": at(1)}, "/to"), ({"quantity": "ph"}, "/quantity")],
    )
    def test_is_of_the_whole_entry(self, tenant: Tenant, other: dict[str, Any], pointer: str) -> None:
        path = path_of(a_probe(tenant))
        made = tenant.post(path, EXCLUDE)
        (error,) = problem_of(tenant.call("POST", path, withdraw(made, **other)), 422)["errors"]
        assert error["pointer"] == pointer

    def test_is_done_once(self, tenant: Tenant) -> None:
        path = path_of(a_probe(tenant))
        made = tenant.post(path, EXCLUDE)
        gone = tenant.post(path, withdraw(made))
        (error,) = problem_of(tenant.call("POST", path, withdraw(made)), 422)["errors"]
        assert gone["id"] in error["detail"]

    def test_of_eight_at_once_one_does(self, tenant: Tenant) -> None:
        path = path_of(a_probe(tenant))
        made = tenant.post(path, EXCLUDE)
        barrier = threading.Barrier(8)
        statuses: list[int] = []

        def send() -> None:
            barrier.wait()
            statuses.append(tenant.call("POST", path, withdraw(made)).status_code)

        threads = [threading.Thread(target=send) for _ in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(statuses) == [201] + [422] * 7

    def test_speaks_of_the_same_probe(self, tenant: Tenant, other: Tenant) -> None:
        made = tenant.post(path_of(a_probe(tenant)), EXCLUDE)
        for whose in (tenant, other):
            answer = whose.call("POST", path_of(a_probe(whose)), withdraw(made))
            assert problem_of(answer, 422)["errors"][0]["pointer"] == "/withdraws"


class TestTheOrderOfRecord:
    def test_is_kept_over_pages(self, tenant: Tenant) -> None:
        path = path_of(a_probe(tenant))
        made = [tenant.post(path, EXCLUDE | {"reason": str(number)})["id"] for number in range(5)]
        seen: list[str] = []
        after = ""
        while True:
            found = tenant.get(f"{path}?limit=2{after}")
            seen += [one["id"] for one in found["items"]]
            if found["next"] is None:
                break
            after = f"&after={found['next']}"
        assert seen == made

    def test_of_entries_at_once_no_two_share_an_instant(self, tenant: Tenant) -> None:
        path = path_of(a_probe(tenant))
        barrier = threading.Barrier(8)

        def send(number: int) -> None:
            barrier.wait()
            tenant.post(path, EXCLUDE | {"reason": str(number)})

        threads = [threading.Thread(target=send, args=(number,)) for number in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        recorded = [datetime.fromisoformat(one["recorded_at"]) for one in tenant.get(path)["items"]]
        assert len(set(recorded)) == 8
        assert recorded == sorted(recorded)

    def test_is_what_the_domain_is_given(self, tenant: Tenant, database: Database) -> None:
        probe = a_probe(tenant)
        path = path_of(probe)
        made = tenant.post(path, EXCLUDE)
        told = {"kind": "unit", "quantity": "temperature", "unit": "[degF]"}
        second = tenant.post(path, EXCLUDE | told)
        tenant.post(path, withdraw(made))
        with database.begin(tenant.organisation_id) as session:
            entries = corrections_of(session, tenant.organisation_id, uuid.UUID(probe["id"]))
        (entry,) = in_force(entries)
        assert (str(entry.id), entry.quantity, entry.kind) == (second["id"], Quantity.TEMPERATURE, "unit")
        assert entry.since_us == datetime.fromisoformat(SPAN["from"]).timestamp() * 1e6


class TestVerdictsAreLookedAtAgain:
    @pytest.fixture
    def probe(self, tenant: Tenant, database: Database) -> dict[str, Any]:
        """A probe in a pile with a verdict on file, judged today; nothing waits to be looked at."""
        pile = a_pile(tenant, rules=["us-nop-windrow"], built_at=at(0))
        found = a_probe(tenant)
        a_placement(tenant, found["id"], pile["id"])
        tenant.post(f"/v1/piles/{pile['id']}/verdicts", {"rule": "us-nop-windrow"})
        with database.begin(tenant.organisation_id) as session:
            session.execute(
                text("delete from procrastinate_jobs where lock = :lock"),
                {"lock": lock_of(tenant.organisation_id)},
            )
        return found

    def waiting(self, database: Database, tenant: Tenant) -> int:
        query = text("select count(*) from procrastinate_jobs where lock = :lock and status = 'todo'")
        with database.begin(tenant.organisation_id) as session:
            count: int = session.execute(query, {"lock": lock_of(tenant.organisation_id)}).scalar_one()
        return count

    @pytest.mark.parametrize(
        ("told", "is_asked_for"),
        [
            (EXCLUDE, True),
            (EXCLUDE | {"from": "2150-01-01T00:00:00Z", "to": "2150-01-02T00:00:00Z"}, False),
            # Recorded by a clock years ahead, and moved back to before the verdict.
            (
                {"kind": "shift", "by_s": -3e8, "reason": "the clock was years ahead"}
                | {"from": "2035-01-01T00:00:00Z", "to": "2035-01-02T00:00:00Z"},
                True,
            ),
        ],
        ids=["before", "after", "moved before"],
    )
    def test_if_they_may_have_been_touched(
        self,
        tenant: Tenant,
        database: Database,
        probe: dict[str, Any],
        told: dict[str, Any],
        is_asked_for: bool,  # noqa: FBT001 - a case
    ) -> None:
        tenant.post(path_of(probe), told)
        assert self.waiting(database, tenant) == int(is_asked_for)

    def test_wherever_an_earlier_entry_has_moved_the_readings(
        self, tenant: Tenant, database: Database, probe: dict[str, Any]
    ) -> None:
        ahead = {"from": "2035-01-01T00:00:00Z", "to": "2035-01-02T00:00:00Z"}
        tenant.post(path_of(probe), {"kind": "shift", "by_s": -3e8, "reason": "years ahead"} | ahead)
        with database.begin(tenant.organisation_id) as session:
            session.execute(
                text("update procrastinate_jobs set status = 'succeeded' where lock = :lock"),
                {"lock": lock_of(tenant.organisation_id)},
            )
        assert self.waiting(database, tenant) == 0
        tenant.post(path_of(probe), EXCLUDE | ahead)
        assert self.waiting(database, tenant) == 1

    def test_a_refused_entry_asks_for_nothing(
        self, tenant: Tenant, database: Database, probe: dict[str, Any]
    ) -> None:
        problem_of(tenant.call("POST", path_of(probe), EXCLUDE | {"reason": ""}), 422)
        assert self.waiting(database, tenant) == 0
