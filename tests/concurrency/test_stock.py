"""Many take from one heap at once: nobody takes what another took, and the balance is what the movements add up to."""

import threading
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID, uuid4

import psycopg
import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, Database, connect_engine
from tests.concurrency.gateways import make_key
from tests.concurrency.locks import owner_of
from tests.conftest import Urls

AT_ONCE = 10
START = datetime(2026, 5, 4, 14, tzinfo=UTC)
CODE, OTHER = "horse-manure", "leaves"


@pytest.fixture
def client(fresh: Urls) -> Iterator[TestClient]:
    """The service on a database of its own, with real commits and a connection for each thread."""
    database = Database(connect_engine(fresh.service, role=SERVICE_ROLE))
    app = create_app(Settings(key_cache_s=60, posts_per_minute=0), database=database)
    key = make_key(fresh, uuid4().hex)
    with TestClient(app, raise_server_exceptions=False, headers={"Authorization": f"Bearer {key}"}) as opened:
        yield opened
    database.close()


def a_site(client: TestClient) -> str:
    return str(client.post("/v1/sites", json={"name": uuid4().hex, "time_zone": "UTC"}).json()["id"])


def a_pile(client: TestClient, site: str) -> str:
    return str(client.post("/v1/piles", json={"site_id": site, "label": uuid4().hex}).json()["id"])


def movement(kind: str, kg: float, code: str = CODE, hour: float = 1) -> dict[str, Any]:
    at = (START + timedelta(hours=hour)).isoformat()
    return {"kind": kind, "feedstock": code, "at": at, "mass_kg": kg}


