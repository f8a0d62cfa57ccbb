"""POST /v1/readings, and what can be read back."""

import json
import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy import text

from service.storage.database import Database
from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant


def post(tenant: Tenant, body: Any, **headers: str) -> Any:
    return tenant.call("POST", "/v1/readings", body, **headers)


def counts(answer: Any) -> dict[str, int]:
    body = answer.json()
    names = ("received", "stored", "duplicate", "disputed", "held")
    return {name: body[name] for name in names} | {"refused": len(body["refused"])}


class TestABagOfReadings:
    def test_is_kept(self, tenant: Tenant) -> None:
        probe = a_probe(tenant)
        answer = post(tenant, a_bag(a_reading(probe["serial"], 0), a_reading(probe["serial"], 1)))
        assert answer.status_code == 200
        assert counts(answer) == {
            "received": 2, "stored": 2, "duplicate": 0, "disputed": 0, "held": 0, "refused": 0,
        }  # fmt: skip

    def test_sent_again_is_harmless(self, tenant: Tenant) -> None:
        probe = a_probe(tenant)
        bag = a_bag(*(a_reading(probe["serial"], hour) for hour in range(50)))
        post(tenant, bag)
        again = post(tenant, bag)
        assert again.status_code == 200
        assert counts(again)["stored"] == 0
        assert counts(again)["duplicate"] == 50

    def test_partly_sent_before_adds_the_rest(self, tenant: Tenant) -> None:
        probe = a_probe(tenant)
        post(tenant, a_bag(*(a_reading(probe["serial"], hour) for hour in range(10))))
        answer = post(tenant, a_bag(*(a_reading(probe["serial"], hour) for hour in range(5, 20))))
        assert (counts(answer)["stored"], counts(answer)["duplicate"]) == (10, 5)

    def test_twice_in_one_bag_is_kept_once(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        answer = post(tenant, a_bag(a_reading(serial, 0), a_reading(serial, 0), a_reading(serial, 0, 12.5)))
        assert (counts(answer)["stored"], counts(answer)["duplicate"], counts(answer)["disputed"]) == (
            1,
            1,
            1,
        )

    def test_another_value_is_a_dispute_and_the_first_stays(self, tenant: Tenant, database: Database) -> None:
        pile = a_pile(tenant)
        probe = a_probe(tenant)
        a_placement(tenant, probe["id"], pile["id"])
        post(tenant, a_bag(a_reading(probe["serial"], 0, 61.4)))
        answer = post(tenant, a_bag(a_reading(probe["serial"], 0, 16.4)))
        assert answer.status_code == 200
        assert counts(answer)["disputed"] == 1
        assert answer.json()["disputes"] == [{"index": 0, "value_in_force": 61.4, "unit_in_force": "Cel"}]
        assert [r["value"] for r in tenant.get(f"/v1/piles/{pile['id']}/readings")["items"]] == [61.4]
        with database.begin(tenant.organisation_id) as session:
            assert session.execute(text("select value from disputed_reading")).scalars().all() == [16.4]

    def test_the_same_number_in_another_unit_is_a_dispute(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        post(tenant, a_bag(a_reading(serial, 0, 61.4)))
        assert counts(post(tenant, a_bag(a_reading(serial, 0, 61.4, unit="[degF]"))))["disputed"] == 1

    def test_empty_is_nothing(self, tenant: Tenant) -> None:
        answer = post(tenant, a_bag())
        assert answer.status_code == 200
        assert counts(answer)["received"] == 0

    def test_order_of_arrival_does_not_matter(self, tenant: Tenant) -> None:
        pile = a_pile(tenant)
        probe = a_probe(tenant)
        a_placement(tenant, probe["id"], pile["id"])
        for hour in (5, 1, 9, 3):
            post(tenant, a_bag(a_reading(probe["serial"], hour, 50 + hour)))
        values = [r["value"] for r in tenant.get(f"/v1/piles/{pile['id']}/readings")["items"]]
        assert values == [51, 53, 55, 59]

    def test_values_stay_as_recorded(self, tenant: Tenant) -> None:
        pile = a_pile(tenant)
        probe = a_probe(tenant)
        a_placement(tenant, probe["id"], pile["id"])
        post(tenant, a_bag(a_reading(probe["serial"], 0, 130.9, unit="[degF]")))
        (item,) = tenant.get(f"/v1/piles/{pile['id']}/readings")["items"]
        assert (item["value"], item["unit"], item["flag"]) == (130.9, "[degF]", 1)

    @pytest.mark.parametrize(
        ("value", "unit", "flag"),
        [
            (61.4, "Cel", 1),
            (80.1, "Cel", 3),
            (95.1, "Cel", 4),
            (-30.1, "Cel", 4),
            (203.1, "[degF]", 4),
            (310, "K", 1),
        ],
    )
    def test_doubtful_values_are_flagged_and_kept(
        self, tenant: Tenant, value: float, unit: str, flag: int
    ) -> None:
        pile = a_pile(tenant)
        probe = a_probe(tenant)
        a_placement(tenant, probe["id"], pile["id"])
        assert counts(post(tenant, a_bag(a_reading(probe["serial"], 0, value, unit=unit))))["stored"] == 1
        (item,) = tenant.get(f"/v1/piles/{pile['id']}/readings")["items"]
        assert item["flag"] == flag

    def test_microseconds_are_kept(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        first = a_reading(serial, 0) | {"observed_at": "2026-05-04T09:00:00.123456-05:00"}
        second = a_reading(serial, 0) | {"observed_at": "2026-05-04T14:00:00.123457Z"}
        assert counts(post(tenant, a_bag(first, second)))["stored"] == 2
        same = a_reading(serial, 0) | {"observed_at": "2026-05-04T16:00:00.123456+02:00"}
        assert counts(post(tenant, a_bag(same)))["duplicate"] == 1


BAD = [
    ({"value": "61"}, "value", "bad-value"),
    ({"value": None}, "value", "bad-value"),
    ({"value": True}, "value", "bad-value"),
    ({"value": 1e300}, "value", "not-a-number"),
    ({"observed_at": "2026-05-04T09:00:00"}, "observed_at", "bad-observed-at"),
    ({"observed_at": 1_700_000_000}, "observed_at", "bad-observed-at"),
    ({"observed_at": "yesterday"}, "observed_at", "bad-observed-at"),
    ({"observed_at": "1969-12-31T23:59:59Z"}, "observed_at", "clock-not-set"),
    ({"observed_at": "0001-01-01T00:00:00+14:00"}, "observed_at", "clock-not-set"),
    ({"observed_at": "9999-12-31T23:59:59-14:00"}, "observed_at", "in-the-future"),
    ({"quantity": "heat"}, "quantity", "bad-quantity"),
    ({"unit": "C"}, "unit", "bad-unit"),
    ({"unit": "%"}, "unit", "unit-does-not-fit"),
    ({"probe": ""}, "probe", "bad-probe"),
    ({"probe": 42}, "probe", "bad-probe"),
    ({"probe": "zero\x00byte"}, "probe", "bad-probe"),
    ({"depth": 3}, "depth", "unknown-member"),
]


class TestOneBadReading:
    @pytest.mark.parametrize(("change", "member", "code"), BAD)
    def test_is_refused_by_its_place_and_the_others_are_kept(
        self, tenant: Tenant, change: dict[str, Any], member: str, code: str
    ) -> None:
        serial = a_probe(tenant)["serial"]
        bag = a_bag(a_reading(serial, 0), a_reading(serial, 1) | change, a_reading(serial, 2))
        answer = post(tenant, bag)
        assert answer.status_code == 207, answer.text
        assert counts(answer)["stored"] == 2
        (refused,) = answer.json()["refused"]
        assert refused["index"] == 1
        assert refused["pointer"] == f"/readings/1/{member}"
        assert refused["type"] == f"/problems/reading-{code}"
        assert len(refused["detail"]) > 20

    @pytest.mark.parametrize("item", [None, 3, [], "x"])
    def test_that_is_no_object_is_refused(self, tenant: Tenant, item: object) -> None:
        answer = post(tenant, {"readings": [a_reading(a_probe(tenant)["serial"], 0), item]})
        assert answer.status_code == 207
        assert answer.json()["refused"][0]["pointer"] == "/readings/1"

    @pytest.mark.parametrize("member", ["probe", "observed_at", "quantity", "value", "unit"])
    def test_that_lacks_a_member_is_refused(self, tenant: Tenant, member: str) -> None:
        reading = a_reading("PR-1", 0)
        del reading[member]
        (refused,) = post(tenant, a_bag(reading)).json()["refused"]
        assert refused["pointer"] == f"/readings/0/{member}"
        assert "missing" in refused["detail"]

    def test_too_far_ahead_is_refused_and_a_little_ahead_is_kept(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        now = datetime.now(UTC)
        near = a_reading(serial, 0) | {"observed_at": (now + timedelta(minutes=9)).isoformat()}
        far = a_reading(serial, 0) | {"observed_at": (now + timedelta(minutes=11)).isoformat()}
        answer = post(tenant, a_bag(near, far))
        assert counts(answer)["stored"] == 1
        assert answer.json()["refused"][0]["type"] == "/problems/reading-in-the-future"

    def test_with_strict_handling_keeps_nothing(self, tenant: Tenant) -> None:
        serial = a_probe(tenant)["serial"]
        bag = a_bag(a_reading(serial, 0), a_reading(serial, 1) | {"unit": "C"})
        answer = post(tenant, bag, Prefer="handling=strict")
        assert answer.status_code == 422
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.headers["preference-applied"] == "handling=strict"
        assert answer.json()["errors"][0]["pointer"] == "/readings/1/unit"
        assert counts(post(tenant, a_bag(a_reading(serial, 0))))["stored"] == 1

    def test_at_most_a_hundred_are_listed_and_all_are_counted(self, tenant: Tenant) -> None:
        body = post(tenant, a_bag(*({"probe": "x"} for _ in range(150)))).json()
        assert (len(body["refused"]), body["refused_count"]) == (100, 150)


class TestAnEnvelope:
    @pytest.mark.parametrize(
        ("raw", "status"),
        [
            (b"", 400),
            (b"{", 400),
            (b'{"readings": [}', 400),
            (b"[" * 100_000, 422),
            (b'{"readings": [' + b"[" * 50_000, 400),
            (b"\xff\xfe", 400),
            (b"[]", 422),
            (b"null", 422),
            (b"{}", 422),
            (b'{"readings": {}}', 422),
            (b'{"readings": [], "sent_at": "noon"}', 422),
            (b'{"readings": [], "gateway": 7}', 422),
            (b'{"readings": [], "colour": 7}', 422),
        ],
    )
    def test_that_cannot_be_read_is_a_problem(self, tenant: Tenant, raw: bytes, status: int) -> None:
        answer = tenant.client.post(
            "/v1/readings",
            content=raw,
            headers={"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"},
        )
        assert answer.status_code == status, answer.text
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["status"] == status

    @pytest.mark.parametrize(
        ("headers", "told"),
        [
            ({"Content-Type": "text/plain"}, "Accept"),
            ({"Content-Type": "application/json", "Content-Encoding": "br"}, "Accept-Encoding"),
        ],
    )
    def test_of_another_type_or_coding_is_415(
        self, tenant: Tenant, headers: dict[str, str], told: str
    ) -> None:
        answer = tenant.client.post(
            "/v1/readings", content=b"x", headers={"Authorization": f"Bearer {tenant.key}", **headers}
        )
        assert answer.status_code == 415
        assert told in answer.headers

    def test_too_large_is_413(self, tenant: Tenant) -> None:
        answer = tenant.client.post(
            "/v1/readings",
            content=b" " * (9 << 20),
            headers={"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"},
        )
        assert answer.status_code == 413
        assert "halve" in answer.json()["detail"]

    def test_with_too_many_readings_is_refused_whole(self, tenant: Tenant) -> None:
        raw = json.dumps(a_bag(*({"probe": "x"} for _ in range(10_001)))).encode()
        answer = tenant.client.post(
            "/v1/readings",
            content=raw,
            headers={"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"},
        )
        assert answer.status_code == 413
        assert "10000" in answer.json()["detail"]


def test_as_many_readings_as_one_request_may_hold_are_kept(tenant: Tenant) -> None:
    """Half a megabyte to the server in one statement: more than a socket's buffer takes at once."""
    serial = a_probe(tenant)["serial"]
    bag = a_bag(*(a_reading(serial, number / 600) for number in range(10_000)))
    assert tenant.post("/v1/readings", bag)["stored"] == 10_000
    assert tenant.post("/v1/readings", bag)["duplicate"] == 10_000


class TestAProbeNotKnownYet:
    def test_has_its_readings_held_then_adopted(self, tenant: Tenant) -> None:
        serial = "PR-early"
        answer = post(tenant, a_bag(*(a_reading(serial, hour) for hour in range(3))))
        assert answer.status_code == 200
        assert counts(answer)["held"] == 3
        assert counts(post(tenant, a_bag(a_reading(serial, 0))))["held"] == 1
        probe = tenant.post("/v1/probes", {"serial": serial})
        assert probe["adopted_readings"] == 3
        pile = a_pile(tenant)
        a_placement(tenant, probe["id"], pile["id"])
        assert len(tenant.get(f"/v1/piles/{pile['id']}/readings")["items"]) == 3
        assert counts(post(tenant, a_bag(a_reading(serial, 0))))["duplicate"] == 1

    def test_with_two_values_for_one_instant_keeps_the_first(self, tenant: Tenant) -> None:
        post(tenant, a_bag(a_reading("PR-late", 0, 60.0)))
        post(tenant, a_bag(a_reading("PR-late", 0, 50.0)))
        probe = tenant.post("/v1/probes", {"serial": "PR-late"})
        assert (probe["adopted_readings"], probe["disputed_readings"]) == (1, 1)
        pile = a_pile(tenant)
        a_placement(tenant, probe["id"], pile["id"])
        assert [r["value"] for r in tenant.get(f"/v1/piles/{pile['id']}/readings")["items"]] == [60.0]

    def test_of_another_organisation_is_still_unknown(self, tenant: Tenant, other: Tenant) -> None:
        serial = a_probe(other)["serial"]
        assert counts(post(tenant, a_bag(a_reading(serial, 0))))["held"] == 1


class TestAKey:
    def test_is_needed(self, tenant: Tenant) -> None:
        answer = tenant.client.post("/v1/readings", json=a_bag())
        assert answer.status_code == 401
        assert answer.headers["www-authenticate"].startswith("Bearer")

    def test_without_the_scope_is_refused(self, tenant: Tenant) -> None:
        assert (
            post(tenant, a_bag(), Authorization=f"Bearer {tenant.key_for('read', 'write')}").status_code
            == 403
        )

    def test_for_one_site_speaks_for_its_probes_only(self, tenant: Tenant) -> None:
        here, there = a_site(tenant), a_site(tenant)
        mine = a_probe(tenant, site_id=here["id"])
        other = a_probe(tenant, site_id=there["id"])
        key = tenant.key_for("ingest", site_id=here["id"])
        answer = post(
            tenant,
            a_bag(a_reading(mine["serial"], 0), a_reading(other["serial"], 0)),
            Authorization=f"Bearer {key}",
        )
        assert answer.status_code == 207
        assert counts(answer)["stored"] == 1
        assert answer.json()["refused"][0]["type"] == "/problems/reading-not-this-site"


class TestReadingBack:
    def test_pages_through_everything_once(self, tenant: Tenant) -> None:
        pile = a_pile(tenant)
        probes = [a_probe(tenant) for _ in range(2)]
        for place, probe in enumerate(probes):
            a_placement(tenant, probe["id"], pile["id"], position=f"core-{place}")
            post(tenant, a_bag(*(a_reading(probe["serial"], hour, 40 + hour) for hour in range(25))))
        seen: list[tuple[str, str]] = []
        path = f"/v1/piles/{pile['id']}/readings?limit=7"
        page = tenant.get(path)
        while True:
            seen += [(item["observed_at"], item["position"]) for item in page["items"]]
            if page["next"] is None:
                break
            page = tenant.get(f"{path}&after={page['next']}")
        assert len(seen) == len(set(seen)) == 50
        assert seen == sorted(seen)

    def test_by_time_and_position(self, tenant: Tenant) -> None:
        pile = a_pile(tenant)
        probe = a_probe(tenant)
        a_placement(tenant, probe["id"], pile["id"], position="north edge")
        post(tenant, a_bag(*(a_reading(probe["serial"], hour) for hour in range(10))))
        path = f"/v1/piles/{pile['id']}/readings"
        cut = tenant.client.get(
            path,
            params={"from": at(2), "to": at(5), "position": "north edge"},
            headers={"Authorization": f"Bearer {tenant.key}"},
        ).json()
        assert len(cut["items"]) == 3
        assert tenant.get(f"{path}?position=core-1")["items"] == []

    def test_a_moved_probe_leaves_its_readings_where_it_stood(self, tenant: Tenant) -> None:
        """The placement is recorded after the readings came, and still decides whose they are."""
        first, second = a_pile(tenant), a_pile(tenant)
        probe = a_probe(tenant)
        post(tenant, a_bag(*(a_reading(probe["serial"], hour) for hour in range(10))))
        a_placement(tenant, probe["id"], first["id"], to=at(4))
        a_placement(tenant, probe["id"], second["id"], **{"from": at(4)})
        hours = [len(tenant.get(f"/v1/piles/{pile['id']}/readings")["items"]) for pile in (first, second)]
        assert hours == [4, 6]


def test_eight_at_once_keep_each_reading_once(tenant: Tenant, database: Database) -> None:
    serial = a_probe(tenant)["serial"]
    bag = a_bag(*(a_reading(serial, hour) for hour in range(200)))
    barrier = threading.Barrier(8)
    answers: list[dict[str, int]] = []

    def send() -> None:
        barrier.wait()
        answers.append(counts(post(tenant, bag)))

    threads = [threading.Thread(target=send) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(answer["stored"] for answer in answers) == 200
    assert sum(answer["duplicate"] for answer in answers) == 1400
    with database.begin(tenant.organisation_id) as session:
        assert session.execute(text("select count(*) from reading")).scalar_one() == 200


def test_what_became_of_readings_is_counted(tenant: Tenant) -> None:
    def counted() -> float:
        text_form = tenant.client.get("/metrics").text
        lines = [
            line
            for line in text_form.splitlines()
            if line.startswith('heapledger_readings_total{outcome="held"}')
        ]
        return float(lines[0].split()[-1]) if lines else 0.0

    before = counted()
    post(tenant, a_bag(a_reading("PR-counted", 0), a_reading("PR-counted", 1)))
    assert counted() == before + 2
