"""What cannot be judged as it was sent: refused by name and remedy, nothing half-written, nothing lost."""

import json
import time
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import text

from service.storage.database import Database
from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant
from tests.http.lineages import WINDROW, happened, heat, judged, send
from tests.http.test_exchange import NO_ONE, problem_of

CHECK: dict[str, Any] = {
    "rule": WINDROW,
    "time_zone": "America/Chicago",
    "readings": [{"position": "core-1", "observed_at": at(0), "temperature_c": 57.2}],
}


def refused(answer: Any, *pointers: str) -> list[str]:
    """Return what was said of each pointer; all of them and no other are named."""
    errors = problem_of(answer, 422)["errors"]
    assert [one["pointer"] for one in errors] == list(pointers)
    return [one["detail"] for one in errors]


class TestRules:
    def test_an_unknown_one(self, tenant: Tenant) -> None:
        pile = a_pile(tenant)["id"]
        for answer in (
            tenant.call("GET", f"/v1/piles/{pile}/compliance?rule=no-such-rule"),
            tenant.call("POST", f"/v1/piles/{pile}/verdicts", {"rule": "no-such-rule"}),
            tenant.call("POST", "/v1/compliance/check", CHECK | {"rule": "no-such-rule"}),
        ):
            (said,) = refused(answer, "/rule")
            assert "no-such-rule" in said
            assert "GET /v1/rules" in said
        assert tenant.get(f"/v1/piles/{pile}/verdicts")["items"] == []

    def test_a_pile_may_not_be_given_one(self, tenant: Tenant) -> None:
        site = a_site(tenant)["id"]
        body = {"site_id": site, "label": "one", "rules": [WINDROW, "no-such-rule"]}
        refused(tenant.call("POST", "/v1/piles", body), "/rules/1")
        assert tenant.get(f"/v1/piles?site_id={site}")["items"] == []


class TestReadings:
    @pytest.mark.parametrize(
        ("change", "pointer"),
        [
            ({"observed_at": "2026-05-04T09:00:00"}, "/readings/0/observed_at"),
            ({"position": None}, "/readings/0/position"),
            ({"position": " "}, "/readings/0/position"),
            ({"temperature_c": "NaN"}, "/readings/0/temperature_c"),
            ({"temperature_c": "57.2"}, "/readings/0/temperature_c"),
            ({"temperature_c": None}, "/readings/0"),
            ({"temperature_f": 135}, "/readings/0"),
            ({"temperature_c": 1e9}, "/readings/0/temperature_c"),
        ],
    )
    def test_that_cannot_be_read(self, tenant: Tenant, change: dict[str, Any], pointer: str) -> None:
        reading = CHECK["readings"][0] | change
        refused(tenant.call("POST", "/v1/compliance/check", CHECK | {"readings": [reading]}), pointer)

    def test_without_a_position_nothing_is_guessed(self, tenant: Tenant) -> None:
        reading = {name: one for name, one in CHECK["readings"][0].items() if name != "position"}
        refused(
            tenant.call("POST", "/v1/compliance/check", CHECK | {"readings": [reading]}),
            "/readings/0/position",
        )
        pile, probe = a_pile(tenant)["id"], a_probe(tenant)
        path = f"/v1/probes/{probe['id']}/placements"
        refused(tenant.call("POST", path, {"pile_id": pile, "from": at(0)}), "/position")
        assert tenant.get(path)["items"] == []

    @pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity"])
    def test_that_are_no_json_are_refused_whole(self, tenant: Tenant, value: str) -> None:
        """RFC 8259 has no such numbers: the bag cannot be read, and nothing of it is kept."""
        probe = a_probe(tenant)
        bag = json.dumps(a_bag(a_reading(probe["serial"], 0), a_reading(probe["serial"], 1)))
        headers = {"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"}
        answer = tenant.client.post("/v1/readings", content=bag.replace("61.4", value, 1), headers=headers)
        assert "JSON" in problem_of(answer, 400)["detail"]
        assert tenant.get(f"/v1/probes/{probe['id']}/readings")["items"] == []

    @pytest.mark.parametrize("value", ["NaN", None, "hot", 1e300, True, [60]], ids=str)
    def test_that_are_no_temperatures_are_refused_one_by_one(self, tenant: Tenant, value: Any) -> None:
        probe = a_probe(tenant)
        bag = a_bag(a_reading(probe["serial"], 0, value=value), a_reading(probe["serial"], 1))
        answer = tenant.call("POST", "/v1/readings", bag)
        assert answer.status_code == 207
        (refusal,) = answer.json()["refused"]
        assert (refusal["index"], answer.json()["stored"]) == (0, 1)
        assert "value" in refusal["pointer"]

    def test_of_a_probe_that_sits_nowhere_are_kept_and_judge_nothing(self, tenant: Tenant) -> None:
        pile, probe = a_pile(tenant, built_at=at(0))["id"], a_probe(tenant)
        send(tenant, probe["serial"], range(80))
        assert judged(tenant, pile)["held_h"] == 0
        a_placement(tenant, probe["id"], pile)
        assert judged(tenant, pile)["state"] == "met"


