"""The same readings from several gateways at once, through two services: each is kept once, and told truly."""

import json
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from functools import partial
from typing import Any

import httpx
import psycopg
import pytest

from tests.concurrency.conftest import Pair
from tests.concurrency.gateways import (
    PROBES,
    STRANGER,
    Gateway,
    Target,
    make_key,
    must_be_whole,
    reading,
    register,
)
from tests.concurrency.nursery import Nursery
from tests.conftest import Urls

AT_ONCE = 8
TOLD = ("stored", "duplicate", "held", "disputed", "refused_count")


def told(answer: Any) -> dict[str, int]:
    assert answer.status_code == 200, answer.text
    body = answer.json()
    return {name: body[name] for name in TOLD if body[name]}


def at_once(pair: Pair, key: str, bags: Sequence[Any]) -> list[Any]:
    """Send each bag from a gateway of its own, all in the same instant; return the answers."""
    with ExitStack() as stack:
        clients = [stack.enter_context(pair.client(number, key)) for number in range(len(bags))]
        for client in clients:
            assert client.get("/livez").status_code == 200  # the connection stands, the key is not asked yet
        return together(
            [partial(c.post, "/v1/readings", json=b) for c, b in zip(clients, bags, strict=False)]
        )


def together(calls: Sequence[Callable[[], Any]]) -> list[Any]:
    """Make calls at once, each in a thread; return what they return."""
    barrier, results = threading.Barrier(len(calls)), [None] * len(calls)

    def run(place: int) -> None:
        barrier.wait()
        results[place] = calls[place]()

    threads = [threading.Thread(target=run, args=(place,)) for place in range(len(calls))]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return results


def readings(numbers: Sequence[int], probe: str | None = None, **overrides: Any) -> dict[str, Any]:
    return {"readings": [reading(number, probe or PROBES[number % 4], **overrides) for number in numbers]}


def in_force(pair: Pair, key: str) -> dict[int, list[float]]:
    """Return the values of an organisation's readings that are in force, by second."""
    return _rows(pair, key, "reading")


def _rows(pair: Pair, key: str, table: str) -> dict[int, list[float]]:
    found: dict[int, list[float]] = {}
    with psycopg.connect(pair.urls.owner.replace("postgresql+psycopg", "postgresql")) as connection:
        for second, value in connection.execute(
            f"select extract(epoch from observed_at - '2026-01-01Z'::timestamptz)::int8, value from {table}"
            " where organisation_id = %s order by value",
            (int(key.split("_")[1], 16),),
        ):
            found.setdefault(second, []).append(value)
    return found


@pytest.fixture
def key(pair: Pair) -> str:
    made = pair.new_organisation()
    register(pair.address(0), made)
    return made


@pytest.mark.parametrize("size", [1, 16, 17, 400])
def test_the_same_bag_at_once_is_kept_once(pair: Pair, key: str, size: int) -> None:
    for turn in range(5):
        numbers = range(turn * size, (turn + 1) * size)
        answers = at_once(pair, key, [readings(numbers)] * AT_ONCE)
        total = sum((Counter(told(answer)) for answer in answers), Counter())
        assert total == {"stored": size, "duplicate": (AT_ONCE - 1) * size}
    assert len(in_force(pair, key)) == 5 * size
    assert all(len(values) == 1 for values in in_force(pair, key).values())


def test_the_same_bag_ten_times(pair: Pair, key: str) -> None:
    bag = readings(range(150))
    with pair.client(0, key) as client, pair.client(1, key) as other:
        first = told(client.post("/v1/readings", json=bag))
        rest = [told((client, other)[turn % 2].post("/v1/readings", json=bag)) for turn in range(9)]
    assert first == {"stored": 150}
    assert rest == [{"duplicate": 150}] * 9
    assert len(in_force(pair, key)) == 150


