"""Readings read back as they count: of a pile, of a probe, the newest of each."""

import statistics
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import event, text

from service.storage.database import Database
from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant


def send(tenant: Tenant, serial: str, rows: Sequence[tuple[datetime, float]], **overrides: Any) -> None:
    for start in range(0, len(rows), 5000):
        readings = [
            a_reading(serial, 0, value, observed_at=moment.isoformat(), **overrides)
            for moment, value in rows[start : start + 5000]
        ]
        answer = tenant.post("/v1/readings", a_bag(*readings))
        assert (answer["stored"], answer["refused"]) == (len(readings), [])


def a_life(
    start: datetime, hours: int, *, step_h: float = 1.0, base: float = 55.0
) -> list[tuple[datetime, float]]:
    """Readings that no test objects to: told to a tenth, never still, never far apart."""
    return [
        (start + timedelta(hours=step_h * n), round(base + (n * 7 % 30) / 10, 1))
        for n in range(int(hours / step_h))
    ]


def pages(tenant: Tenant, path: str, limit: int = 500, **asked: str) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = []
    after: str | None = None
    while True:
        params = {**asked, "limit": str(limit), **({} if after is None else {"after": after})}
        answer = tenant.client.get(path, params=params, headers={"Authorization": f"Bearer {tenant.key}"})
        assert answer.status_code == 200, answer.text
        assert answer.headers["vary"] == "Accept"
        page = answer.json()
        assert len(page["items"]) <= limit
        assert page["next"] is None or len(page["items"]) == limit
        items += page["items"]
        after = page["next"]
        if after is None:
            return items


def correct(tenant: Tenant, probe: dict[str, Any], kind: str, since: str, until: str, **more: Any) -> str:
    body = {"kind": kind, "from": since, "to": until, "reason": "seen on site"} | more
    return str(tenant.post(f"/v1/probes/{probe['id']}/corrections", body)["id"])


@pytest.fixture
def placed(tenant: Tenant) -> tuple[dict[str, Any], dict[str, Any]]:
    """A pile with a probe in it, from the tests' beginning of time on."""
    pile, probe = a_pile(tenant), a_probe(tenant)
    a_placement(tenant, probe["id"], pile["id"])
    return pile, probe


START = datetime(2026, 5, 4, 14, tzinfo=UTC)


