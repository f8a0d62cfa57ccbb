"""The programs in ``openapi-examples``, run as a gateway maker would, against the running service."""

import json
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from service.domain.authority import Scope
from service.operations import organisations
from service.storage.database import STEWARD_ROLE, Database, connect_engine
from tests import live
from tests.conftest import Urls
from tests.examples.processes import program

BUILT = (datetime.now(UTC) - timedelta(days=20)).replace(minute=0, second=0, microsecond=0)


def run(program: str, *arguments: str, expect: int = 0, given: str | None = None) -> str:
    done = subprocess.run(
        [sys.executable, str(live.TOP / "openapi-examples" / program), *arguments],
        input=given,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == expect, done.stderr
    return done.stdout if expect == 0 else done.stderr


@pytest.fixture
def service(fresh: Urls) -> Iterator[tuple[str, str]]:
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    key = organisations.create_key(steward, "examples", name="x", scopes=frozenset(Scope)).token
    steward.close()
    with live.serving({"DATABASE_URL": fresh.service}, "--no-migrate") as served:
        yield served.base_url, key


def record(buffer: Path, many: int = 1000) -> None:
    """Half-hourly, a thousand for a little over twenty days: two days of heating, then 60 °C and a little more."""
    lines = [
        json.dumps(
            {
                "probe": "PR-0042",
                "observed_at": (BUILT + timedelta(minutes=28 * number)).isoformat(),
                "quantity": "temperature",
                "value": round(min(60.0, 20 + number * 0.4) + number % 3 / 10, 1),
                "unit": "Cel",
            }
        )
        for number in range(many)
    ]
    answered = run("gateway.py", str(buffer), "--record", given="\n".join(lines[::-1]))
    assert len(answered.split()) == many


DRAINED = {"waiting": 0, "set_aside": 0}


def test_a_thousand_readings_change_status_and_verdict(service: tuple[str, str], tmp_path: Path) -> None:
    url, key = service
    to_service = ("--url", url, "--key", key)
    ids = json.loads(run("register_pile.py", *to_service, "--built-at", BUILT.isoformat()))
    again = json.loads(run("register_pile.py", *to_service, "--built-at", BUILT.isoformat()))
    assert again == ids, "run twice, nothing is made twice"
    pile = f"/v1/piles/{ids['pile_id']}"
    with httpx.Client(base_url=url, headers={"Authorization": f"Bearer {key}"}) as client:
        before = client.get(f"{pile}/status").json()
        assert before["hottest"] is None
        assert before["verdicts"][0]["state"] == "cannot_judge"

        buffer = tmp_path / "buffer.db"
        record(buffer)
        assert json.loads(run("gateway.py", str(buffer), "--drain", *to_service)) == DRAINED

        hot = client.get(f"{pile}/status").json()
        assert hot["stage"] == "hot"
        assert hot["hottest"]["temperature_c"] == 60.0
        (verdict,) = hot["verdicts"]
        assert (verdict["state"], verdict["turns_counted"]) == ("under_way", 0)
        assert verdict["held_days"] > 15

        for day in (4, 7, 10, 13, 16):
            turn = {"kind": "turn", "at": (BUILT + timedelta(days=day)).isoformat()}
            assert client.post(f"{pile}/events", json=turn).status_code == 201
        printed = run("read_verdict.py", *to_service, "--pile", ids["pile_id"], "--issue", "us-nop-windrow")
        issued: list[dict[str, Any]] = json.loads(printed.splitlines()[-1])
        assert issued[0]["state"] == "met"
        assert issued[0]["turns_counted"] == 5
        (filed,) = client.get(f"{pile}/verdicts").json()["items"]
        assert filed["verdict"] == issued[0]

        record(buffer)
        assert json.loads(run("gateway.py", str(buffer), "--drain", *to_service)) == DRAINED
        counted = client.get(f"{pile}/readings", params={"limit": 500}).json()
        assert len(counted["items"]) == 500
        rest = client.get(f"{pile}/readings", params={"limit": 500, "after": counted["next"]}).json()
        assert (len(rest["items"]), rest["next"]) == (500, None), "sent twice, kept once"
        assert client.get(f"{pile}/status").json()["verdicts"][0]["state"] == "met"
        assert "A7 | hot" in run("compare_sites.py", *to_service)


def test_the_gateway_waits_for_a_service_that_comes_back(fresh: Urls, tmp_path: Path) -> None:
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    key = organisations.create_key(steward, "patience", name="x", scopes=frozenset(Scope)).token
    steward.close()
    with live.serving({"DATABASE_URL": fresh.service}, "--no-migrate") as served:
        url = served.base_url
    buffer = tmp_path / "buffer.db"
    record(buffer, 200)
    port = url.rsplit(":", 1)[1]
    gateway = program("gateway", str(buffer), "--drain", "--url", url, "--key", key)
    with live.serving({"DATABASE_URL": fresh.service}, "--no-migrate", port=int(port)):
        out, err = gateway.communicate(timeout=90)
    assert b"Connection refused" in err
    assert json.loads(out) == DRAINED
