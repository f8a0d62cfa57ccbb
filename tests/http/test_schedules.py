"""The two classic cases, and what else a plan asked for over HTTP tells."""

from datetime import date
from typing import Any

import pytest

from tests.conftest import Tenant
from tests.http.test_exchange import problem_of

MON_TO_FRI = ["mon", "tue", "wed", "thu", "fri"]
ASKED: dict[str, Any] = {"time_zone": "Europe/Lisbon", "build_on": "2026-03-02"}


def plan(tenant: Tenant, **asked: Any) -> Any:
    return tenant.post("/v1/schedules/plan", ASKED | asked)


def turns(told: dict[str, Any]) -> list[tuple[int, str]]:
    return [(one["day_of_pile"], one["date"]) for one in told["days"] if one["task"] == "turn"]


class TestTheEighteenDaysOnAWeekdayCrew:
    """Common practice: four days' rest, then every second day to day 16, done on day 18; weekends off."""

    @pytest.mark.parametrize(
        "asked",
        [
            {"pattern_code": "eighteen-days"},
            {"pattern": {"rest_days": 4, "turn_every_days": 2, "last_turn_day": 16}},
        ],
    )
    def test_cannot_be_kept_and_says_which_turns_fall_on_weekends(
        self, tenant: Tenant, asked: dict[str, Any]
    ) -> None:
        told = plan(tenant, work_days=MON_TO_FRI, **asked)
        assert (told["state"], told["hot_until_day"], told["hot_until"]) == (
            "cannot_be_kept",
            18,
            "2026-03-20",
        )
        # Read off a calendar of March 2026: of days 4, 6, 8 ... 16 two fall on a Sunday and a Saturday.
        assert [(one["date"], one["weekday"], one["day_of_pile"]) for one in told["misfits"]] == [
            ("2026-03-08", "sun", 6), ("2026-03-14", "sat", 12),
        ]  # fmt: skip
        assert all(one["causes"] == ["no_crew"] for one in told["misfits"])

    def test_the_nearest_that_can_be_kept_is_offered(self, tenant: Tenant) -> None:
        told = plan(tenant, work_days=MON_TO_FRI, pattern_code="eighteen-days")["nearest"]
        assert told["state"] == "planned"
        assert len(turns(told)) == 7
        assert all(date.fromisoformat(on).weekday() < 5 for _, on in turns(told))
        # Two turns were moved by a day each; none can stay on a weekend, so fewer days cannot be moved.
        assert told["moved_days"] == 2

    def test_a_crew_at_weekends_can_keep_it(self, tenant: Tenant) -> None:
        told = plan(tenant, work_days=[*MON_TO_FRI, "sat", "sun"], pattern_code="eighteen-days")
        assert (told["state"], [day for day, _ in turns(told)]) == ("planned", [4, 6, 8, 10, 12, 14, 16])


class TestAWeeksRestThenMonWedFri:
    """Common practice, no source: a week's rest, then Monday, Wednesday and Friday for three weeks."""

    @pytest.mark.parametrize("build_on", ["2026-03-02", "2026-03-04", "2026-03-06"])
    def test_gives_nine_turns_and_thirty_days(self, tenant: Tenant, build_on: str) -> None:
        told = plan(
            tenant,
            build_on=build_on,
            work_days=["mon", "wed", "fri"],
            pattern_code="week-then-mon-wed-fri",
        )
        assert (told["state"], told["misfits"], len(turns(told))) == ("planned", [], 9)
        assert told["hot_until_day"] == 30
        assert (date.fromisoformat(told["hot_until"]) - date.fromisoformat(build_on)).days == 30
        assert told["pattern_named"]["status"] == "common practice, no source"
        assert min(day for day, _ in turns(told)) >= 7

    def test_on_the_dates_of_march(self, tenant: Tenant) -> None:
        told = plan(tenant, work_days=["mon", "wed", "fri"], pattern_code="week-then-mon-wed-fri")
        march = [9, 11, 13, 16, 18, 20, 23, 25, 27]  # read off a calendar of March 2026
        assert [on for _, on in turns(told)] == [f"2026-03-{day:02d}" for day in march]
        assert told["hot_until"] == "2026-04-01"
        wet = [one["date"] for one in told["reminders"] if one["reminder"]["kind"] == "wet"]
        assert wet == [on for _, on in turns(told)]
        assert told["reminders"][0]["date"] == "2026-03-02"
        assert told["reminders"][0]["reminder"]["kind"] == "cover"


class TestPatternCode:
    def test_of_ones_own_is_planned(self, tenant: Tenant) -> None:
        body = {
            "code": "weekly",
            "title": "Weekly",
            "pattern": {
                "rest_days": 7,
                "turn_every_days": 7,
                "last_turn_day": 28,
                "screen": True,
                "curing_days": 30,
            },
        }
        tenant.post("/v1/schedules/patterns", body)
        told = plan(tenant, work_days=MON_TO_FRI, pattern_code="weekly")
        assert [day for day, _ in turns(told)] == [7, 14, 21, 28]
        assert told["pattern_named"] == {
            "code": "weekly",
            "title": "Weekly",
            "source": "own",
            "status": "own",
        }
        # Hot phase over on day 35 (Monday 6 April 2026), cured thirty days: Wednesday 6 May.
        assert [(one["task"], one["date"]) for one in told["days"][-2:]] == [
            ("move", "2026-04-06"), ("screen", "2026-05-06"),
        ]  # fmt: skip

    @pytest.mark.parametrize(
        ("asked", "pointer", "said"),
        [
            ({}, "/pattern", "required"),
            ({"pattern_code": "nobodys"}, "/pattern_code", "'nobodys' is no pattern"),
            (
                {
                    "pattern_code": "eighteen-days",
                    "pattern": {"rest_days": 1, "last_turn_day": 2, "turn_every_days": 1},
                },
                "/pattern",
                "leave one of them out",
            ),
        ],
    )
    def test_one_and_only_one_pattern_must_be_named(
        self, tenant: Tenant, asked: dict[str, Any], pointer: str, said: str
    ) -> None:
        body = ASKED | {"work_days": MON_TO_FRI} | asked
        [error] = problem_of(tenant.call("POST", "/v1/schedules/plan", body), 422)["errors"]
        assert error["pointer"] == pointer
        assert said in error["detail"]

    def test_another_organisations_is_unknown(self, tenant: Tenant, other: Tenant) -> None:
        pattern = {"rest_days": 7, "turn_every_days": 7, "last_turn_day": 28}
        tenant.post("/v1/schedules/patterns", {"code": "weekly", "title": "x", "pattern": pattern})
        body = ASKED | {"work_days": MON_TO_FRI, "pattern_code": "weekly"}
        problem_of(other.call("POST", "/v1/schedules/plan", body), 422)

    def test_no_work_days_at_all_are_answered_with_the_reason(self, tenant: Tenant) -> None:
        told = plan(tenant, work_days=[], pattern_code="eighteen-days")
        assert (told["state"], told["nearest"]) == ("cannot_be_kept", None)
        assert "no work day at all" in told["misfits"][0]["because"]