class TestTheReadingsOfAPile:
    def test_say_which_tests_object_and_whether_they_count(self, tenant: Tenant, placed: Any) -> None:
        pile, probe = placed
        rows = a_life(START, 60)
        rows[20] = (rows[20][0], 96.0)  # past the gross range
        rows[30] = (rows[30][0], 84.0)  # an hour from 56 Cel and back: impossible
        rows[40:] = [(moment, 55.55) for moment, _ in rows[40:]]
        rows += [
            (rows[-1][0] + timedelta(hours=n), 55.55) for n in range(1, 40)
        ]  # still for more than two days
        send(tenant, probe["serial"], rows)
        found = pages(tenant, f"/v1/piles/{pile['id']}/readings", limit=17)
        assert [one["value"] for one in found] == [value for _, value in rows]
        told = {(one["flag"], tuple(one["tests"]), one["counts"]) for one in found}
        assert found[20]["tests"] == ["gross_range"]
        assert (found[20]["flag"], found[20]["counts"]) == (4, False)
        assert {"spike", "gross_range"} <= set(found[30]["tests"])
        assert (found[30]["flag"], found[30]["counts"]) == (4, False)
        assert all(one["tests"] == ["flat_line"] and not one["counts"] for one in found[41:])
        assert (1, (), True) in told
        assert all(one["corrected"] is None for one in found)

    def test_page_alike_whatever_the_size_of_a_page(self, tenant: Tenant, placed: Any) -> None:
        pile, probe = placed
        other = a_probe(tenant)
        a_placement(tenant, other["id"], pile["id"], position="core-2", depth_cm=40)
        send(tenant, probe["serial"], a_life(START, 40))
        send(tenant, other["serial"], a_life(START, 40, step_h=0.5))
        path = f"/v1/piles/{pile['id']}/readings"
        whole = pages(tenant, path)
        assert len(whole) == 120
        assert pages(tenant, path, limit=1) == pages(tenant, path, limit=7) == whole
        assert [one["observed_at"] for one in whole] == sorted(one["observed_at"] for one in whole)
        one_place = pages(tenant, path, position="core-2", **{"from": at(3), "to": at(5)})
        assert [(one["position"], one["depth_cm"]) for one in one_place] == [("core-2", 40.0)] * 4
        assert pages(tenant, path, position="nowhere") == []

    @pytest.mark.parametrize(
        ("query", "pointer"),
        [
            ("resolution=week", "/resolution"),
            ("after=abc", "/after"),
            ("limit=501", "/limit"),
            ("from=2026-05-04T09:00:00", "/from"),
            ("quantity=heat", "/quantity"),
            ("resolution=hour&after=abc", "/after"),
        ],
    )
    def test_of_a_question_that_does_not_fit_are_refused(
        self, tenant: Tenant, placed: Any, query: str, pointer: str
    ) -> None:
        for path in (f"/v1/piles/{placed[0]['id']}/readings", f"/v1/probes/{placed[1]['id']}/readings"):
            send_nothing = tenant.call("GET", f"{path}?{query}")
            assert send_nothing.status_code == 422, send_nothing.text
            assert [one["pointer"] for one in send_nothing.json()["errors"]] == [pointer]

    def test_of_another_site_are_not_shown_to_a_key_of_one(self, tenant: Tenant, placed: Any) -> None:
        key = tenant.key_for("read", site_id=a_site(tenant)["id"])
        for path in (f"/v1/piles/{placed[0]['id']}/readings", f"/v1/probes/{placed[1]['id']}/readings"):
            assert tenant.call("GET", path, key=key).status_code == 404

    def test_are_looked_at_beside_what_lies_around_the_range_asked_for(
        self, tenant: Tenant, placed: Any
    ) -> None:
        """A part of a series says the same of a reading as the whole does."""
        pile, probe = placed
        rows = [*a_life(START, 100), *((START + timedelta(hours=100 + n), 55.55) for n in range(90))]
        send(tenant, probe["serial"], rows)
        path = f"/v1/piles/{pile['id']}/readings"
        whole = pages(tenant, path)
        part = pages(tenant, path, **{"from": at(150), "to": at(160)})
        assert part == whole[150:160]
        assert part[0]["tests"] == ["flat_line"]


