"""Stock of a site: movements are appended, loads take by themselves, and what is not there cannot be taken."""

import uuid
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from tests.builders import a_pile, a_site, at
from tests.conftest import Tenant
from tests.http.test_exchange import NO_ONE, problem_of

CODE = "horse-manure"
ZONE = ZoneInfo("America/Chicago")


def path_of(site: dict[str, Any]) -> str:
    return f"/v1/sites/{site['id']}/stock"


def move(
    tenant: Tenant, site: dict[str, Any], kind: str, kg: float | None, hour: float = 0, **more: Any
) -> Any:
    body = {"kind": kind, "feedstock": CODE, "at": at(hour), "mass_kg": kg} | more
    return tenant.post(f"{path_of(site)}/movements", body)


def refused(tenant: Tenant, site: dict[str, Any], status: int, **body: Any) -> dict[str, Any]:
    shown = {"feedstock": CODE, "at": at(1)} | body
    return problem_of(tenant.call("POST", f"{path_of(site)}/movements", shown), status)


def balance(tenant: Tenant, site: dict[str, Any], code: str = CODE) -> dict[str, Any]:
    [one] = [one for one in tenant.get(path_of(site))["items"] if one["feedstock"] == code]
    return one  # type: ignore[no-any-return]


def load(tenant: Tenant, pile: dict[str, Any], hour: float, **more: Any) -> Any:
    body = {"kind": "load", "at": at(hour), "feedstock": CODE} | more
    return tenant.post(f"/v1/piles/{pile['id']}/events", body)


def correct(tenant: Tenant, pile: dict[str, Any], event: dict[str, Any], replacement: Any) -> Any:
    body = {
        "kind": "correct",
        "at": at(50),
        "corrects": event["id"],
        "reason": "x",
        "replacement": replacement,
    }
    return tenant.post(f"/v1/piles/{pile['id']}/events", body)