@pytest.mark.parametrize("padding", [0, 40], ids=["small", "large"])
@pytest.mark.parametrize("known_before", [False, True])
def test_one_bag_with_the_same_instant_again_and_again(
    pair: Pair, key: str, padding: int, *, known_before: bool
) -> None:
    """The first in the bag is in force; the same value again is a duplicate, another is disputed."""
    items = [
        reading(0, PROBES[0], value=value) for value in (61.5, 61.5, 20.25, 61.5, 30.0, 20.25)
    ] + readings(range(1, padding + 1))["readings"]
    with pair.client(0, key) as client:
        if known_before:
            assert told(client.post("/v1/readings", json=readings([0], PROBES[0], value=61.5))) == {
                "stored": 1
            }
        answer = client.post("/v1/readings", json={"readings": items})
        again = client.post("/v1/readings", json={"readings": items})
    new = padding if known_before else padding + 1
    assert Counter(told(answer)) == Counter(stored=new, duplicate=padding + 3 - new, disputed=3)
    assert [(one["index"], one["value_in_force"]) for one in answer.json()["disputes"]] == [
        (2, 61.5), (4, 61.5), (5, 61.5),
    ]  # fmt: skip
    assert told(again) == {"duplicate": padding + 3, "disputed": 3}
    assert in_force(pair, key)[0] == [61.5]
    assert _rows(pair, key, "disputed_reading") == {0: [20.25, 30.0]}


def test_values_that_differ_race_and_one_is_in_force(pair: Pair, key: str) -> None:
    """Whoever is told 'stored' is the one in force; every other is told which one that is."""
    for turn in range(10):
        numbers = range(turn * 60, turn * 60 + 60)
        values = [50 + place / 4 for place in range(AT_ONCE)]
        answers = at_once(pair, key, [readings(numbers, value=value) for value in values])
        standing = in_force(pair, key)
        assert all(len(standing[number]) == 1 for number in numbers)
        for value, answer in zip(values, answers, strict=True):
            won = [place for place, number in enumerate(numbers) if standing[number] == [value]]
            lost = [place for place, number in enumerate(numbers) if standing[number] != [value]]
            assert told(answer) == {
                name: len(places) for name, places in (("stored", won), ("disputed", lost)) if places
            }
            assert [(one["index"], one["value_in_force"]) for one in answer.json()["disputes"]] == [
                (place, standing[numbers[place]][0]) for place in lost
            ]
    disputed = _rows(pair, key, "disputed_reading")
    assert len(disputed) == 600
    assert all(len(of_one) == AT_ONCE - 1 for of_one in disputed.values())


def test_what_is_new_repeated_unknown_or_mixed_shares_commits_and_is_told_truly(pair: Pair) -> None:
    """In a new organisation each time: there the quicker insert is tried, and one repeat undoes it for all."""
    for _ in range(12):
        key = pair.new_organisation()
        register(pair.address(0), key)
        with pair.client(0, key) as client:
            assert told(client.post("/v1/readings", json=readings(range(10)))) == {"stored": 10}
        bags = [
            readings(range(10)),
            readings(range(20, 30)),
            readings(range(5, 15)),
            readings(range(10), STRANGER),
            {"readings": readings(range(40, 45))["readings"] + readings(range(5), STRANGER)["readings"]},
            {"readings": readings(range(3))["readings"] + readings(range(60, 63), STRANGER)["readings"]},
            *(readings([number]) for number in range(100, 120)),
        ]
        answers = [told(answer) for answer in at_once(pair, key, bags)]
        assert answers[:6] == [
            {"duplicate": 10},
            {"stored": 10},
            {"stored": 5, "duplicate": 5},
            {"held": 10},
            {"stored": 5, "held": 5},
            {"duplicate": 3, "held": 3},
        ]
        assert answers[6:] == [{"stored": 1}] * 20
        expected = {*range(15), *range(20, 30), *range(40, 45), *range(100, 120)}
        assert in_force(pair, key) == {n: [reading(n)["value"]] for n in expected}
        assert set(_rows(pair, key, "held_reading")) == {*range(10), 60, 61, 62}


def test_a_probe_registered_while_its_readings_arrive(pair: Pair) -> None:
    """Each reading is held and adopted, or kept at once; none falls between."""
    for turn in range(8):
        key = pair.new_organisation()
        register(pair.address(0), key)
        bags = [readings(range(n * 10, n * 10 + 10), STRANGER) for n in range(12)]
        with ExitStack() as stack:
            clients = [stack.enter_context(pair.client(number, key)) for number in range(len(bags) + 1)]

            def registered(client: httpx.Client = clients[-1], turn: int = turn) -> Any:
                time.sleep(turn * 0.004)
                return client.post("/v1/probes", json={"serial": STRANGER})

            calls = [partial(c.post, "/v1/readings", json=b) for c, b in zip(clients, bags, strict=False)]
            *answers, made = together([*calls, registered])
        assert made.status_code == 201
        total = sum((Counter(told(answer)) for answer in answers), Counter())
        assert total["stored"] + total["held"] == 120
        assert in_force(pair, key) == {n: [reading(n)["value"]] for n in range(120)}
        assert _rows(pair, key, "held_reading") == {}