class TestCorrections:
    def test_that_exclude_leave_the_reading_in_sight(self, tenant: Tenant, placed: Any) -> None:
        pile, probe = placed
        send(tenant, probe["serial"], a_life(START, 10))
        entry = correct(tenant, probe, "exclude", at(2), at(4))
        found = pages(tenant, f"/v1/piles/{pile['id']}/readings")
        assert [one["counts"] for one in found] == [True] * 2 + [False] * 2 + [True] * 6
        assert found[2]["corrected"] == {"by": [entry], "recorded_at": None, "recorded_unit": None}
        assert found[2]["tests"] == []

    def test_that_shift_move_readings_between_piles(self, tenant: Tenant) -> None:
        first, second, probe = a_pile(tenant), a_pile(tenant), a_probe(tenant)
        a_placement(tenant, probe["id"], first["id"], to=at(10))
        a_placement(tenant, probe["id"], second["id"], **{"from": at(10)})
        send(tenant, probe["serial"], a_life(START, 20))
        entry = correct(tenant, probe, "shift", at(0), at(8), by_s=5.5 * 3600)
        here = pages(tenant, f"/v1/piles/{first['id']}/readings", limit=3)
        there = pages(tenant, f"/v1/piles/{second['id']}/readings", limit=3)
        moved = [n + 5.5 for n in range(8)]
        assert [one["observed_at"] for one in here] == told(sorted(n for n in (*moved, 8, 9) if n < 10))
        assert [one["observed_at"] for one in there] == told(
            sorted(n for n in (*moved, *range(10, 20)) if n >= 10)
        )
        late = next(one for one in there if one["observed_at"] == told([10.5])[0])
        assert late["corrected"] == {"by": [entry], "recorded_at": told([5])[0], "recorded_unit": None}

    def test_that_put_two_readings_on_one_instant_keep_both_and_count_one(
        self, tenant: Tenant, placed: Any
    ) -> None:
        pile, probe = placed
        send(tenant, probe["serial"], a_life(START, 8))
        correct(tenant, probe, "shift", at(1), at(3), by_s=2 * 3600)
        path = f"/v1/piles/{pile['id']}/readings"
        found = pages(tenant, path)
        assert pages(tenant, path, limit=1) == found
        assert [one["observed_at"] for one in found] == told([0, 3, 3, 4, 4, 5, 6, 7])
        assert sum(one["counts"] for one in found) == 6
        (day,) = pages(tenant, path, resolution="day")
        assert day["count"] == 6
        verdict = tenant.get(f"/v1/piles/{pile['id']}/compliance?rule=us-nop-windrow")["items"][0]
        # Those recorded at that hour go before those moved there: no moved one is left to be told of.
        assert verdict["corrections"] == []
        assert [one["corrected"] is None for one in found if one["counts"]] == [True] * 6

    def test_of_a_unit_tell_the_number_anew(self, tenant: Tenant, placed: Any) -> None:
        pile, probe = placed
        send(tenant, probe["serial"], [(START, 131.0)])
        path = f"/v1/piles/{pile['id']}/readings"
        assert pages(tenant, path)[0]["tests"] == ["gross_range", "unit_doubtful"]
        entry = correct(tenant, probe, "unit", at(0), at(1), quantity="temperature", unit="[degF]")
        (one,) = pages(tenant, path)
        assert (one["value"], one["unit"], one["flag"], one["tests"]) == (131.0, "[degF]", 1, [])
        assert one["corrected"] == {"by": [entry], "recorded_at": None, "recorded_unit": "Cel"}
        (hour,) = pages(tenant, path, resolution="hour")
        assert (hour["mean"], hour["unit"]) == (55.0, "Cel")


def told(hours: Sequence[float]) -> list[str]:
    return [(START + timedelta(hours=n)).isoformat().replace("+00:00", "Z") for n in hours]


EPA = "us-503-pfrp-windrow"