class TestTurns:
    def test_before_the_pile_was_there(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=at(10))["id"]
        path = f"/v1/piles/{pile}/events"
        (said,) = refused(tenant.call("POST", path, {"kind": "turn", "at": at(9)}), "/at")
        assert "built_at" in said
        turn = happened(tenant, pile, "turn", 11)
        instead = {"kind": "turn", "at": at(9)}
        correct = {
            "kind": "correct",
            "at": at(12),
            "corrects": turn["id"],
            "reason": "x",
            "replacement": instead,
        }
        refused(tenant.call("POST", path, correct), "/replacement/at")
        assert [one["kind"] for one in tenant.get(path)["items"]] == ["turn"]

    def test_while_it_was_filled_or_not_built_at_all(self, tenant: Tenant) -> None:
        filled, unbuilt, half = (a_pile(tenant, built_at=built)["id"] for built in (at(10), None, at(10)))
        happened(tenant, filled, "load", 1, volume_m3=1, material="leaves")
        whole = a_pile(tenant, built_at=at(0))["id"]
        happened(tenant, whole, "split", 2, into_pile_ids=[half])
        for pile in (filled, unbuilt, half):
            assert happened(tenant, pile, "turn", 5)["kind"] == "turn"

    def test_more_than_anybody_makes(self, tenant: Tenant) -> None:
        many = [at(n / 60) for n in range(10_000)]
        refused(tenant.call("POST", "/v1/compliance/check", CHECK | {"turns": many}), "/turns")

    def test_ten_thousand_on_record_are_answered(self, tenant: Tenant, database: Database) -> None:
        pile = a_pile(tenant, built_at=at(0))["id"]
        heat(tenant, pile, range(400))
        with database.begin(tenant.organisation_id) as session:
            session.execute(
                text(
                    "insert into pile_event (organisation_id, id, pile_id, kind, at, details, recorded_at)"
                    " select :o, gen_random_uuid(), :p, 'turn', cast(:first as timestamptz) + n * interval '2 minutes',"
                    " '{}', now() from generate_series(1, 10000) n"
                ),
                {"o": tenant.organisation_id, "p": pile, "first": at(0)},
            )
        began = time.monotonic()
        found = judged(tenant, pile, WINDROW)
        assert found["turns_counted"] + len(found["turns_not_counted"]) == 10_000
        assert time.monotonic() - began < 10