def test_one_stream_twice_at_once_is_kept_once(pair: Pair, key: str) -> None:
    """A gateway that believes its connection dead sends the stream again while the first is still taken."""
    for turn in range(6):
        items = readings(range(turn * 300, turn * 300 + 300))["readings"]
        lines = "".join(f"{json.dumps(one)}\n" for one in items)
        headers = {"Content-Type": "application/x-ndjson", "Idempotency-Key": f"march-{turn}"}
        with ExitStack() as stack:
            clients = [stack.enter_context(pair.client(number, key)) for number in range(4)]
            answers = together(
                [partial(client.post, "/v1/readings", content=lines, headers=headers) for client in clients]
            )
            assert [answer.status_code for answer in answers] == [200] * 4, [a.text for a in answers]
            assert sum(answer.json()["stored"] for answer in answers) == 300
            far = clients[0].get(f"/v1/readings/streams/march-{turn}").json()
        assert far["committed_bytes"] == len(lines)
    assert len(in_force(pair, key)) == 1800


def test_connections_cut_while_old_and_new_readings_cross(fresh: Urls, nursery: Nursery) -> None:
    """The server ends every session of the service, in whatever it is at: also between a repeat and its second try."""
    key, environment = make_key(fresh), {"DATABASE_URL": fresh.service}
    with (
        nursery.serving(environment, "--no-migrate", "--no-work") as served,
        psycopg.connect(fresh.owner.replace("postgresql+psycopg", "postgresql"), autocommit=True) as owner,
    ):
        register(served.base_url, key)
        target = Target(served.port)
        target.going.set()
        sending = [Gateway(target, key, number) for number in range(4)]
        for gateway in sending:
            gateway.start()
        for cut in range(60):
            time.sleep(0.01 + 0.003 * (cut % 10))
            owner.execute(
                "select pg_terminate_backend(pid) from pg_stat_activity"
                " where datname = current_database() and pid <> pg_backend_pid()"
            )
        target.is_over = True
        for gateway in sending:
            gateway.join(120)
        assert target.statuses[200]
        assert set(target.statuses) <= {200, 503}
        must_be_whole(fresh, target)


NOP = "us-nop-windrow"
"""7 CFR 205.203(c)(2)(iii): between 131 and 170 degF for 15 days, turned a minimum of five times."""


def test_newest_first_gives_the_verdict_of_oldest_first(pair: Pair) -> None:
    """Eighteen days of a windrow, every bag of one pile sent in the opposite order of the other's."""
    key = pair.new_organisation()
    verdicts = []
    with pair.client(0, key) as client:
        site = client.post("/v1/sites", json={"name": "yard", "time_zone": "America/Chicago"}).json()
        for pile, is_reversed in (("old-first", False), ("new-first", True)):
            pile_id = _windrow(client, site["id"], pile)
            items = [reading(hour * 3600, pile, value=57.0 + hour % 5) for hour in range(0, 18 * 24, 2)]
            bags = [items[start : start + 25] for start in range(0, len(items), 25)]
            if is_reversed:
                bags = [bag[::-1] for bag in bags[::-1]]
            stored = sum(told(client.post("/v1/readings", json={"readings": bag}))["stored"] for bag in bags)
            assert stored == len(items)
            answer = client.get(f"/v1/piles/{pile_id}/compliance")
            assert answer.status_code == 200, answer.text
            (verdict,) = answer.json()["items"]
            verdicts.append({name: verdict[name] for name in verdict if name != "judged_at"})
    assert verdicts[0] == verdicts[1]
    assert verdicts[0]["held_days"] >= verdicts[0]["required_days"] == 15
    assert verdicts[0]["turns_counted"] == 6


def _windrow(client: httpx.Client, site_id: str, label: str) -> str:
    body = {"site_id": site_id, "label": label, "built_at": reading(0)["observed_at"], "rules": [NOP]}
    pile = client.post("/v1/piles", json=body).json()
    probe = client.post("/v1/probes", json={"serial": label}).json()
    placed = client.post(
        f"/v1/probes/{probe['id']}/placements",
        json={"pile_id": pile["id"], "position": "core-1", "from": reading(0)["observed_at"]},
    )
    assert placed.status_code == 201, placed.text
    for day in (2, 5, 8, 11, 14, 16):
        turned = client.post(
            f"/v1/piles/{pile['id']}/events",
            json={"kind": "turn", "at": reading(day * 86400 + 1)["observed_at"]},
        )
        assert turned.status_code == 201, turned.text
    return str(pile["id"])