class TestMovements:
    def test_are_appended_and_add_up(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        move(tenant, site, "delivery", 800, cost=40, spoils_on="2126-05-20")
        move(tenant, site, "use", 100, 1)
        move(tenant, site, "loss", 20.5, 2, note="washed off")
        move(tenant, site, "spoilage", 10, 3)
        last = move(tenant, site, "return", 30, 4)
        assert last["balance_after"] == 699.5
        told = balance(tenant, site)
        assert (told["unit"], told["mass_kg"], told["spoils_next_on"]) == ("kg", 699.5, "2126-05-20")
        assert datetime.fromisoformat(told["oldest_delivery_at"]) == datetime.fromisoformat(at(0))
        assert told["cost_per_kg"] == pytest.approx(0.05)
        items = tenant.get(f"{path_of(site)}/movements")["items"]
        assert [one["kind"] for one in items] == ["delivery", "use", "loss", "spoilage", "return"]
        first = tenant.get(f"{path_of(site)}/movements?limit=2")
        assert len(first["items"]) == 2
        rest = tenant.get(f"{path_of(site)}/movements?after={first['next']}&feedstock={CODE}")
        assert first["items"] + rest["items"] == items

    def test_a_volume_takes_the_newest_density_and_says_which(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        own = tenant.post(
            "/v1/feedstocks",
            {"code": "bedding", "name": "Bedding", "bulk_density_kg_m3": 400, "source": "bucket"},
        )
        body = {"kind": "delivery", "feedstock": "bedding", "at": at(0), "volume_m3": 2}
        made = tenant.post(f"{path_of(site)}/movements", body)
        assert (made["amount"], made["density_kg_m3"], made["density_source"]) == (800, 400, "bucket")
        tenant.post(
            f"/v1/feedstocks/{own['id']}/analyses",
            {"sampled_on": "2026-05-03", "method": "bucket weighed", "bulk_density_kg_m3": 500},
        )
        again = tenant.post(f"{path_of(site)}/movements", body)
        assert (again["amount"], again["density_kg_m3"]) == (1000, 500)
        assert "bucket weighed" in again["density_source"]
        told = balance(tenant, site, "bedding")
        assert (told["mass_kg"], told["volume_m3"]) == (1800, 3.6)

    def test_without_a_density_a_book_is_kept_by_volume(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        tenant.post("/v1/feedstocks", {"code": "prunings", "name": "Prunings"})
        body = {"kind": "delivery", "feedstock": "prunings", "at": at(0), "volume_m3": 1.5}
        tenant.post(f"{path_of(site)}/movements", body)
        told = balance(tenant, site, "prunings")
        assert (told["unit"], told["volume_m3"], told["mass_kg"]) == ("m3", 1.5, None)
        problem = refused(tenant, site, 422, kind="use", feedstock="prunings", mass_kg=20)
        assert problem["errors"][0]["pointer"] == "/volume_m3"
        assert "weigh a bucket" in problem["detail"]

    def test_a_count_sets_the_balance_and_tells_the_difference(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        move(tenant, site, "delivery", 100)
        move(tenant, site, "count", 88, 2)
        stock = tenant.get(path_of(site))
        assert stock["items"][0]["mass_kg"] == 88
        [gap] = stock["discrepancies"]
        assert (gap["kind"], gap["amount"]) == ("count", -12)
        assert move(tenant, site, "delivery", 500, 1)["balance_after"] == 88  # told late; it was counted

    def test_a_mistake_is_withdrawn_and_stays_on_record(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        wrong = move(tenant, site, "delivery", 5000)
        move(tenant, site, "delivery", 500)
        undo = {"kind": "withdraw", "withdraws": wrong["id"], "at": at(1), "note": "typed 5000 for 500"}
        made = tenant.post(f"{path_of(site)}/movements", undo)
        assert made["balance_after"] == 500
        assert len(tenant.get(f"{path_of(site)}/movements")["items"]) == 3
        assert "already" in problem_of(tenant.call("POST", f"{path_of(site)}/movements", undo), 409)["detail"]

    def test_what_is_repeated_with_its_key_is_kept_once(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        body = {"kind": "delivery", "feedstock": CODE, "at": at(0), "mass_kg": 100}
        answers = [
            tenant.call("POST", f"{path_of(site)}/movements", body, Idempotency_Key="monday")
            for _ in range(3)
        ]
        assert {answer.status_code for answer in answers} == {201}
        assert len({answer.json()["id"] for answer in answers}) == 1
        assert balance(tenant, site)["mass_kg"] == 100

    def test_more_than_there_is_cannot_be_taken(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        move(tenant, site, "delivery", 100)
        problem = refused(tenant, site, 409, kind="use", mass_kg=100.001)
        assert "0.001 kg more" in problem["detail"]
        assert "record the missing delivery first, or count" in problem["detail"]
        assert balance(tenant, site)["mass_kg"] == 100
        assert move(tenant, site, "use", 100, 1)["balance_after"] == 0

    def test_a_use_told_late_must_not_take_what_was_used_since(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        move(tenant, site, "delivery", 100)
        move(tenant, site, "use", 80, 2)
        assert "10 kg more" in refused(tenant, site, 409, kind="loss", mass_kg=30)["detail"]

    def test_of_a_feedstock_no_book_is_kept_of(self, tenant: Tenant) -> None:
        problem = refused(tenant, a_site(tenant), 409, kind="use", mass_kg=1)
        assert "record a delivery or a count" in problem["detail"]

    @pytest.mark.parametrize(
        ("change", "pointer", "said"),
        [
            ({"mass_kg": -1}, "/mass_kg", "greater than or equal to 0"),
            ({"mass_kg": 0}, "", "less than a gram"),
            ({"mass_kg": 1e300}, "/mass_kg", "less than or equal"),
            ({"mass_kg": None}, "", "give mass_kg or volume_m3"),
            ({"volume_m3": "2"}, "/volume_m3", "number"),
            ({"feedstock": "horse-manur"}, "/feedstock", "did you mean horse-manure"),
            ({"at": "2150-05-04T09:00:00Z"}, "/at", "has not come yet"),
            ({"at": "2026-05-04T09:00:00"}, "/at", "offset"),
            ({"kind": "gift"}, "", "delivery"),
            ({"cost": -1}, "/cost", "greater than or equal to 0"),
            ({"spoils_on": "2026-05-04"}, "/spoils_on", "is not after the day it came"),
            ({"bulk_density_kg_m3": 0}, "/bulk_density_kg_m3", "greater than 0"),
            ({"bay_id": "x"}, "/bay_id", "not a known field"),
        ],
        ids=str,
    )
    def test_names_what_cannot_be(
        self, tenant: Tenant, change: dict[str, Any], pointer: str, said: str
    ) -> None:
        site = a_site(tenant)
        problem = refused(tenant, site, 422, **({"kind": "delivery", "mass_kg": 10} | change))
        [error] = problem["errors"]
        assert error["pointer"] == pointer
        assert said in error["detail"]
        assert tenant.get(path_of(site))["items"] == []

    @pytest.mark.parametrize("withdraws", [NO_ONE, "a withdrawal", "a load", "another site's"])
    def test_what_cannot_be_withdrawn(self, tenant: Tenant, withdraws: str) -> None:
        site = a_site(tenant)
        first = move(tenant, site, "delivery", 100)
        undone = tenant.post(
            f"{path_of(site)}/movements",
            {"kind": "withdraw", "withdraws": first["id"], "at": at(1), "note": "x"},
        )
        move(tenant, site, "delivery", 100)
        load(tenant, a_pile(tenant, site["id"]), 2, mass_kg=10)
        [used] = [one for one in tenant.get(f"{path_of(site)}/movements")["items"] if one["kind"] == "use"]
        elsewhere = move(tenant, a_site(tenant), "delivery", 1)
        which = {"a withdrawal": undone, "a load": used, "another site's": elsewhere}
        named = which[withdraws]["id"] if withdraws in which else withdraws
        problem = refused_withdrawal(tenant, site, named)
        assert problem["errors"][0]["pointer"] == "/withdraws"


def refused_withdrawal(tenant: Tenant, site: dict[str, Any], named: str) -> dict[str, Any]:
    body = {"kind": "withdraw", "withdraws": named, "at": at(1), "note": "x"}
    return problem_of(tenant.call("POST", f"{path_of(site)}/movements", body), 422)


class TestLoads:
    def test_take_from_the_stock_by_themselves(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        move(tenant, site, "delivery", 500)
        told = load(tenant, a_pile(tenant, site["id"]), 1, mass_kg=120)
        assert told["stock"] == [f"120 kg taken from the stock of '{CODE}'; 380 kg left."]
        assert balance(tenant, site)["mass_kg"] == 380
        [_, used] = tenant.get(f"{path_of(site)}/movements")["items"]
        assert (used["kind"], used["amount"], used["pile_event_id"]) == ("use", 120, told["id"])

    def test_are_kept_when_greater_than_the_balance_and_the_gap_is_told(self, tenant: Tenant) -> None:
        site, pile = a_site(tenant), None
        pile = a_pile(tenant, site["id"])
        move(tenant, site, "delivery", 30)
        told = load(tenant, pile, 2, mass_kg=100)
        assert "70 kg more than the book had" in told["stock"][1]
        assert [one["details"]["mass_kg"] for one in events(tenant, pile)] == [100]
        stock = tenant.get(path_of(site))
        assert stock["items"][0]["mass_kg"] == 0
        [gap] = stock["discrepancies"]
        assert (gap["kind"], gap["amount"]) == ("short", 70)
        assert move(tenant, site, "delivery", 80, 1)["balance_after"] == 10
        assert tenant.get(path_of(site))["discrepancies"] == []

    def test_their_corrections_give_back(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        pile = a_pile(tenant, site["id"])
        move(tenant, site, "delivery", 500)
        move(tenant, site, "delivery", 200, feedstock="leaves")
        first = load(tenant, pile, 1, mass_kg=120)
        less = {"kind": "load", "at": at(1), "feedstock": CODE, "mass_kg": 20}
        assert correct(tenant, pile, first, less)["stock"][0].startswith("20 kg taken")
        assert balance(tenant, site)["mass_kg"] == 480
        correct(tenant, pile, first, less | {"feedstock": "leaves"})
        assert (balance(tenant, site)["mass_kg"], balance(tenant, site, "leaves")["mass_kg"]) == (500, 180)
        assert correct(tenant, pile, first, None)["stock"] == []
        assert balance(tenant, site, "leaves")["mass_kg"] == 200
        correct(tenant, pile, first, less | {"mass_kg": 700})
        stock = tenant.get(path_of(site))
        assert [one["amount"] for one in stock["discrepancies"]] == [200]
        correct(tenant, pile, first, {"kind": "turn", "at": at(1)})
        assert balance(tenant, site)["mass_kg"] == 500
        assert tenant.get(path_of(site))["discrepancies"] == []

    def test_a_correction_of_the_note_alone_moves_nothing(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        pile = a_pile(tenant, site["id"])
        move(tenant, site, "delivery", 500)
        first = load(tenant, pile, 1, mass_kg=120)
        correct(
            tenant, pile, first, {"kind": "load", "at": at(1), "feedstock": CODE, "mass_kg": 120, "note": "y"}
        )
        assert len(tenant.get(f"{path_of(site)}/movements")["items"]) == 2

    def test_where_no_stock_is_kept_nobody_is_bothered(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        move(tenant, site, "delivery", 500, 10)
        pile = a_pile(tenant, site["id"])
        assert load(tenant, pile, 11, feedstock="leaves", mass_kg=10)["stock"] == []
        assert load(tenant, a_pile(tenant), 11, mass_kg=10)["stock"] == []
        assert load(tenant, pile, 11, feedstock=None, material="odds and ends")["stock"] == []
        assert "before the book's first entry" in load(tenant, pile, 9, mass_kg=10)["stock"][0]
        assert "give mass_kg or volume_m3; then correct the load" in load(tenant, pile, 11)["stock"][0]
        assert balance(tenant, site)["mass_kg"] == 500

    def test_by_volume(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        move(tenant, site, "delivery", 500)
        density = balance(tenant, site)["density_kg_m3"]
        load(tenant, a_pile(tenant, site["id"]), 1, volume_m3=0.1)
        assert balance(tenant, site)["mass_kg"] == pytest.approx(500 - 0.1 * density)


def events(tenant: Tenant, pile: dict[str, Any]) -> list[dict[str, Any]]:
    return tenant.get(f"/v1/piles/{pile['id']}/events")["items"]  # type: ignore[no-any-return]


class TestOutlook:
    def asked(self, tenant: Tenant, site: dict[str, Any], days: int, recipe: str, **more: Any) -> Any:
        on = datetime.now(ZONE).date() + timedelta(days=days)
        query = "".join(f"&{name}={value}" for name, value in more.items())
        return tenant.call("GET", f"{path_of(site)}/outlook?recipe_id={recipe}&on={on}{query}")

    @pytest.fixture
    def recipe(self, tenant: Tenant) -> str:
        ingredients = [{"feedstock": CODE, "mass_kg": 400}, {"feedstock": "leaves", "mass_kg": 100}]
        made = tenant.post("/v1/recipes", {"name": f"mix {uuid.uuid4()}", "ingredients": ingredients})
        return str(made["id"])

    def weekly(self, tenant: Tenant, site: dict[str, Any], kg: float, **more: Any) -> None:
        for week in range(10, 0, -1):
            came = datetime.now(UTC) - timedelta(days=7 * week - 1)
            move(tenant, site, "delivery", kg, **({"at": came.isoformat()} | more))

    def test_says_what_is_missing_and_when_there_is_enough(self, tenant: Tenant, recipe: str) -> None:
        site = a_site(tenant)
        self.weekly(tenant, site, 50)
        move(tenant, site, "count", 250, at=(datetime.now(UTC) - timedelta(hours=1)).isoformat())
        move(tenant, site, "delivery", 500, feedstock="leaves")
        soon, later = (self.asked(tenant, site, days, recipe).json() for days in (8, 60))
        assert (soon["verdict"], later["verdict"]) == ("unlikely", "likely")
        manure, leaves = soon["items"]
        assert (manure["at_hand"], manure["missing"], leaves["verdict"]) == (250, 150, "enough")
        assert manure["arrives_low"] <= manure["arrives_likely"] <= manure["arrives_high"]
        days = (date.fromisoformat(manure["enough_likely"]) - date.fromisoformat(soon["today"])).days
        assert 14 <= days <= 21
        assert "same weeks last year" in soon["cautions"][0]

    def test_what_spoils_before_is_not_counted(self, tenant: Tenant, recipe: str) -> None:
        site = a_site(tenant)
        spoils = datetime.now(ZONE).date() + timedelta(days=3)
        move(tenant, site, "delivery", 500, spoils_on=spoils.isoformat())
        move(tenant, site, "delivery", 500, feedstock="leaves")
        assert self.asked(tenant, site, 2, recipe).json()["verdict"] == "enough"
        [manure, _] = self.asked(tenant, site, 3, recipe).json()["items"]
        assert (manure["at_hand"], manure["spoiled_by_then"], manure["verdict"]) == (0, 500, "unknown")

    def test_no_book_is_unknown_and_not_nothing(self, tenant: Tenant, recipe: str) -> None:
        told = self.asked(tenant, a_site(tenant), 5, recipe).json()
        assert told["verdict"] == "unknown"
        assert {one["at_hand"] for one in told["items"]} == {None}

    def test_scales_to_a_volume(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        ingredients = [
            {"feedstock": CODE, "mass_kg": 400},
            {"feedstock": "leaves-compacted-moist", "mass_kg": 100},
        ]
        recipe = tenant.post("/v1/recipes", {"name": "measured", "ingredients": ingredients})["id"]
        whole = tenant.get(f"/v1/recipes/{recipe}")["evaluation"]["volume_m3"]
        told = self.asked(tenant, site, 5, recipe, volume_m3=whole / 2).json()
        assert [one["needed"] for one in told["items"]] == pytest.approx([200, 50])

    def test_names_what_cannot_be(self, tenant: Tenant, other: Tenant, recipe: str) -> None:
        site = a_site(tenant)
        assert "today" in problem_of(self.asked(tenant, site, -1, recipe), 422)["detail"]
        assert "year ahead" in problem_of(self.asked(tenant, site, 400, recipe), 422)["detail"]
        assert "no recipe" in problem_of(self.asked(tenant, site, 5, NO_ONE), 422)["detail"]
        problem_of(self.asked(tenant, site, 5, recipe, volume_m3=0), 422)
        problem_of(self.asked(other, site, 5, recipe), 404)


class TestAKeyForOneSite:
    def test_keeps_its_own_stock_and_no_other(self, tenant: Tenant) -> None:
        mine, theirs = a_site(tenant), a_site(tenant)
        key = tenant.key_for("read", "write", site_id=mine["id"])
        body = {"kind": "delivery", "feedstock": CODE, "at": at(0), "mass_kg": 10}
        tenant.post(f"{path_of(mine)}/movements", body, key=key)
        for method, path in (("POST", "/movements"), ("GET", "/movements"), ("GET", "")):
            answer = tenant.call(method, path_of(theirs) + path, body if method == "POST" else None, key=key)
            problem_of(answer, 404)
        assert tenant.get(path_of(theirs))["items"] == []


ASKED = {
    "ingredients": [{"feedstock": CODE}, {"feedstock": "leaves-compacted-moist"}],
    "targets": {"moisture_pct": {"min": 50, "max": 70}},
    "amount": {"mass_kg": 300},
    "allow_water": True,
    "stock": True,
}


class TestSolvingWithinStock:
    def test_no_more_than_there_is(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        move(tenant, site, "delivery", 120)
        move(tenant, site, "delivery", 500, 1, spoils_on="2026-05-10")  # long gone by now
        told = tenant.post("/v1/recipes/solve", ASKED | {"site_id": site["id"]})
        assert told["state"] == "solved"
        manure = next(one for one in told["recipe"]["ingredients"] if one["name"].lower().startswith("horse"))
        assert manure["mass_kg"] <= 120 + 1e-6

    def test_what_is_missing_is_told_as_the_conflict(self, tenant: Tenant) -> None:
        site = a_site(tenant)
        move(tenant, site, "delivery", 20)
        move(tenant, site, "delivery", 30, feedstock="leaves-compacted-moist")
        asked = ASKED | {"site_id": site["id"], "allow_water": False}
        told = tenant.post("/v1/recipes/solve", asked)
        assert told["state"] == "infeasible"
        assert told["nearest"]["recipe"]["mass_kg"] == pytest.approx(50)

    def test_names_what_cannot_be(self, tenant: Tenant, other: Tenant) -> None:
        site = a_site(tenant)
        for tried, change, pointer in (
            (tenant, {}, "/site_id"),
            (other, {"site_id": site["id"]}, "/site_id"),
            (tenant, {"site_id": site["id"], "ingredients": [{"feedstock": CODE}] * 2}, "/ingredients"),
        ):
            problem = problem_of(tried.call("POST", "/v1/recipes/solve", ASKED | change), 422)
            assert problem["errors"][0]["pointer"] == pointer