def at_once(client: TestClient, posts: Sequence[tuple[str, dict[str, Any], str | None]]) -> list[int]:
    """Send every body in a thread of its own, in rounds as wide as ``AT_ONCE``; return the statuses."""
    statuses: list[int] = [0] * len(posts)
    barrier = threading.Barrier(AT_ONCE)

    def run(first: int) -> None:
        barrier.wait()
        for place in range(first, len(posts), AT_ONCE):
            path, body, key = posts[place]
            headers = {} if key is None else {"Idempotency-Key": key}
            statuses[place] = client.post(path, json=body, headers=headers).status_code

    threads = [threading.Thread(target=run, args=(first,)) for first in range(AT_ONCE)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return statuses


def kept(urls: Urls, site: str) -> tuple[dict[str, Decimal], dict[str, list[tuple[str, Decimal, Decimal]]]]:
    """Return the balances and the movements as they stand in the tables."""
    with owner_of(urls) as owner:
        balances = dict(
            owner.execute(
                "select feedstock, balance from stock_balance where site_id = %s", (UUID(site),)
            ).fetchall()
        )
        moved: dict[str, list[tuple[str, Decimal, Decimal]]] = {}
        for code, *rest in owner.execute(
            "select feedstock, kind, amount, short from stock_movement m where site_id = %s and kind <> 'withdraw'"
            " and not exists (select from stock_movement w where w.withdraws = m.id)",
            (UUID(site),),
        ).fetchall():
            moved.setdefault(code, []).append(tuple(rest))
    return balances, moved


def test_of_twenty_who_take_the_last_barrows_as_many_succeed_as_there_are(
    client: TestClient, fresh: Urls
) -> None:
    site = a_site(client)
    path = f"/v1/sites/{site}/stock/movements"
    assert client.post(path, json=movement("delivery", 100, hour=0)).status_code == 201
    statuses = at_once(client, [(path, movement("use", 8), None)] * 20)
    assert sorted(statuses) == [201] * 12 + [409] * 8
    balances, moved = kept(fresh, site)
    assert balances == {CODE: Decimal(4)}
    assert len(moved[CODE]) == 13


def test_deliveries_uses_and_loads_at_once_add_up(client: TestClient, fresh: Urls) -> None:
    """Loads of two feedstocks each, in both orders, beside deliveries and uses: no deadlock, nothing lost."""
    site = a_site(client)
    path = f"/v1/sites/{site}/stock/movements"
    for code in (CODE, OTHER):
        client.post(path, json=movement("delivery", 50, code, hour=0))
    posts: list[tuple[str, dict[str, Any], str | None]] = []
    for turn in range(8):
        events = f"/v1/piles/{a_pile(client, site)}/events"
        codes = (CODE, OTHER) if turn % 2 else (OTHER, CODE)
        posts += [(events, movement("load", 10, code, hour=2), None) for code in codes]
        posts += [(path, movement("delivery", 7, code), None) for code in codes[::-1]]
        posts += [(path, movement("use", 3, code, hour=3), None) for code in codes]
    statuses = at_once(client, posts)
    assert set(statuses) <= {201, 409}
    # Only a use of its own can be refused: what came and what went onto a pile happened.
    assert all(
        status == 201 for (_, body, _), status in zip(posts, statuses, strict=True) if body["kind"] != "use"
    )
    balances, moved = kept(fresh, site)
    shown = {one["feedstock"]: one for one in client.get(f"/v1/sites/{site}/stock").json()["items"]}
    for code in (CODE, OTHER):
        came = sum(amount for kind, amount, _ in moved[code] if kind == "delivery")
        went = sum(amount for kind, amount, _ in moved[code] if kind == "use")
        assert came == 50 + 8 * 7
        assert balances[code] == came - went >= 0
        assert shown[code]["mass_kg"] == float(balances[code])


def test_loads_beyond_the_balance_at_once_are_all_kept(client: TestClient, fresh: Urls) -> None:
    site = a_site(client)
    client.post(f"/v1/sites/{site}/stock/movements", json=movement("delivery", 35, hour=0))
    events = [f"/v1/piles/{a_pile(client, site)}/events" for _ in range(AT_ONCE)]
    assert at_once(client, [(path, movement("load", 10), None) for path in events]) == [201] * AT_ONCE
    balances, moved = kept(fresh, site)
    assert balances == {CODE: Decimal(0)}
    assert sum(amount for kind, amount, _ in moved[CODE] if kind == "use") == 100
    [*gaps] = client.get(f"/v1/sites/{site}/stock").json()["discrepancies"]
    assert sum(gap["amount"] for gap in gaps) == 65


def test_corrections_of_one_load_at_once_give_back_once(client: TestClient, fresh: Urls) -> None:
    site = a_site(client)
    client.post(f"/v1/sites/{site}/stock/movements", json=movement("delivery", 100, hour=0))
    path = f"/v1/piles/{a_pile(client, site)}/events"
    load = client.post(path, json=movement("load", 40)).json()
    correction = {
        "kind": "correct", "at": movement("load", 1)["at"], "corrects": load["id"], "reason": "x", "replacement": None,
    }  # fmt: skip
    assert at_once(client, [(path, correction, None)] * AT_ONCE) == [201] * AT_ONCE
    assert kept(fresh, site)[0] == {CODE: Decimal(100)}


def test_one_key_at_once_takes_once(client: TestClient, fresh: Urls) -> None:
    site = a_site(client)
    path = f"/v1/sites/{site}/stock/movements"
    client.post(path, json=movement("delivery", 100, hour=0))
    assert at_once(client, [(path, movement("use", 60), "once")] * AT_ONCE) == [201] * AT_ONCE
    assert kept(fresh, site)[0] == {CODE: Decimal(40)}


def test_a_book_begun_by_many_at_once_is_one(client: TestClient, fresh: Urls) -> None:
    site = a_site(client)
    path = f"/v1/sites/{site}/stock/movements"
    assert at_once(client, [(path, movement("delivery", 1), None)] * AT_ONCE) == [201] * AT_ONCE
    assert kept(fresh, site)[0] == {CODE: Decimal(AT_ONCE)}


def test_the_record_itself_refuses_less_than_nothing(client: TestClient, fresh: Urls) -> None:
    site = a_site(client)
    client.post(f"/v1/sites/{site}/stock/movements", json=movement("delivery", 1, hour=0))
    with owner_of(fresh) as owner, pytest.raises(psycopg.errors.CheckViolation, match="never_negative"):
        owner.execute("update stock_balance set balance = -0.001 where site_id = %s", (UUID(site),))