class TestAVerdict:
    def test_leaves_out_what_a_test_or_a_person_keeps_out_and_says_so(
        self, tenant: Tenant, placed: Any
    ) -> None:
        pile, probe = placed
        stuck = [(START + timedelta(hours=100 + n), 61.03) for n in range(60)]
        send(tenant, probe["serial"], [*a_life(START, 100, base=58), *stuck])
        path = f"/v1/piles/{pile['id']}/compliance?rule={EPA}"
        (before,) = tenant.get(path)["items"]
        assert before["excluded"] == [
            {
                "position": "core-1",
                "cause": "flat_line",
                "count": 60,
                "first": told([100])[0],
                "last": told([159])[0],
                "correction": None,
            }
        ]
        assert before["excluded_by_flag"] == {"flat_line": 60}
        exclusion = correct(tenant, probe, "exclude", at(10), at(12))
        (excluded,) = tenant.get(path)["items"]
        assert [(one["cause"], one["count"], one["correction"]) for one in excluded["excluded"]] == [
            ("flat_line", 60, None),
            ("correction", 2, exclusion),
        ]
        acceptance = correct(tenant, probe, "accept", at(100), at(160))
        (accepted,) = tenant.get(path)["items"]
        assert [one["cause"] for one in accepted["excluded"]] == ["correction"]
        assert accepted["corrections"] == [
            {
                "position": "core-1",
                "correction": acceptance,
                "kind": "accept",
                "count": 60,
                "first": told([100])[0],
                "last": told([159])[0],
            }
        ]
        assert accepted["held_h"] == before["held_h"] + 60
        assert len({one["readings_digest"] for one in (before, excluded, accepted)}) == 3

    def test_sees_what_it_saw_before_once_an_entry_is_withdrawn(self, tenant: Tenant, placed: Any) -> None:
        pile, probe = placed
        send(tenant, probe["serial"], a_life(START, 30))
        path = f"/v1/piles/{pile['id']}/compliance?rule={EPA}"
        (before,) = tenant.get(path)["items"]
        entry = correct(tenant, probe, "shift", at(0), at(30), by_s=-3600)
        (moved,) = tenant.get(path)["items"]
        assert moved["readings_digest"] != before["readings_digest"]
        tenant.post(
            f"/v1/probes/{probe['id']}/corrections", {"kind": "withdraw", "withdraws": entry, "reason": "x"}
        )
        (after,) = tenant.get(path)["items"]
        assert after["readings_digest"] == before["readings_digest"]
        assert after["corrections"] == []

    def test_agrees_with_the_series_and_with_the_status(self, tenant: Tenant) -> None:
        pile = a_pile(tenant, built_at=recently(-100).isoformat(), rules=[EPA])
        probe = a_probe(tenant)
        a_placement(tenant, probe["id"], pile["id"], **{"from": recently(-100).isoformat()})
        rows = a_life(recently(-100), 40)
        rows += [(recently(-60 + n), 61.03) for n in range(60)]
        send(tenant, probe["serial"], rows)
        found = pages(tenant, f"/v1/piles/{pile['id']}/readings")
        (verdict,) = tenant.get(f"/v1/piles/{pile['id']}/compliance")["items"]
        status = tenant.get(f"/v1/piles/{pile['id']}/status")
        in_series = sum("flat_line" in one["tests"] for one in found)
        assert in_series == verdict["excluded_by_flag"]["flat_line"] == 60
        assert "flat_line" in {one["code"] for one in status["warnings"]}

    def test_knows_a_probe_that_was_pulled_out_by_the_air(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        pile = a_pile(tenant, site["id"], built_at=recently(-100).isoformat(), rules=[EPA])
        probe, air = a_probe(tenant), a_probe(tenant, site_id=site["id"])
        a_placement(tenant, probe["id"], pile["id"], **{"from": recently(-100).isoformat()})
        weather = [(recently(-100 + n), round(15 + 6 * ((n % 24) / 12 - 1) ** 2, 1)) for n in range(100)]
        send(tenant, air["serial"], weather, quantity="ambient_temperature")
        rows = a_life(recently(-100), 50)
        rows += [(moment, round(value + 0.5, 1)) for moment, value in weather[50:]]
        send(tenant, probe["serial"], rows)
        found = pages(tenant, f"/v1/piles/{pile['id']}/readings")
        objected = [n for n, one in enumerate(found) if "near_ambient" in one["tests"]]
        assert objected == list(range(50, 100))
        (verdict,) = tenant.get(f"/v1/piles/{pile['id']}/compliance")["items"]
        assert verdict["excluded_by_flag"] == {"near_ambient": 50}
        status = tenant.get(f"/v1/piles/{pile['id']}/status")
        assert "reads_like_air" in {one["code"] for one in status["warnings"]}


def recently(hours: float) -> datetime:
    """Some hours from the hour that has just begun."""
    return datetime.now(UTC).replace(minute=0, second=0, microsecond=0) + timedelta(hours=hours)


CLOCK_CHANGES = [
    # America/Chicago: second Sunday of March and first of November (15 U.S.C. 260a).
    ("America/Chicago", datetime(2026, 3, 7, tzinfo=UTC), "2026-03-08T06:00:00Z", 23),
    ("America/Chicago", datetime(2026, 10, 31, tzinfo=UTC), "2026-11-01T05:00:00Z", 25),
    # Europe/Lisbon: last Sundays of March and October (Directive 2000/84/EC).
    ("Europe/Lisbon", datetime(2026, 3, 28, tzinfo=UTC), "2026-03-29T00:00:00Z", 23),
    ("Europe/Lisbon", datetime(2026, 10, 24, tzinfo=UTC), "2026-10-24T23:00:00Z", 25),
]


class TestHoursAndDays:
    @pytest.mark.parametrize(("zone", "start", "begins", "length_h"), CLOCK_CHANGES)
    def test_are_those_of_the_site_when_clocks_change(
        self, tenant: Tenant, zone: str, start: datetime, begins: str, length_h: int
    ) -> None:
        site = a_site(tenant, time_zone=zone)
        pile, probe = a_pile(tenant, site["id"]), a_probe(tenant, site_id=site["id"])
        a_placement(tenant, probe["id"], pile["id"], **{"from": start.isoformat()})
        send(tenant, probe["serial"], a_life(start, 72))
        for path in (f"/v1/piles/{pile['id']}/readings", f"/v1/probes/{probe['id']}/readings"):
            days = pages(tenant, path, limit=1, resolution="day")
            (changed,) = [day for day in days if day["from"] == begins]
            assert changed["count"] == length_h
            assert span_h(changed) == length_h
            assert sum(day["count"] for day in days) == 72
            assert {span_h(day) for day in days if day is not changed} == {24}
            hours = pages(tenant, path, limit=10, resolution="hour")
            assert [(span_h(hour), hour["count"]) for hour in hours] == [(1, 1)] * 72

    def test_agree_with_the_readings_and_with_the_database(
        self, tenant: Tenant, placed: Any, database: Database
    ) -> None:
        """The days against ``date_trunc`` of PostgreSQL over the stored rows, and against Python over the pages."""
        pile, probe = placed
        rows = [*a_life(START, 50), *a_life(START + timedelta(hours=90), 200, step_h=0.7)]
        rows[5] = (rows[5][0], 99.0)
        send(tenant, probe["serial"], rows)
        path = f"/v1/piles/{pile['id']}/readings"
        found = pages(tenant, path, resolution="day")
        assert pages(tenant, path, limit=2, resolution="day") == found
        with database.begin(tenant.organisation_id) as session:
            truth = session.execute(
                text(
                    "select date_trunc('day', observed_at, 'America/Chicago'), count(*), min(value), avg(value),"
                    " max(value) from reading where value < 95 group by 1 order by 1"
                )
            ).all()
        assert [
            (
                datetime.fromisoformat(d["from"]),
                d["count"],
                d["minimum"],
                pytest.approx(d["mean"]),
                d["maximum"],
            )
            for d in found
        ] == [tuple(row) for row in truth]
        by_hour: dict[datetime, list[float]] = defaultdict(list)
        for one in pages(tenant, path):
            if one["counts"]:
                moment = datetime.fromisoformat(one["observed_at"]).astimezone(ZoneInfo("America/Chicago"))
                by_hour[moment.replace(minute=0, second=0, microsecond=0)].append(one["value"])
        hours = pages(tenant, path, limit=33, resolution="hour")
        assert [
            (datetime.fromisoformat(h["from"]), h["count"], h["minimum"], h["maximum"]) for h in hours
        ] == [(hour, len(values), min(values), max(values)) for hour, values in sorted(by_hour.items())]
        assert [h["mean"] for h in hours] == [
            pytest.approx(statistics.fmean(values)) for _, values in sorted(by_hour.items())
        ]

    def test_leave_a_gap_a_gap(self, tenant: Tenant, placed: Any) -> None:
        pile, probe = placed
        send(tenant, probe["serial"], [*a_life(START, 10), *a_life(START + timedelta(days=90), 10)])
        days = pages(tenant, f"/v1/piles/{pile['id']}/readings", limit=1, resolution="day")
        assert [day["count"] for day in days] == [10, 10]
        assert (days[0]["first_at"], days[0]["last_at"]) == tuple(told([0, 9]))

    def test_of_several_positions_page_by_instant_and_position(self, tenant: Tenant, placed: Any) -> None:
        pile, probe = placed
        other = a_probe(tenant)
        a_placement(tenant, other["id"], pile["id"], position="a corner")
        for one in (probe, other):
            send(tenant, one["serial"], a_life(START, 100))
        path = f"/v1/piles/{pile['id']}/readings"
        whole = pages(tenant, path, resolution="day")
        keys = [(day["from"], day["position"]) for day in whole]
        assert keys == sorted(keys)
        assert len(set(keys)) == len(keys) == 10
        for limit in (1, 3, 7):
            assert pages(tenant, path, limit=limit, resolution="day") == whole

    def test_of_a_quantity_other_than_temperature(self, tenant: Tenant, placed: Any) -> None:
        pile, probe = placed
        rows = [(START + timedelta(hours=n), 50.0 if n else 120.0) for n in range(5)]
        send(tenant, probe["serial"], rows, quantity="moisture", unit="%")
        path = f"/v1/piles/{pile['id']}/readings"
        (day,) = pages(tenant, path, quantity="moisture", resolution="day")
        assert (day["count"], day["mean"], day["unit"]) == (4, 50.0, "%")
        assert pages(tenant, path, quantity="moisture")[0]["tests"] == ["gross_range"]
        assert pages(tenant, path) == []


def span_h(item: dict[str, Any]) -> float:
    return (datetime.fromisoformat(item["to"]) - datetime.fromisoformat(item["from"])) / timedelta(hours=1)


class TestTheReadingsOfAProbe:
    def test_are_shown_wherever_it_sat(self, tenant: Tenant) -> None:
        first, second, probe = a_pile(tenant), a_pile(tenant), a_probe(tenant)
        a_placement(tenant, probe["id"], first["id"], **{"from": at(2), "to": at(5)})
        a_placement(tenant, probe["id"], second["id"], position="edge", depth_cm=30, **{"from": at(7)})
        send(tenant, probe["serial"], a_life(START, 10))
        path = f"/v1/probes/{probe['id']}/readings"
        found = pages(tenant, path, limit=3)
        where = [(one["pile_id"], one["position"], one["depth_cm"]) for one in found]
        assert where == [
            *[(None, None, None)] * 2,
            *[(first["id"], "core-1", None)] * 3,
            *[(None, None, None)] * 2,
            *[(second["id"], "edge", 30.0)] * 3,
        ]
        assert [one["observed_at"] for one in found] == told(range(10))
        days = pages(tenant, path, limit=1, resolution="day")
        assert sorted(
            (day["pile_id"] or "", day["count"]) for day in days if day["from"] == told([-14])[0]
        ) == sorted([("", 4), (first["id"], 3), (second["id"], 3)])

    def test_of_a_probe_without_a_site_have_days_in_utc(self, tenant: Tenant) -> None:
        probe = a_probe(tenant)
        send(tenant, probe["serial"], a_life(START, 48))
        days = pages(tenant, f"/v1/probes/{probe['id']}/readings", resolution="day")
        assert [(day["from"], day["count"]) for day in days] == [
            ("2026-05-04T00:00:00Z", 10), ("2026-05-05T00:00:00Z", 24), ("2026-05-06T00:00:00Z", 14),
        ]  # fmt: skip

    def test_of_one_that_said_nothing_are_none(self, tenant: Tenant) -> None:
        path = f"/v1/probes/{a_probe(tenant)['id']}/readings"
        assert tenant.get(path) == {"items": [], "next": None}
        assert tenant.get(f"{path}?resolution=day") == {"items": [], "next": None}

    def test_say_what_the_pile_says(self, tenant: Tenant) -> None:
        """Turns and neighbours of the pile are looked at for the probe's own series too."""
        pile, probe, beside = a_pile(tenant), a_probe(tenant), a_probe(tenant)
        a_placement(tenant, probe["id"], pile["id"], depth_cm=50)
        a_placement(tenant, beside["id"], pile["id"], position="core-2", depth_cm=55)
        send(tenant, probe["serial"], a_life(START, 48))
        send(tenant, beside["serial"], a_life(START, 48, base=35))
        of_pile = pages(tenant, f"/v1/piles/{pile['id']}/readings", position="core-1")
        of_probe = pages(tenant, f"/v1/probes/{probe['id']}/readings")
        assert [one["tests"] for one in of_pile] == [one["tests"] for one in of_probe]
        assert {tuple(one["tests"]) for one in of_probe} == {("neighbours",)}


class TestTheNewestReadings:
    def test_are_one_of_each_probe_with_where_it_stood(self, tenant: Tenant) -> None:
        first, second = a_pile(tenant), a_pile(tenant)
        probes = [a_probe(tenant) for _ in range(3)]
        a_placement(tenant, probes[0]["id"], first["id"], to=at(5))
        a_placement(tenant, probes[0]["id"], second["id"], position="edge", **{"from": at(5)})
        a_placement(tenant, probes[1]["id"], first["id"], position="core-2", to=at(2))
        for probe in probes[:2]:
            send(tenant, probe["serial"], list(reversed(a_life(START, 10))))
        items = tenant.get("/v1/readings/latest")["items"]
        assert [(one["probe_id"], one["pile_id"], one["position"]) for one in items] == [
            (probes[0]["id"], second["id"], "edge"),
            (probes[1]["id"], None, None),
        ]
        assert {one["observed_at"] for one in items} == {told([9])[0]}
        assert tenant.get("/v1/readings/latest?quantity=moisture")["items"] == []

    def test_are_as_corrected(self, tenant: Tenant, placed: Any) -> None:
        _, probe = placed
        send(tenant, probe["serial"], [(START + timedelta(hours=1), 131.0)])
        unit = correct(tenant, probe, "unit", at(0), at(9), quantity="temperature", unit="[degF]")
        shift = correct(tenant, probe, "shift", at(0), at(9), by_s=-7200)
        (one,) = tenant.get("/v1/readings/latest")["items"]
        assert (one["observed_at"], one["unit"], one["flag"], one["tests"]) == (
            told([-1])[0],
            "[degF]",
            1,
            [],
        )
        assert one["corrected"] == {"by": [unit, shift], "recorded_at": told([1])[0], "recorded_unit": "Cel"}
        assert (one["pile_id"], one["counts"]) == (None, True)
        correct(tenant, probe, "exclude", at(0), at(9))
        assert tenant.get("/v1/readings/latest")["items"][0]["counts"] is False

    def test_page_by_probe_in_a_fixed_number_of_questions(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        probes = [a_probe(tenant, site_id=site["id"] if n % 2 else None) for n in range(9)]
        for probe in probes:
            send(tenant, probe["serial"], a_life(START, 3))
        asked: list[int] = []
        for limit in (2, 9):
            seen: list[str] = []
            after, counted = "", 0
            while True:
                with statements(tenant) as found:
                    page = tenant.get(f"/v1/readings/latest?limit={limit}{after}")
                counted = max(counted, len(found))
                seen += [one["probe_id"] for one in page["items"]]
                if page["next"] is None:
                    break
                after = f"&after={page['next']}"
            assert seen == [probe["id"] for probe in probes]
            asked.append(counted)
        assert asked[0] == asked[1]
        of_site = tenant.get(f"/v1/readings/latest?site_id={site['id']}")["items"]
        assert [one["probe_id"] for one in of_site] == [probe["id"] for probe in probes[1::2]]
        key = tenant.key_for("read", site_id=site["id"])
        assert tenant.call("GET", "/v1/readings/latest", key=key).json()["items"] == of_site


class statements:  # noqa: N801 - reads as a phrase
    """Collects what goes to the database, on the driver's own connection too."""

    def __init__(self, tenant: Tenant) -> None:
        self._engine = tenant.client.app.state.database.engine  # type: ignore[attr-defined]
        self.found: list[str] = []

    def __enter__(self) -> list[str]:
        import psycopg

        self._real = psycopg.Connection.execute
        found, real = self.found, self._real

        def counting(connection: Any, query: Any, *arguments: Any, **options: Any) -> Any:
            found.append(str(query))
            return real(connection, query, *arguments, **options)

        self._note = lambda _c, _cursor, statement, *_: found.append(statement)
        psycopg.Connection.execute = counting  # type: ignore[method-assign]
        event.listen(self._engine, "before_cursor_execute", self._note)
        return found

    def __exit__(self, *_: object) -> None:
        import psycopg

        psycopg.Connection.execute = self._real  # type: ignore[method-assign]
        event.remove(self._engine, "before_cursor_execute", self._note)
