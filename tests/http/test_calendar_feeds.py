"""Calendar feeds: secret addresses, what stands behind them, and how they end."""

import re
import uuid
from datetime import UTC, datetime, timedelta
from typing import Any

import icalendar
import pytest
from sqlmodel import col, select

from service.operations import calendar_feeds
from service.storage.database import Database
from service.storage.tables import CalendarFeedRow, PlanTaskRow
from tests.builders import a_pile, a_site
from tests.conftest import Tenant
from tests.domain.calendars.feeds import read_in_javascript, read_strictly
from tests.http.planned import NOW, a_turn, day, in_force, nine
from tests.http.test_exchange import problem_of

WEEK = {word: [{"crew": "blue", "people": 2, "hours": 3}, {"crew": "red", "people": 1, "hours": 3}]
        for word in ("mon", "tue", "wed", "thu", "fri", "sat", "sun")}  # fmt: skip


@pytest.fixture
def site(tenant: Tenant) -> dict[str, Any]:
    made = a_site(tenant, time_zone="Europe/Lisbon")
    answer = tenant.call("PUT", f"/v1/sites/{made['id']}/calendar", {"week": WEEK}, If_Match='"0"')
    assert answer.status_code == 200, answer.text
    return made


def a_feed(tenant: Tenant, site: dict[str, Any], **body: Any) -> dict[str, Any]:
    made: dict[str, Any] = tenant.post(f"/v1/sites/{site['id']}/calendar-feeds", {"label": "phone"} | body)
    return made


def read(tenant: Tenant, feed: dict[str, Any], query: str = "", **headers: str) -> Any:
    """Read a feed as a calendar program does: without a key."""
    sent = {name.replace("_", "-"): value for name, value in headers.items()}
    return tenant.client.get(feed["path"] + query, headers=sent)


def events(tenant: Tenant, feed: dict[str, Any]) -> list[dict[str, Any]]:
    answer = read(tenant, feed)
    assert answer.status_code == 200, answer.text
    told = read_strictly(answer.content)
    assert told["faults"] == []
    return told["events"]  # type: ignore[no-any-return]


