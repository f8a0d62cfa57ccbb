"""A crew's day over HTTP: the list and its order, what was done of it, and every way to get it wrong."""

import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from typing import Any

from service.storage.database import Database
from tests.builders import a_bay, a_pile
from tests.conftest import Tenant
from tests.http.days import (
    a_crewed_site,
    a_hand_probe,
    a_line,
    a_planned_task,
    a_standing_pile,
    ago,
    now,
    the_list,
    today,
)
from tests.http.test_exchange import problem_of


def done(tenant: Tenant, site: dict[str, Any], item_id: str, **told: Any) -> Any:
    options = {name: told.pop(name) for name in ("key", "Idempotency_Key") if name in told}
    return tenant.call(
        "POST", f"/v1/sites/{site['id']}/today/{item_id}/done", {"at": ago(minutes=5)} | told, **options
    )


def events_of(tenant: Tenant, pile: dict[str, Any]) -> list[dict[str, Any]]:
    items: list[dict[str, Any]] = tenant.get(f"/v1/piles/{pile['id']}/events")["items"]
    return items


class TestList:
    def test_a_line_in_the_order_its_bays_allow(self, tenant: Tenant, database: Database) -> None:
        """Ash is the hotter one, and Oak still goes first: its bay has to be empty for Ash."""
        site, ids = a_line(tenant, database)
        told = the_list(tenant, site, crew="Year 9")
        assert [one["id"] for one in told["items"]] == [ids[name] for name in ("oak", "ash", "elm", "check")]
        oak, ash, elm, _ = told["items"]
        assert "2 has to be empty" in oak["place"]
        assert ash["after"] == [ids["oak"]]
        assert elm["after"] == [ids["ash"]]
        assert elm["pile_id"] is None
        assert (ash["bay"], ash["to_bay"], ash["title"], ash["minutes"]) == ("1", "2", "Turn", 90)
        assert ash["links"]["pile"] == f"/v1/piles/{ids['piles']['Ash']['id']}"
        assert {one["name"] for one in ash["cautions"]} == {"heat", "dust", "lifting", "hygiene", "local"}
        assert all(one["source"] and one["status"] for one in ash["cautions"])
        assert ash["tools"]
        assert ash["look_for"]
        assert "height_m" in ash["record"]
        # two people for three hours are assumed where no calendar is on record
        assert (told["fit"]["crew_min"], told["fit"]["needed_min"]) == (360, 310)
        assert told["fit"]["state"] == "fits"

    def test_a_day_too_short_says_what_waits_and_what_not(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        a_planned_task(database, tenant, site, "Oak", "screen", bay="2", minutes=100)
        late = a_planned_task(
            database,
            tenant,
            site,
            "Ash",
            "turn",
            number=9,
            on_date=today() - timedelta(3),
            bay="1",
            to_bay="2",
        )
        fit = the_list(tenant, site)["fit"]
        assert fit["state"] == "short"
        # the turn of three days ago must not wait, so neither may the one that empties its bay
        assert set(fit["must"]) == {ids["ash"], ids["oak"]}
        assert late not in fit["must"]  # one turn makes both good
        assert fit["waits"]
        assert not {one["id"] for one in fit["waits"]} & set(fit["must"])
        assert "May wait until" in fit["waits"][0]["text"]

    def test_fire_comes_first_and_nothing_else_is_done_there(
        self, tenant: Tenant, database: Database
    ) -> None:
        site, ids = a_line(tenant, database)
        elder = a_standing_pile(tenant, site, "Elder")
        a_hand_probe(tenant, elder, (3, 80.0), (1, 93.0))
        turn = a_planned_task(database, tenant, site, "Elder", "turn", bay="9")
        told = the_list(tenant, site)
        first = told["items"][0]
        assert (first["task"], first["pile"], first["urgency"]) == ("keep_away", "Elder", "now")
        assert "93.0 °C" in first["why"][0]
        assert "call the fire service" in first["remedies"][0]
        held = next(one for one in told["items"] if one["id"] == turn)
        assert "Keep away" in held["held"]
        assert told["items"][-1]["id"] == turn
        assert ids["oak"] == told["items"][1]["id"]

    def test_a_site_without_a_plan_goes_by_each_piles_own_pattern(self, tenant: Tenant) -> None:
        site = a_crewed_site(tenant)
        pattern = {"rest_days": 2, "turn_every_days": 1, "last_turn_day": 20}
        pile = a_standing_pile(tenant, site, "Fir", 4, pattern=pattern, design_volume_m3=1.5)
        tenant.post(f"/v1/piles/{pile['id']}/events", {"kind": "turn", "at": ago(days=1)})
        told = the_list(tenant, site)
        turn = next(one for one in told["items"] if one["task"] == "turn")
        assert turn["id"] == f"{today()}.turn.{pile['id'].replace('-', '')}"
        assert "pattern" in turn["why"][0]
        assert turn["minutes"] == 45  # 1.5 m3 at 2 m3 per person-hour
        assert done(tenant, site, turn["id"], height_m=0.9).status_code == 200
        again = next(one for one in the_list(tenant, site)["items"] if one["task"] == "turn")
        assert again["done"]["event_id"]
        assert the_list(tenant, site, on=today() + timedelta(1))["items"][0]["task"] == "turn"

    def test_what_a_rule_is_about_to_lose(self, tenant: Tenant) -> None:
        """After 20 h without a reading the longest gap of 24 h or 36 h is near, and nobody comes before it is there."""
        site = a_crewed_site(tenant, closures=[str(today() + timedelta(day)) for day in (1, 2)])
        pile = a_standing_pile(tenant, site, "Yew", 3, rules=["us-nop-windrow"])
        a_hand_probe(tenant, pile, (60, 58.0), (44, 60.0), (20, 61.0))
        read = next(one for one in the_list(tenant, site)["items"] if one["task"] == "read")
        assert (read["urgency"], read["positions"]) == ("today", ["core-1"])
        assert "lost" in read["why"][0]
        assert read["lost_at"] > now().isoformat()
        answer = done(tenant, site, read["id"], temperature_c=62.0, position="core-1").json()
        assert "rules count it" in answer["notes"][0]
        after = the_list(tenant, site)["items"]
        assert (
            next(one for one in after if one["id"] == read["id"])["done"]["event_id"] == answer["event"]["id"]
        )
        latest = tenant.get(f"/v1/piles/{pile['id']}/status")["hottest"]
        assert latest["temperature_c"] == 62.0

    def test_a_dry_pile_is_mended_and_water_clears_it(self, tenant: Tenant) -> None:
        site = a_crewed_site(tenant)
        pile = a_standing_pile(tenant, site, "Bay")
        event = {"kind": "observe", "at": ago(hours=2), "moisture_feel": "dry"}
        tenant.post(f"/v1/piles/{pile['id']}/events", event)
        mend = next(one for one in the_list(tenant, site)["items"] if one["task"] == "mend")
        assert "dry" in mend["why"][0]
        assert done(tenant, site, mend["id"], turned=True, watered=True, water_l=40).status_code == 200
        kinds = [one["kind"] for one in events_of(tenant, pile)]
        assert sorted(kinds[-2:]) == ["turn", "water"]
        after = next(one for one in the_list(tenant, site)["items"] if one["id"] == mend["id"])
        assert after["done"]

    def test_only_a_crews_own(self, tenant: Tenant, database: Database) -> None:
        site = a_crewed_site(tenant)
        a_planned_task(database, tenant, site, "Oak", "check", crew="Year 10")
        own = a_planned_task(database, tenant, site, "Ash", "check", crew="Year 9")
        assert [one["id"] for one in the_list(tenant, site, crew="Year 9")["items"]] == [own]
        assert len(the_list(tenant, site)["items"]) == 2

    def test_nobody_comes(self, tenant: Tenant, database: Database) -> None:
        site = a_crewed_site(tenant, closures=[str(today())])
        a_planned_task(database, tenant, site, "Oak", "check")
        fit = the_list(tenant, site)["fit"]
        assert (fit["state"], fit["crew_min"]) == ("no_crew", 0)

    def test_a_date_or_crew_that_is_none(self, tenant: Tenant) -> None:
        site = a_crewed_site(tenant)
        for query, pointer in (("on=2020-01-01", "/on"), ("on=2190-01-01", "/on"), ("crew=Nobody", "/crew")):
            problem = problem_of(tenant.call("GET", f"/v1/sites/{site['id']}/today?{query}"), 422)
            assert [one["pointer"] for one in problem["errors"]] == [pointer]

    def test_another_sites_key(self, tenant: Tenant) -> None:
        site, elsewhere = a_crewed_site(tenant), a_crewed_site(tenant)
        key = tenant.key_for("read", "write", site_id=elsewhere["id"])
        problem_of(tenant.call("GET", f"/v1/sites/{site['id']}/today", key=key), 404)


class TestDone:
    def test_a_turn_into_the_next_bay_is_a_turn_and_a_move(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        told = {
            "crew": "Year 9",
            "height_m": 1.05,
            "moisture_feel": "right",
            "smell": "earthy",
            "note": "steamy",
        }
        answer = done(tenant, site, ids["oak"], **told)
        assert answer.status_code == 200, answer.text
        body = answer.json()
        assert body["event"]["kind"] == "turn"
        assert body["event"]["details"]["height_m"] == 1.05
        assert (body["event"]["crew"], body["event"]["note"]) == ("Year 9", "steamy")
        oak = ids["piles"]["Oak"]
        assert [one["kind"] for one in events_of(tenant, oak)] == ["turn", "move", "observe"]
        bays = {one["id"]: one["label"] for one in tenant.get(f"/v1/sites/{site['id']}/bays")["items"]}
        assert bays[tenant.get(f"/v1/piles/{oak['id']}/status")["bay_id"]] == "3"
        listed = next(one for one in the_list(tenant, site)["items"] if one["id"] == ids["oak"])
        assert listed["done"]["crew"] == "Year 9"
        assert listed["done"]["event_id"] == body["event"]["id"]

    def test_twice_is_once_with_a_key_and_without(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        told = {"at": ago(minutes=9), "crew": "Year 9", "height_m": 1.05}
        first = done(tenant, site, ids["ash"], **told, Idempotency_Key="one")
        replayed = done(tenant, site, ids["ash"], **told, Idempotency_Key="one")
        again = done(tenant, site, ids["ash"], **told)
        assert first.json() == replayed.json() == again.json()
        assert replayed.headers["Idempotency-Replayed"] == "true"
        assert [one["kind"] for one in events_of(tenant, ids["piles"]["Ash"])] == ["turn", "move"]
        problem = problem_of(done(tenant, site, ids["ash"], **(told | {"height_m": 0.8})), 409)
        assert "by Year 9" in problem["detail"]
        assert first.json()["event"]["id"] in problem["detail"]

    def test_eight_phones_at_once_make_one_turn(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        told = {"at": ago(minutes=9), "crew": "Year 9", "height_m": 1.05}
        barrier = threading.Barrier(8)

        def phone(_: int) -> Any:
            barrier.wait()
            return done(tenant, site, ids["ash"], **told)

        with ThreadPoolExecutor(8) as phones:
            answers = list(phones.map(phone, range(8)))
        assert [one.status_code for one in answers] == [200] * 8
        assert len({one.json()["event"]["id"] for one in answers}) == 1
        assert [one["kind"] for one in events_of(tenant, ids["piles"]["Ash"])] == ["turn", "move"]

    def test_a_correction_undoes_it(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        event = done(tenant, site, ids["check"], temperature_c=58, smell="earthy").json()["event"]
        withdrawn = {"kind": "correct", "at": ago(minutes=1), "corrects": event["id"], "reason": "wrong pile"}
        tenant.post(f"/v1/piles/{ids['piles']['Oak']['id']}/events", withdrawn)
        assert (
            next(one for one in the_list(tenant, site)["items"] if one["id"] == ids["check"])["done"] is None
        )
        assert done(tenant, site, ids["check"], temperature_c=59).json()["event"]["id"] != event["id"]

    def test_a_build_brings_the_pile_on_record(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        at = ago(minutes=20)
        body = done(tenant, site, ids["elm"], at=at, height_m=1.2).json()
        pile = tenant.get(body["item"]["links"]["pile"])
        assert (pile["label"], pile["built_at"]) == ("Elm", at.replace("+00:00", "Z"))
        assert "is on record now" in body["notes"][0]
        assert next(one for one in the_list(tenant, site)["items"] if one["id"] == ids["elm"])["done"]

    def test_a_turn_of_a_pile_nobody_built(self, tenant: Tenant, database: Database) -> None:
        site = a_crewed_site(tenant)
        item = a_planned_task(database, tenant, site, "Ghost", "turn")
        assert "not on record yet" in problem_of(done(tenant, site, item), 409)["detail"]

    def test_a_screening(self, tenant: Tenant, database: Database) -> None:
        site, _ = a_line(tenant, database)
        item = a_planned_task(database, tenant, site, "Oak", "screen", bay="2")
        body = done(tenant, site, item, mesh_mm=12, fines_m3=0.4, overs_m3=0.1).json()
        assert body["event"]["kind"] == "screen"
        assert (
            body["event"]["details"] | {"mesh_mm": 12, "fines_m3": 0.4, "overs_m3": 0.1}
            == body["event"]["details"]
        )

    def test_a_temperature_that_is_a_danger_is_answered_at_once(
        self, tenant: Tenant, database: Database
    ) -> None:
        """The bounds of the heat signs: 90, 77 (170 degF, 7 CFR 205.203(c)(2)) and 70 Cel."""
        site, _ = a_line(tenant, database)
        for number, (told, words) in enumerate(
            ((92, "fire service"), (79, "second person"), (71, "too hot"))
        ):
            item = a_planned_task(database, tenant, site, "Ash", "check", number=20 + number)
            notes = done(tenant, site, item, temperature_c=told).json()["notes"]
            assert words in notes[0]
            assert "observation" in notes[1]  # no position, so no probe's reading

    def test_heat_read_by_hand_leads_the_list(self, tenant: Tenant, database: Database) -> None:
        """No probe stands in it, so nobody else would tell the next crew."""
        site = a_crewed_site(tenant)
        pile = a_standing_pile(tenant, site, "Yew")
        check = a_planned_task(database, tenant, site, "Yew", "check")
        turn = a_planned_task(database, tenant, site, "Yew", "turn")
        done(tenant, site, check, temperature_f=199)  # 92.8 Cel
        first, second, *_ = the_list(tenant, site)["items"]
        assert (first["task"], first["why"][0][:22]) == ("keep_away", "A crew read 92.8 °C by")
        assert second["id"] == turn
        assert second["held"]
        again = {"kind": "observe", "at": ago(minutes=1), "temperature_c": 60}
        tenant.post(f"/v1/piles/{pile['id']}/events", again)
        assert the_list(tenant, site)["items"][0]["id"] == turn

    def test_fahrenheit_is_kept_as_read(self, tenant: Tenant, database: Database) -> None:
        """131 degF is 55 Cel."""
        site, ids = a_line(tenant, database)
        body = done(tenant, site, ids["check"], temperature_f=131, position="core-1").json()
        assert body["event"]["details"]["temperature_c"] == 55.0
        latest = tenant.get(f"/v1/piles/{ids['piles']['Oak']['id']}/status")["latest"][0]
        assert (latest["value"], latest["unit"]) == (131, "[degF]")

    def test_what_does_not_fit(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        refused: tuple[tuple[dict[str, Any], str], ...] = (
            ({"height_m": "1,2"}, "/height_m"),
            ({"height_m": 0}, "/height_m"),
            ({"height_m": 21}, "/height_m"),
            ({"at": "2026-05-04T09:00:00"}, "/at"),
            ({"at": ago(hours=-1)}, "/at"),
            ({"temperature_c": 60, "temperature_f": 140}, "/temperature_f"),
            ({"mesh_mm": 12}, "/mesh_mm"),
            ({"watered": False, "water_l": 3}, "/water_l"),
            ({"smell": "awful"}, "/smell"),
            ({"turned": True}, "/turned"),
            ({"names": "Ada"}, "/names"),
        )
        for told, pointer in refused:
            problem = problem_of(done(tenant, site, ids["ash"], **told), 422)
            assert [one["pointer"] for one in problem["errors"]] == [pointer]
        assert events_of(tenant, ids["piles"]["Ash"]) == []

    def test_no_such_item(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        ash = ids["piles"]["Ash"]["id"].replace("-", "")
        elsewhere = a_pile(tenant)["id"].replace("-", "")
        for item in (
            "nothing",
            "00000000-0000-7000-8000-000000000000",
            f"{today()}.dance.{ash}",
            f"{today() + timedelta(1)}.turn.{ash}",
            f"{today() - timedelta(60)}.turn.{ash}",
            f"{today()}.turn.{elsewhere}",
            f"{today()}.turn.{ash.upper()}x",
        ):
            problem_of(done(tenant, site, item), 404)

    def test_another_sites_key(self, tenant: Tenant, database: Database) -> None:
        site, ids = a_line(tenant, database)
        key = tenant.key_for("write", site_id=a_crewed_site(tenant)["id"])
        problem_of(done(tenant, site, ids["ash"], key=key), 404)
        assert events_of(tenant, ids["piles"]["Ash"]) == []

    def test_a_reading_without_a_figure(self, tenant: Tenant) -> None:
        site = a_crewed_site(tenant)
        pile = a_standing_pile(tenant, site, "Bay", bay_id=a_bay(tenant, site["id"])["id"])
        item = f"{today()}.read.{pile['id'].replace('-', '')}"
        problem = problem_of(done(tenant, site, item), 422)
        assert [one["pointer"] for one in problem["errors"]] == ["/temperature_c"]
