"""Work calendars over HTTP: what is recorded, what it stands for day by day, and that plans see the same days."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from service.http.calendar_models import CalendarIn
from tests.builders import a_pile, a_site
from tests.conftest import Tenant
from tests.http.test_exchange import NO_ONE, problem_of

SHIFT = {"crew": "Year 9", "people": 6, "hours": 1.5}
MON_WED_FRI: dict[str, Any] = {"week": {"mon": [SHIFT], "wed": [SHIFT], "fri": [SHIFT]}}

EIGHTEEN_DAYS = {"rest_days": 4, "turn_every_days": 2, "last_turn_day": 16}


def path_of(site: dict[str, Any]) -> str:
    return f"/v1/sites/{site['id']}/calendar"


def put(tenant: Tenant, site: dict[str, Any], body: dict[str, Any], version: int = 0) -> Any:
    answer = tenant.call("PUT", path_of(site), body, If_Match=f'"{version}"')
    assert answer.status_code == 200, answer.text
    assert answer.headers["ETag"] == f'"{version + 1}"'
    return answer.json()


def days(tenant: Tenant, site: dict[str, Any], since: str, until: str) -> dict[str, Any]:
    found = tenant.get(f"{path_of(site)}/days?from={since}&to={until}")
    return {one["date"]: one for one in found["items"]}


def refused(tenant: Tenant, site: dict[str, Any], body: dict[str, Any]) -> dict[str, str]:
    problem = problem_of(tenant.call("PUT", path_of(site), body, If_Match='"0"'), 422)
    return {error["pointer"]: error["detail"] for error in problem["errors"]}


class TestCalendar:
    def test_without_one_the_sites_days_stand_with_figures_that_are_assumed(self, tenant: Tenant) -> None:
        site = a_site(tenant, work_days=["mon", "wed"], closures=["2026-03-04"], crews=["Year 9"])
        answer = tenant.call("GET", path_of(site))
        assert answer.headers["ETag"] == '"0"'
        told = answer.json()
        assert told["is_assumed"]
        assert {one["status"] for one in told["assumed"]} == {"common practice, no source"}
        assumed = {one["figure"]: one["value"] for one in told["assumed"]}
        assert assumed == {"hours_per_work_day": 3, "people_per_work_day": 2}
        assert told["week"]["mon"] == [{"crew": "Year 9", "people": 2, "hours": 3}]
        found = days(tenant, site, "2026-03-02", "2026-03-05")
        assert [(one["state"], one["minutes"]) for one in found.values()] == [
            ("crew", 360), ("no_crew", 0), ("closed", 0),
        ]  # fmt: skip

    def test_what_is_put_is_what_is_got_and_the_example_is_taken(self, tenant: Tenant) -> None:
        site = a_site(tenant, time_zone="Europe/Lisbon")
        [example] = CalendarIn.model_config["json_schema_extra"]["examples"]  # type: ignore[index,call-overload]
        put(tenant, site, example)
        told = tenant.get(path_of(site))
        assert not told["is_assumed"]
        assert told["assumed"] == []
        assert [one["crew"] for one in told["week"]["fri"]] == ["Year 9", "Parents"]
        assert [one["date"] for one in told["closures"]] == ["2026-03-20", "2026-04-03", "2026-06-10"]
        assert (told["seasons"][0]["from"], told["seasons"][0]["to"]) == ("07-01", "08-31")
        again = {name: told[name] for name in ("week", "seasons", "closures", "extra_days")}
        assert put(tenant, site, again, 1) == told

    def test_the_sites_work_days_and_closures_follow_and_cannot_go_their_own_way(
        self, tenant: Tenant
    ) -> None:
        site = a_site(tenant, work_days=["tue"], closures=["2026-01-01"])
        put(tenant, site, MON_WED_FRI | {"closures": [{"date": "2026-04-03", "reason": "Good Friday"}]})
        answer = tenant.call("GET", f"/v1/sites/{site['id']}")
        shown = answer.json()
        assert (shown["work_days"], shown["closures"]) == (["mon", "wed", "fri"], ["2026-04-03"])
        assert answer.headers["ETag"] == '"2"'
        path = f"/v1/sites/{site['id']}"
        body = problem_of(tenant.call("PATCH", path, {"work_days": ["sun"]}, If_Match='"2"'), 409)
        assert "/calendar" in body["detail"]
        same = {"work_days": ["fri", "wed", "mon"], "climate": "dry"}
        assert tenant.call("PATCH", path, same, If_Match='"2"').status_code == 200

    def test_two_who_write_at_once_do_not_overwrite_each_other(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        put(tenant, site, MON_WED_FRI)
        for version in ("0", "2"):
            answer = tenant.call("PUT", path_of(site), MON_WED_FRI, If_Match=f'"{version}"')
            assert problem_of(answer, 412)["type"] == "/problems/stale-version"
        problem_of(tenant.call("PUT", path_of(site), MON_WED_FRI), 428)
        other = a_site(tenant)
        problem_of(tenant.call("PUT", path_of(other), MON_WED_FRI, If_Match='"1"'), 412)
        assert tenant.get(path_of(other))["is_assumed"]

    def test_of_four_first_ones_at_once_one_is_recorded(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        barrier = threading.Barrier(4)

        def write(people: int) -> int:
            barrier.wait()
            body = {"week": {"mon": [SHIFT | {"people": people}]}}
            status: int = tenant.call("PUT", path_of(site), body, If_Match='"0"').status_code
            return status

        with ThreadPoolExecutor(4) as pool:
            found = dict(zip(range(1, 5), pool.map(write, range(1, 5)), strict=True))
        assert sorted(found.values()) == [200, 412, 412, 412]
        [winner] = [people for people, status in found.items() if status == 200]
        assert tenant.get(path_of(site))["week"]["mon"][0]["people"] == winner

    def test_of_another_site_or_nobodys_is_absent(self, tenant: Tenant) -> None:
        site, other = a_site(tenant), a_site(tenant)
        key = tenant.key_for("read", "write", site_id=other["id"])
        for method, body in (("GET", None), ("PUT", MON_WED_FRI)):
            problem_of(tenant.call(method, path_of(site), body, key=key, If_Match='"0"'), 404)
            nowhere = f"/v1/sites/{NO_ONE}/calendar"
            problem_of(tenant.call(method, nowhere, body, If_Match='"0"'), 404)

    @pytest.mark.parametrize(
        ("body", "pointer", "said"),
        [
            ({"week": {}}, "/week", "give at least one weekday"),
            ({"week": {"monday": [SHIFT]}}, "/week/monday", "leave it out"),
            ({"week": {"mon": [SHIFT | {"people": 0}]}}, "/week/mon/0/people", "0 people do no work"),
            ({"week": {"mon": [SHIFT | {"people": 1.5}]}}, "/week/mon/0/people", "got 1.5"),
            ({"week": {"mon": [SHIFT | {"hours": 25}]}}, "/week/mon/0/hours", "at most 24"),
            (
                MON_WED_FRI
                | {
                    "seasons": [
                        {"name": "winter", "from": "11-01", "to": "02-28"},
                        {"name": "spring", "from": "02-28", "to": "05-01"},
                    ]
                },
                "/seasons/1/from",
                "both hold 02-28",
            ),
            (
                MON_WED_FRI | {"seasons": [{"name": "x", "from": "7-1", "to": "08-31"}]},
                "/seasons/0/from",
                "got '7-1'",
            ),
            (
                {"week": {"mon": [SHIFT]}, "closures": "covering"},
                "/closures",
                "cover every day",
            ),
            (
                MON_WED_FRI | {"holidays": {"country": "UK", "keep": ["2026-12-25"]}},
                "/holidays/country",
                "GB (United Kingdom)",
            ),
            (
                MON_WED_FRI | {"holidays": {"country": "PT", "subdivision": "99", "keep": ["2026-12-25"]}},
                "/holidays/subdivision",
                "leave it out for the whole country",
            ),
            (
                MON_WED_FRI | {"holidays": {"country": "PT", "keep": ["2026-12-25", "2026-12-24"]}},
                "/holidays/keep/1",
                "2026-12-25 Dia de Natal",
            ),
            (
                MON_WED_FRI
                | {
                    "closures": [{"date": "2026-12-25", "reason": "x"}],
                    "holidays": {"country": "PT", "keep": ["2026-12-25"]},
                },
                "/holidays/keep/0",
                "closed already",
            ),
        ],
    )
    def test_what_cannot_be_kept_is_refused_and_nothing_is_written(
        self, tenant: Tenant, body: dict[str, Any], pointer: str, said: str
    ) -> None:
        site = a_site(tenant, work_days=["tue"])
        if body.get("closures") == "covering":
            today = datetime.now(UTC).date()
            shut = [(today + timedelta(ahead)).isoformat() for ahead in range(-2, 370)]
            body = body | {"closures": [{"date": on, "reason": "shut"} for on in shut]}
        assert said in refused(tenant, site, body)[pointer]
        assert tenant.get(path_of(site))["is_assumed"]
        answer = tenant.call("GET", f"/v1/sites/{site['id']}")
        assert (answer.json()["work_days"], answer.headers["ETag"]) == (["tue"], '"1"')

    def test_a_site_in_no_zone_there_is_never_comes_to_have_one(self, tenant: Tenant) -> None:
        body = problem_of(tenant.call("POST", "/v1/sites", {"name": "x", "time_zone": "Europe/Lisboa"}), 422)
        [error] = body["errors"]
        assert error["pointer"] == "/time_zone"
        assert "Europe/Lisbon" in error["detail"]


class TestDays:
    def test_say_who_works_and_why_nobody_does(self, tenant: Tenant) -> None:
        site = a_site(tenant, time_zone="Europe/Lisbon")
        put(
            tenant,
            site,
            MON_WED_FRI
            | {
                "seasons": [{"name": "summer", "from": "07-01", "to": "08-31", "week": {"sat": [SHIFT]}}],
                "closures": [{"date": "2026-03-06", "reason": "school trip"}],
                "holidays": {"country": "PT", "keep": ["2026-04-03"]},
                "extra_days": [
                    {"date": "2026-03-07", "crew": "Parents", "people": 2, "hours": 3},
                    {"date": "2026-03-06", "crew": "Parents", "people": 2, "hours": 3},
                ],
            },
        )
        found = days(tenant, site, "2026-03-01", "2026-07-06")
        assert found["2026-03-02"]["minutes"] == 6 * 90
        assert found["2026-03-03"] == {
            "date": "2026-03-03", "weekday": "tue", "state": "no_crew", "minutes": 0, "crews": [], "season": None,
            "is_extra": False, "closed_because": None, "holiday": None,
        }  # fmt: skip
        closed = found["2026-03-06"]
        assert (closed["state"], closed["minutes"], closed["closed_because"]) == ("closed", 0, "school trip")
        assert found["2026-03-07"]["crews"] == [{"crew": "Parents", "people": 2, "hours": 3, "minutes": 360}]
        assert (found["2026-03-07"]["state"], found["2026-03-07"]["is_extra"]) == ("crew", True)
        good_friday = found["2026-04-03"]
        assert good_friday["closed_because"] == "Sexta-feira Santa"
        assert good_friday["holiday"]["name_en"] == "Good Friday"
        assert good_friday["holiday"]["source"].startswith("holidays ")
        assert (found["2026-07-03"]["state"], found["2026-07-03"]["season"]) == ("no_crew", "summer")
        assert found["2026-07-04"]["state"] == "crew"

    @pytest.mark.parametrize(
        ("zone", "first", "changes"),
        [
            # IANA: clocks change in Lisbon on 29 March and 25 October 2026, in New York on 8 March and 1 November.
            ("Europe/Lisbon", "2026-03-28", "2026-03-29"),
            ("Europe/Lisbon", "2026-10-24", "2026-10-25"),
            ("America/New_York", "2026-03-07", "2026-03-08"),
            ("America/New_York", "2026-10-31", "2026-11-01"),
        ],
    )
    def test_a_clock_change_does_not_change_the_minutes(
        self, tenant: Tenant, zone: str, first: str, changes: str
    ) -> None:
        site = a_site(tenant, time_zone=zone)
        put(tenant, site, {"week": {"sat": [SHIFT], "sun": [SHIFT]}})
        until = (date.fromisoformat(changes) + timedelta(1)).isoformat()
        found = days(tenant, site, first, until)
        assert [one["minutes"] for one in found.values()] == [540, 540]

    @pytest.mark.parametrize(
        ("since", "until"),
        [("2026-03-02", "2026-03-02"), ("2026-03-02", "2026-03-01"), ("2026-01-01", "2030-01-01")],
    )
    def test_too_many_or_no_days_are_refused(self, tenant: Tenant, since: str, until: str) -> None:
        site = a_site(tenant)
        problem = problem_of(tenant.call("GET", f"{path_of(site)}/days?from={since}&to={until}"), 422)
        assert problem["errors"][0]["pointer"] == "/to"


class TestHolidays:
    def test_are_offered_with_names_source_and_the_parts_of_the_country(self, tenant: Tenant) -> None:
        told = tenant.get("/v1/holidays?country=PT&subdivision=11&year=2026")
        assert (told["category"], told["country"], told["subdivision"]) == ("public", "PT", "11")
        assert {"date": "2026-04-03", "name": "Sexta-feira Santa", "name_en": "Good Friday"} in told["items"]
        assert {"code": "11", "name": "Lisboa"} in told["subdivisions"]

    @pytest.mark.parametrize(
        ("query", "pointer", "near"),
        [
            ("country=Portugal&year=2026", "/country", "PT (Portugal)"),
            ("country=PT&subdivision=Lisboa&year=2026", "/subdivision", "11 (Lisboa)"),
            ("country=PT&year=2400", "/year", "1801 to 2100"),
            ("country=PT&year=soon", "/year", "soon"),
        ],
    )
    def test_what_is_unknown_is_named_with_what_is_near(
        self, tenant: Tenant, query: str, pointer: str, near: str
    ) -> None:
        [error] = problem_of(tenant.call("GET", f"/v1/holidays?{query}"), 422)["errors"]
        assert error["pointer"] == pointer
        assert near in error["detail"]

    def test_the_choice_is_kept_as_it_was_made_and_not_looked_up(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        kept = {
            "date": "2026-04-03",
            "reason": "Good Friday",
            "holiday": {
                "country": "ZZ",
                "subdivision": None,
                "name": "As it was",
                "name_en": None,
                "source": "old 0.1",
            },
        }
        told = put(tenant, site, MON_WED_FRI | {"closures": [kept]})
        assert told["closures"] == [kept]  # a country the library does not know: nobody asked it


class TestPlansSeeTheSameDays:
    def pile(self, tenant: Tenant, built_on: date, calendar: dict[str, Any] | None) -> dict[str, Any]:
        site = a_site(tenant, time_zone="UTC", work_days=["mon", "tue", "wed", "thu", "fri"])
        if calendar is not None:
            put(tenant, site, calendar)
        built_at = f"{built_on.isoformat()}T09:00:00Z"
        return a_pile(tenant, site["id"], built_at=built_at, pattern=EIGHTEEN_DAYS)

    def test_an_extra_day_lets_a_turn_be_kept_where_the_weekday_has_no_crew(self, tenant: Tenant) -> None:
        # Built on the Thursday of the week after next, day 4 is a Monday and day 16 the Saturday.
        built_on = _thursday()
        saturday = (built_on + timedelta(16)).isoformat()
        week = {"week": {word: [SHIFT] for word in ("mon", "tue", "wed", "thu", "fri")}}
        extra = {"extra_days": [{"date": saturday, "people": 2, "hours": 3}]}
        plain = tenant.get(f"/v1/piles/{self.pile(tenant, built_on, week)['id']}/schedule")
        opened = tenant.get(f"/v1/piles/{self.pile(tenant, built_on, week | extra)['id']}/schedule")
        assert saturday in [one["date"] for one in plain["misfits"]]
        assert saturday not in [one["date"] for one in opened["misfits"]]

    def test_a_closure_says_its_reason_in_the_misfit(self, tenant: Tenant) -> None:
        built_on = _thursday()
        monday = (built_on + timedelta(4)).isoformat()
        week = {"week": {word: [SHIFT] for word in ("mon", "tue", "wed", "thu", "fri", "sat", "sun")}}
        pile = self.pile(
            tenant, built_on, week | {"closures": [{"date": monday, "reason": "St. Elsewhere's day"}]}
        )
        [misfit] = tenant.get(f"/v1/piles/{pile['id']}/schedule")["misfits"]
        assert (misfit["date"], misfit["causes"]) == (monday, ["closed"])
        assert "(St. Elsewhere's day)" in misfit["because"]

    def test_status_takes_a_missed_turn_up_on_an_extra_day(self, tenant: Tenant) -> None:
        """Nobody comes in the ordinary week but on one weekday; today was added."""
        today = datetime.now(UTC).date()
        built_on = today - timedelta(9)
        far = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")[(today - timedelta(2)).weekday()]
        week = {"week": {far: [SHIFT]}}
        extra = {"extra_days": [{"date": today.isoformat(), "people": 2, "hours": 3}]}
        pattern = {"rest_days": 4, "turn_every_days": 30, "last_turn_day": 4}
        found = []
        for calendar in (week, week | extra):
            site = a_site(tenant, time_zone="UTC")
            put(tenant, site, calendar)
            built_at = f"{built_on.isoformat()}T00:30:00Z"
            pile = a_pile(tenant, site["id"], built_at=built_at, pattern=pattern)
            found.append(tenant.get(f"/v1/piles/{pile['id']}/status")["next_turn"])
        assert found == [(today + timedelta(5)).isoformat(), today.isoformat()]


def _thursday() -> date:
    today = datetime.now(UTC).date()
    return today + timedelta((3 - today.weekday()) % 7 + 7)