class TestAddress:
    def test_is_shown_once_and_only_its_hash_is_kept(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        made = a_feed(tenant, site)
        secret = re.fullmatch(r"/calendars/(hlc_[0-9a-f]+_([0-9a-f]{48})[0-9a-f]{8})\.ics", made["path"])
        assert secret is not None  # 192 random bits; W3C capability URLs ask for enough not to be guessed
        (listed,) = tenant.get(f"/v1/sites/{site['id']}/calendar-feeds")["items"]
        assert listed == {name: value for name, value in made.items() if name != "path"}
        with database.begin(tenant.organisation_id) as session:
            row = session.get_one(CalendarFeedRow, (tenant.organisation_id, uuid.UUID(made["id"])))
            kept = repr(row.model_dump())
        assert secret[2] not in kept
        assert row.digest == calendar_feeds.digest_of(secret[1])
        assert len({a_feed(tenant, site)["path"] for _ in range(5)}) == 5

    def test_answer_is_kept_by_nobody_on_the_way(self, tenant: Tenant, site: dict[str, Any]) -> None:
        answer = tenant.call("POST", f"/v1/sites/{site['id']}/calendar-feeds", {"label": "phone"})
        assert answer.headers["Cache-Control"] == "no-store"

    @pytest.mark.parametrize("scope", ["write", "admin"])
    def test_write_or_admin_will_do(self, tenant: Tenant, site: dict[str, Any], scope: str) -> None:
        key = tenant.key_for(scope, site_id=site["id"])
        made = tenant.post(f"/v1/sites/{site['id']}/calendar-feeds", {"label": "x"}, key=key)
        tenant.post(f"/v1/calendar-feeds/{made['id']}/revoke", None, key=key)

    def test_another_site_s_key_neither_makes_sees_nor_revokes(
        self, tenant: Tenant, site: dict[str, Any]
    ) -> None:
        made = a_feed(tenant, site)
        elsewhere = tenant.key_for("write", "admin", site_id=a_site(tenant)["id"])
        path = f"/v1/sites/{site['id']}/calendar-feeds"
        for method, where, body in (
            ("POST", path, {"label": "x"}),
            ("GET", path, None),
            ("POST", f"/v1/calendar-feeds/{made['id']}/revoke", None),
        ):
            assert tenant.call(method, where, body, key=elsewhere).status_code == 404
        assert read(tenant, made).status_code == 200

    @pytest.mark.parametrize(
        ("body", "pointer"),
        [
            ({}, "/label"),
            ({"label": "x", "crew": "green"}, "/crew"),
            ({"label": "x", "expires_at": "2020-01-01T00:00:00Z"}, "/expires_at"),
            ({"label": "x", "expires_at": "2126-01-01T00:00:00"}, "/expires_at"),
            ({"label": "x", "secret": "mine"}, "/secret"),
        ],
    )
    def test_bad_input_is_named(
        self, tenant: Tenant, site: dict[str, Any], body: dict[str, Any], pointer: str
    ) -> None:
        path = f"/v1/sites/{site['id']}/calendar-feeds"
        told = problem_of(tenant.call("POST", path, body), 422)
        assert [one["pointer"] for one in told["errors"]] == [pointer]
        assert tenant.get(path)["items"] == []


class TestEnd:
    def test_unknown_ones_are_not_found(self, tenant: Tenant, site: dict[str, Any], other: Tenant) -> None:
        path = a_feed(tenant, site)["path"]
        stranger = calendar_feeds.make_secret(other.organisation_id)
        nobody = calendar_feeds.make_secret(2**31 - 1)
        wrong = path.removesuffix(".ics")[:-1] + ("0" if path[-5] != "0" else "1") + ".ics"
        too_large = calendar_feeds.make_secret(2**32 - 1)
        for where in (
            wrong,
            "/calendars/x.ics",
            *(f"/calendars/{one}.ics" for one in (stranger, nobody, too_large)),
        ):
            told = problem_of(tenant.client.get(where), 404)
            assert "hlc" not in str(told)

    def test_revoked_is_gone_and_stays_so(self, tenant: Tenant, site: dict[str, Any]) -> None:
        made, kept = a_feed(tenant, site), a_feed(tenant, site)
        first = tenant.post(f"/v1/calendar-feeds/{made['id']}/revoke", None)
        assert tenant.post(f"/v1/calendar-feeds/{made['id']}/revoke", None) == first
        assert problem_of(read(tenant, made), 410)["type"] == "/problems/gone"
        assert read(tenant, kept).status_code == 200
        assert tenant.client.get("/problems/gone").status_code == 200

    def test_expired_is_gone(self, tenant: Tenant, site: dict[str, Any], database: Database) -> None:
        made = a_feed(tenant, site, expires_at="2126-01-01T00:00:00Z")
        assert read(tenant, made).status_code == 200
        with database.begin(tenant.organisation_id) as session:
            row = session.get_one(CalendarFeedRow, (tenant.organisation_id, uuid.UUID(made["id"])))
            row.expires_at = datetime.now(UTC)
        problem_of(read(tenant, made), 410)


class TestReading:
    def test_headers_keep_the_address_and_the_answer_private(
        self, tenant: Tenant, site: dict[str, Any]
    ) -> None:
        headers = read(tenant, a_feed(tenant, site)).headers
        assert headers["Content-Type"] == "text/calendar; charset=utf-8"
        assert "private" in headers["Cache-Control"]
        assert headers["Referrer-Policy"] == "no-referrer"
        assert headers["X-Robots-Tag"] == "noindex"

    def test_unchanged_is_not_sent_again(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(1))
        made = a_feed(tenant, site)
        tag = read(tenant, made).headers["ETag"]
        assert re.fullmatch(r'"[0-9a-f]{32}"', tag)
        again = read(tenant, made, If_None_Match=f'"other", W/{tag}')
        assert (again.status_code, again.content, again.headers["ETag"]) == (304, b"", tag)
        in_force(database, tenant, site["id"], a_turn(2), at=NOW + timedelta(seconds=5))
        changed = read(tenant, made, If_None_Match=tag)
        assert changed.status_code == 200
        assert changed.headers["ETag"] != tag

    def test_that_it_was_read_is_noted_once_an_hour(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        made = a_feed(tenant, site)
        assert made["read_at"] is None

        def noted() -> Any:
            return tenant.get(f"/v1/sites/{site['id']}/calendar-feeds")["items"][0]["read_at"]

        read(tenant, made)
        first = noted()
        read(tenant, made)
        assert noted() == first is not None
        with database.begin(tenant.organisation_id) as session:
            row = session.get_one(CalendarFeedRow, (tenant.organisation_id, uuid.UUID(made["id"])))
            row.read_at = datetime.now(UTC) - timedelta(hours=1, seconds=1)
        read(tenant, made)
        assert noted() >= first

    def test_alarm_is_asked_for_by_who_wants_it(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(1))
        made = a_feed(tenant, site)
        assert b"VALARM" not in read(tenant, made).content
        assert b"TRIGGER:-PT2H" in read(tenant, made, "?alarm=PT2H").content
        told = problem_of(read(tenant, made, "?alarm=soon"), 422)
        assert told["errors"][0]["pointer"] == "/alarm"

    def test_another_site_s_tasks_are_not_in_it(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, a_site(tenant, time_zone="Europe/Lisbon")["id"], a_turn(1))
        assert events(tenant, a_feed(tenant, site)) == []

    def test_a_fault_is_logged_without_the_address(
        self,
        tenant: Tenant,
        site: dict[str, Any],
        monkeypatch: pytest.MonkeyPatch,
        capfd: pytest.CaptureFixture[str],
    ) -> None:
        made = a_feed(tenant, site)
        monkeypatch.setattr("service.http.calendar_feeds.write_feed", lambda *_, **__: 1 / 0)
        assert read(tenant, made).status_code == 500
        logged = "".join(capfd.readouterr())
        assert "request_failed" in logged
        assert "ZeroDivisionError" in logged
        assert made["path"][11:-4] not in logged
        assert "/calendars/{secret}.ics" in logged


class TestCrews:
    def test_a_crew_s_feed_has_its_tasks_and_those_of_no_crew(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        tasks = [a_turn(1, pile=crew or "none", bay=crew or "0", crew=crew) for crew in ("blue", "red", None)]
        in_force(database, tenant, site["id"], *tasks)
        blue, all_of_it = a_feed(tenant, site, crew="blue"), a_feed(tenant, site)
        assert {one["summary"] for one in events(tenant, blue)} == {"Turn blue (blue)", "Turn none (0)"}
        assert len(events(tenant, all_of_it)) == 3
        both = {one["uid"]: one["begins"] for one in events(tenant, all_of_it)}
        assert {one["uid"]: one["begins"] for one in events(tenant, blue)}.items() <= both.items()
        name = read_strictly(read(tenant, blue).content)["name"]
        assert name == f"Compost at {site['name']}: blue"
        assert b"blue" not in read(tenant, a_feed(tenant, site, crew="red")).content


class TestPlanMended:
    """A missed Wednesday, mended: what the calendars of the crew are told, in two programs that are not ours."""

    def test_a_moved_turn_keeps_its_name_and_a_cancelled_one_says_so(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        in_force(database, tenant, site["id"], a_turn(1), a_turn(3, number=2))
        made = a_feed(tenant, site)
        before = {one["uid"]: one for one in events(tenant, made)}
        later = NOW + timedelta(minutes=1)
        in_force(database, tenant, site["id"], a_turn(2), at=later)
        after = {one["uid"]: one for one in events(tenant, made)}
        assert before.keys() == after.keys()
        moved, gone = (
            next(uid for uid, one in before.items() if one["begins"][:10] == f"{day(n)}") for n in (1, 3)
        )
        assert after[moved]["begins"][:10] == f"{day(2)}"
        assert (before[moved]["sequence"], after[moved]["sequence"]) == (0, 1)
        assert after[moved]["status"] == "CONFIRMED"
        assert (after[gone]["status"], after[gone]["sequence"]) == ("CANCELLED", 1)
        assert after[gone]["summary"].startswith("CANCELLED: ")
        assert after[gone]["changed"] == later.replace(microsecond=0).isoformat()
        script = {one["uid"]: one for one in read_in_javascript(read(tenant, made).content)["events"]}
        for uid, one in after.items():
            assert (script[uid]["sequence"], script[uid]["status"]) == (one["sequence"], one["status"])
            assert datetime.fromisoformat(script[uid]["begins"]) == datetime.fromisoformat(one["begins"])

    def test_a_turn_that_only_begins_at_another_hour_says_that_it_changed(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        first, second = a_turn(1, pile="A", bay="1"), a_turn(1, pile="B", bay="2")
        in_force(database, tenant, site["id"], first, second)
        made = a_feed(tenant, site)
        in_force(database, tenant, site["id"], a_turn(2, pile="A"), second, at=NOW + timedelta(minutes=1))
        told = {one["summary"]: (one["begins"][11:16], one["sequence"]) for one in events(tenant, made)}
        assert told == {"Turn A (1)": ("09:00", 1), "Turn B (2)": ("09:00", 1)}
        in_force(database, tenant, site["id"], a_turn(2, pile="A"), second, at=NOW + timedelta(minutes=2))
        assert {one["sequence"] for one in events(tenant, made)} == {1}

    def test_what_changes_of_a_site_shows_in_the_sequence_of_what_it_moves(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        in_force(
            database, tenant, site["id"], a_turn(1, crew="blue"), a_turn(1, pile="B", bay="2", crew="blue")
        )
        made = a_feed(tenant, site)
        before = events(tenant, made)
        assert [one["begins"][11:16] for one in before] == ["09:00", "09:30"]
        week = {word: [{"crew": "blue", "people": 1, "hours": 3}] for word in WEEK}
        answer = tenant.call("PUT", f"/v1/sites/{site['id']}/calendar", {"week": week}, If_Match='"1"')
        assert answer.status_code == 200
        alone = events(tenant, made)
        assert [one["begins"][11:16] for one in alone] == ["09:00", "10:00"]
        assert [one["sequence"] for one in alone] == [1, 1]  # the first takes longer, the second begins later
        version = tenant.call("GET", f"/v1/sites/{site['id']}").headers["ETag"]
        for body, raised in (({"climate": "dry"}, 1), ({"name": uuid.uuid4().hex}, 2)):
            answer = tenant.call("PATCH", f"/v1/sites/{site['id']}", body, If_Match=version)
            assert answer.status_code == 200, answer.text
            version = answer.headers["ETag"]
            assert [one["sequence"] for one in events(tenant, made)] == [raised, raised]

    def test_a_done_task_stays_as_it_was(
        self, tenant: Tenant, site: dict[str, Any], database: Database
    ) -> None:
        pile = a_pile(tenant, site["id"], label="A")
        in_force(database, tenant, site["id"], a_turn(-1), at=NOW - timedelta(days=3))
        made = a_feed(tenant, site)
        before = read(tenant, made)
        tenant.post(f"/v1/piles/{pile['id']}/events", {"kind": "turn", "at": nine(-1).isoformat()})
        with database.begin(tenant.organisation_id) as session:
            states = session.exec(
                select(PlanTaskRow.state).where(col(PlanTaskRow.organisation_id) == tenant.organisation_id)
            ).all()
        assert states == ["done"]
        assert read(tenant, made, If_None_Match=before.headers["ETag"]).status_code == 304
        assert icalendar.Calendar.from_ical(before.content).walk("VEVENT")[0]["STATUS"] == "CONFIRMED"
