"""Gateways: the record of each, and how it stands."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

import pytest

from service.storage.database import Database
from service.storage.gateways import put_state
from service.storage.readings import BatchHead, add_batches, next_block
from service.storage.tables import GatewayStateRow
from tests.builders import a_bag, a_gateway, a_probe, a_reading, a_site
from tests.conftest import Tenant
from tests.http.test_exchange import problem_of

SECOND = timedelta(seconds=1)


def pointers(answer: Any) -> set[str]:
    return {error["pointer"] for error in problem_of(answer, 422)["errors"]}


class TestTheRecord:
    def test_speaks_for_any_probe_and_has_no_aliases_unless_it_says_so(self, tenant: Tenant) -> None:
        made = a_gateway(tenant)
        assert (made["serials"], made["aliases"]) == ([], {})

    def test_keeps_serials_and_aliases_and_changes_them_under_its_version(self, tenant: Tenant) -> None:
        aliases = {"ch1": "PR-1/temperature", "urn:dev:mac:1:t": "a/b/moisture"}
        made = a_gateway(tenant, serials=["PR-1", "a/b", "PR-1"], aliases=aliases)
        assert (made["serials"], made["aliases"]) == (["PR-1", "a/b"], aliases)
        path = f"/v1/gateways/{made['id']}"
        problem_of(tenant.call("PATCH", path, {"serials": []}), 428)
        changed = tenant.call("PATCH", path, {"aliases": {}}, If_Match='"1"').json()
        assert (changed["serials"], changed["aliases"]) == (["PR-1", "a/b"], {})
        problem_of(tenant.call("PATCH", path, {"serials": None}, If_Match='"2"'), 422)
        problem_of(tenant.call("PATCH", path, {"serials": []}, If_Match='"1"'), 412)

    @pytest.mark.parametrize(
        ("aliases", "pointer", "said"),
        [
            ({"ch1": "PR-1"}, "/aliases/ch1", "a slash and a quantity"),
            ({"ch1": "/temperature"}, "/aliases/ch1", "names no probe"),
            ({"ch1": "P R/temperature"}, "/aliases/ch1", "names no probe"),
            ({"ch1": "PR-1/heat"}, "/aliases/ch1", "temperature, moisture"),
            ({"ch1": "PR-2/temperature"}, "/aliases/ch1", "not among the gateway's serials"),
            ({"a/b~c": "PR-1"}, "/aliases/a~1b~0c", "names no probe"),
            ({"": "PR-1/temperature"}, "/aliases/", "is no name"),
            ({"a\x00": "PR-1/temperature"}, "/aliases/a\x00", "is no name"),
            ({"x" * 201: "PR-1/temperature"}, "/aliases/" + "x" * 201, "is no name"),
            ({"ch1": 4}, "/aliases/ch1", "valid string"),
            ({str(n): "PR-1/temperature" for n in range(201)}, "/aliases", "200"),
        ],
        ids=str,
    )
    def test_each_alias_must_stand_for_something(
        self, tenant: Tenant, aliases: dict[str, Any], pointer: str, said: str
    ) -> None:
        body = {"name": "north", "serials": ["PR-1"], "aliases": aliases}
        (error,) = problem_of(tenant.call("POST", "/v1/gateways", body), 422)["errors"]
        assert error["pointer"] == pointer
        assert said in error["detail"]

    def test_half_a_character_is_no_name(self, tenant: Tenant) -> None:
        for aliases in (r'{"\ud800": "PR-1/temperature"}', r'{"ch1": "PR-1\ud800/temperature"}'):
            answer = tenant.client.post(
                "/v1/gateways",
                content='{"name": "north", "aliases": ' + aliases + "}",
                headers={"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/json"},
            )
            assert pointers(answer) == {"/aliases"}

    def test_two_wrong_aliases_are_both_named(self, tenant: Tenant) -> None:
        body = {"name": "north", "aliases": {"a": "x", "b": "PR-1/temperature", "c": "y"}}
        assert pointers(tenant.call("POST", "/v1/gateways", body)) == {"/aliases/a", "/aliases/c"}

    def test_serials_cannot_leave_an_alias_behind(self, tenant: Tenant) -> None:
        made = a_gateway(tenant, serials=["PR-1"], aliases={"ch1": "PR-1/temperature"})
        path = f"/v1/gateways/{made['id']}"
        assert pointers(tenant.call("PATCH", path, {"serials": ["PR-2"]}, If_Match='"1"')) == {"/aliases/ch1"}
        assert tenant.get(path)["serials"] == ["PR-1"]

    @pytest.mark.parametrize("serial", ["", "P R", "x" * 101, "é", 4])
    def test_a_serial_is_visible_ascii(self, tenant: Tenant, serial: object) -> None:
        body = {"name": "north", "serials": ["PR-1", serial]}
        assert pointers(tenant.call("POST", "/v1/gateways", body)) == {"/serials/1"}


def hear(
    database: Database,
    tenant: Tenant,
    name: str,
    arrivals: Sequence[datetime],
    *,
    lag_s: float | None = None,
    promised_s: float | None = None,
) -> None:
    """Record that packs of a gateway arrived, as the write path does."""
    with database.begin_plain(tenant.organisation_id) as connection:
        first = next_block(connection)
        heads = [
            BatchHead(
                first + number,
                at,
                None if lag_s is None else at - lag_s * SECOND,
                None,
                name,
                None,
                None,
                promised_s,
            )
            for number, at in enumerate(arrivals)
        ]
        add_batches(connection, tenant.organisation_id, heads, {})


def every(minutes: float, count: int, *, until: datetime) -> list[datetime]:
    return [until - minutes * 60 * SECOND * back for back in range(count)]


def standing(tenant: Tenant, gateway: dict[str, Any]) -> dict[str, Any]:
    found: dict[str, Any] = tenant.get(f"/v1/gateways/{gateway['id']}")
    return found


def instant(told: str) -> datetime:
    return datetime.fromisoformat(told)


class TestHowItStands:
    def test_never_heard(self, tenant: Tenant) -> None:
        found = standing(tenant, a_gateway(tenant))
        assert found["last_heard_at"] is None
        assert found["clock"] == {"state": "unknown", "offset_s": None, "spread_s": None, "packs": 0}
        assert found["silence"] == {
            "state": "never_heard",
            "since": None,
            "overdue_s": 0,
            "expected_within_s": None,
            "expected_from": "unknown",
        }
        assert found["state_told"] is None

    def test_a_pack_is_heard_and_its_clock_measured(self, tenant: Tenant) -> None:
        gateway = a_gateway(tenant)
        serial = a_probe(tenant)["serial"]
        for hour in range(6):
            sent_at = (datetime.now(UTC) - 3 * SECOND).isoformat()
            tenant.post(
                "/v1/readings", a_bag(a_reading(serial, hour), gateway=gateway["name"], sent_at=sent_at)
            )
        found = standing(tenant, gateway)
        assert abs(datetime.now(UTC) - instant(found["last_heard_at"])) < 60 * SECOND
        assert found["clock"]["state"] == "good"
        assert found["clock"]["packs"] == 6
        assert 3 <= found["clock"]["offset_s"] < 30
        assert found["silence"]["state"] == "heard"

    def test_a_clock_an_hour_behind_in_pack_after_pack_is_suspect(
        self, tenant: Tenant, database: Database
    ) -> None:
        gateway = a_gateway(tenant)
        now = datetime.now(UTC)
        hear(database, tenant, gateway["name"], every(10, 12, until=now - 3600 * SECOND), lag_s=2)
        hear(database, tenant, gateway["name"], every(10, 20, until=now), lag_s=3600)
        clock = standing(tenant, gateway)["clock"]
        assert (clock["state"], clock["offset_s"], clock["spread_s"]) == ("suspect", 3600, 0)

    def test_packs_that_do_not_say_when_they_were_sent_tell_nothing_of_the_clock(
        self, tenant: Tenant, database: Database
    ) -> None:
        gateway = a_gateway(tenant)
        hear(database, tenant, gateway["name"], every(10, 12, until=datetime.now(UTC)))
        found = standing(tenant, gateway)
        assert found["clock"]["packs"] == 0
        assert found["last_heard_at"] is not None

    def test_is_held_to_the_promise_of_the_newest_pack_that_makes_one(
        self, tenant: Tenant, database: Database
    ) -> None:
        """RFC 8428, section 4.2, update time (from memory); that two must pass is common practice, no source."""
        gateway = a_gateway(tenant)
        last = datetime.now(UTC) - 3 * 3600 * SECOND
        hear(database, tenant, gateway["name"], [last - 7200 * SECOND], promised_s=60)
        hear(database, tenant, gateway["name"], [last - 3600 * SECOND], promised_s=3600)
        hear(database, tenant, gateway["name"], [last])
        silence = standing(tenant, gateway)["silence"]
        assert (silence["state"], silence["expected_from"]) == ("silent", "promise")
        assert silence["expected_within_s"] == 7200
        assert instant(silence["since"]) == last
        assert silence["overdue_s"] == pytest.approx(3600, abs=60)

    def test_is_held_to_how_it_used_to_be_heard(self, tenant: Tenant, database: Database) -> None:
        gateway, quiet = a_gateway(tenant), a_gateway(tenant)
        now = datetime.now(UTC)
        hear(database, tenant, gateway["name"], every(10, 100, until=now - 60 * SECOND))
        hear(database, tenant, quiet["name"], every(10, 100, until=now - 7200 * SECOND))
        assert standing(tenant, gateway)["silence"]["state"] == "heard"
        silence = standing(tenant, quiet)["silence"]
        assert (silence["state"], silence["expected_from"]) == ("silent", "cadence")
        assert silence["overdue_s"] == pytest.approx(7200 - silence["expected_within_s"], abs=60)

    def test_a_promise_made_two_hundred_packs_ago_has_lapsed(
        self, tenant: Tenant, database: Database
    ) -> None:
        gateway = a_gateway(tenant)
        last = datetime.now(UTC) - 7200 * SECOND
        packs = every(10, 201, until=last)
        hear(database, tenant, gateway["name"], packs[-1:], promised_s=86_400)
        hear(database, tenant, gateway["name"], packs[1:-1])
        silence = standing(tenant, gateway)["silence"]
        assert (silence["state"], silence["expected_from"]) == ("heard", "promise")
        hear(database, tenant, gateway["name"], packs[:1])
        silence = standing(tenant, gateway)["silence"]
        assert (silence["state"], silence["expected_from"]) == ("silent", "cadence")

    def tell(
        self, database: Database, tenant: Tenant, gateway: dict[str, Any], told_at: datetime, *, online: bool
    ) -> None:
        row = GatewayStateRow(
            organisation_id=tenant.organisation_id,
            gateway_id=UUID(gateway["id"]),
            is_online=online,
            since=told_at,
            buffered=12,
            told_at=told_at,
        )
        with database.begin(tenant.organisation_id) as session:
            put_state(session, row)

    def test_what_it_told_over_the_broker_is_shown_and_counts(
        self, tenant: Tenant, database: Database
    ) -> None:
        gateway = a_gateway(tenant)
        now = datetime.now(UTC)
        hear(database, tenant, gateway["name"], [now - 120 * SECOND])
        self.tell(database, tenant, gateway, now - 60 * SECOND, online=False)
        found = standing(tenant, gateway)
        assert found["silence"]["state"] == "offline"
        assert (found["state_told"]["is_online"], found["state_told"]["buffered"]) == (False, 12)
        assert instant(found["state_told"]["told_at"]) == now - 60 * SECOND
        hear(database, tenant, gateway["name"], [now])
        assert standing(tenant, gateway)["silence"]["state"] == "heard"
        self.tell(database, tenant, gateway, now + SECOND, online=True)
        assert standing(tenant, gateway)["silence"]["state"] == "heard"

    def test_the_silent_can_be_picked_out_and_paged(self, tenant: Tenant, database: Database) -> None:
        now = datetime.now(UTC)
        made = [a_gateway(tenant) for _ in range(7)]
        for number, gateway in enumerate(made):
            if number in {1, 4}:
                hear(database, tenant, gateway["name"], every(10, 30, until=now - 9000 * SECOND))
            elif number == 5:
                self.tell(database, tenant, gateway, now, online=False)
            elif number:
                hear(database, tenant, gateway["name"], every(10, 30, until=now))
        silent = [made[number]["id"] for number in (1, 4, 5)]
        for limit in (1, 2, 3, 100):
            for asked, wanted in (
                ("true", silent),
                ("false", [g["id"] for g in made if g["id"] not in silent]),
            ):
                seen: list[str] = []
                after = ""
                while True:
                    found = tenant.get(f"/v1/gateways?silent={asked}&limit={limit}{after}")
                    assert len(found["items"]) <= limit
                    seen += [one["id"] for one in found["items"]]
                    if found["next"] is None:
                        break
                    after = f"&after={found['next']}"
                assert seen == wanted
        everything = tenant.get("/v1/gateways")["items"]
        assert [one["id"] for one in everything] == [one["id"] for one in made]
        assert [one["silence"]["state"] for one in everything][:2] == ["never_heard", "silent"]
        problem_of(tenant.call("GET", "/v1/gateways?silent=perhaps"), 422)

    def test_a_namesake_elsewhere_is_another(self, tenant: Tenant, other: Tenant, database: Database) -> None:
        mine = a_gateway(tenant, name="north")
        a_gateway(other, name="north")
        hear(database, other, "north", [datetime.now(UTC)])
        assert standing(tenant, mine)["last_heard_at"] is None

    def test_a_key_for_one_site_sees_its_own(self, tenant: Tenant) -> None:
        here = a_site(tenant)["id"]
        mine, theirs = a_gateway(tenant, site_id=here), a_gateway(tenant)
        key = tenant.key_for("read", "write", site_id=here)
        for path in ("/v1/gateways", "/v1/gateways?silent=false"):
            assert [one["id"] for one in tenant.get(path, key=key)["items"]] == [mine["id"]]
        problem_of(tenant.call("GET", f"/v1/gateways/{theirs['id']}", key=key), 404)
        change = tenant.call("PATCH", f"/v1/gateways/{theirs['id']}", {"name": "x"}, key=key, If_Match='"1"')
        problem_of(change, 404)