class TestAwkwardPiles:
    def test_an_empty_one(self, tenant: Tenant) -> None:
        """Planned, with nothing on record: judged to be unjudgeable, under every rule, and evidence all the same."""
        pile = a_pile(tenant)["id"]
        assert tenant.get(f"/v1/piles/{pile}/compliance") == {"pile_id": pile, "items": [], "caveats": []}
        for rule in [one["id"] for one in tenant.get("/v1/rules")["items"]]:
            found = judged(tenant, pile, rule)
            assert found["state"] in {"cannot_judge", "under_way"}, rule
            assert found["next"]
        assert (
            tenant.post(f"/v1/piles/{pile}/verdicts", {"rule": WINDROW})["verdict"]["state"] == "cannot_judge"
        )
        assert tenant.call("GET", f"/v1/piles/{pile}/evidence.json").status_code == 200

    @pytest.mark.parametrize("hours", [[0], [0, 200, 400]], ids=["one reading", "all gaps"])
    def test_too_little_to_judge(self, tenant: Tenant, hours: list[int]) -> None:
        pile = a_pile(tenant, built_at=at(0))["id"]
        heat(tenant, pile, hours)
        found = judged(tenant, pile, WINDROW)
        assert found["held_h"] == 0
        assert found["state"] in {"cannot_judge", "under_way"}
        gaps = [one for one in found["lost"] if one["cause"] == "gap"]
        assert len(gaps) >= len(hours) - 1

    def test_of_the_future_nobody_knows(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=at(0))["id"]
        ahead = (datetime.now(UTC) + timedelta(minutes=1)).isoformat().replace("+00:00", "Z")
        refused(tenant.call("GET", f"/v1/piles/{pile}/compliance?rule={WINDROW}&as_of={ahead}"), "/as_of")
        naive = tenant.call("GET", f"/v1/piles/{pile}/compliance?rule={WINDROW}&as_of=2026-05-04T09:00:00")
        refused(naive, "/as_of")


class TestCorrections:
    """Of an entry, of its correction, and of one that was taken back."""

    def test_of_a_turn_that_was_on_another_day(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=at(0))["id"]
        heat(tenant, pile, range(100))
        turn = happened(tenant, pile, "turn", 99)
        instead = {"kind": "turn", "at": at(30)}
        happened(tenant, pile, "correct", 100, corrects=turn["id"], reason="Monday", replacement=instead)
        found = judged(tenant, pile, "au-4454-std")
        told = tenant.get(f"/v1/piles/{pile}/events")["items"]
        assert [one["kind"] for one in told] == ["turn", "correct"]
        assert [one["at"][:13] for one in found["turns_not_counted"]] == [at(30)[:13]]

    def test_of_what_was_taken_back(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=at(0))["id"]
        path = f"/v1/piles/{pile}/events"
        turn = happened(tenant, pile, "turn", 10)
        back = happened(tenant, pile, "correct", 11, corrects=turn["id"], reason="not here", replacement=None)
        body = {
            "kind": "correct",
            "at": at(12),
            "corrects": back["id"],
            "reason": "was here",
            "replacement": None,
        }
        (said,) = refused(tenant.call("POST", path, body), "/corrects")
        assert turn["id"] in said  # the remedy: correct the entry itself again
        assert judged(tenant, pile, WINDROW)["turns_counted"] == 0
        heat(tenant, pile, range(40))
        instead = {"kind": "turn", "at": at(10)}
        happened(tenant, pile, "correct", 12, corrects=turn["id"], reason="was here", replacement=instead)
        assert judged(tenant, pile, WINDROW)["turns_counted"] == 1
        assert len(tenant.get(path)["items"]) == 3

    def test_of_what_is_not_there(self, tenant: Tenant) -> None:
        pile = a_pile(tenant)["id"]
        body = {"kind": "correct", "at": at(1), "corrects": NO_ONE, "reason": "x"}
        refused(tenant.call("POST", f"/v1/piles/{pile}/events", body), "/corrects")

    def test_of_a_withdrawn_entry_about_readings(self, tenant: Tenant) -> None:
        probe = a_probe(tenant)
        path = f"/v1/probes/{probe['id']}/corrections"
        said = tenant.post(path, {"kind": "exclude", "from": at(0), "to": at(2), "reason": "bench"})
        back = tenant.post(path, {"kind": "withdraw", "withdraws": said["id"], "reason": "was not"})
        again = tenant.call("POST", path, {"kind": "withdraw", "withdraws": said["id"], "reason": "twice"})
        assert again.status_code in {201, 422}
        third = tenant.post(path, {"kind": "withdraw", "withdraws": back["id"], "reason": "was after all"})
        assert third["withdraws"] == back["id"]
