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

BUILT = (datetime.now(UTC) - timedelta(days=20)).replace(minute=0, second=0, microsecond=0)


def run(program: str, *arguments: str, expect: int = 0) -> str:
    done = subprocess.run(
        [sys.executable, str(live.TOP / "openapi-examples" / program), *arguments],
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


def a_thousand_readings(file: Path) -> None:
    """Half-hourly, a little over twenty days: two days of heating, then 60 °C."""
    lines = [
        json.dumps(
            {
                "probe": "PR-0042",
                "observed_at": (BUILT + timedelta(minutes=28 * number)).isoformat(),
                "quantity": "temperature",
                "value": min(60.0, 20 + number * 0.4),
                "unit": "Cel",
            }
        )
        for number in range(1000)
    ]
    file.write_text("\n".join(lines[::-1]))


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

        file = tmp_path / "readings.ndjson"
        a_thousand_readings(file)
        kept = json.loads(run("gateway.py", *to_service, str(file)))
        assert kept["stored"] == 1000
        assert file.read_text() == "", "what was acknowledged is taken out of the buffer"

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

        a_thousand_readings(file)
        assert json.loads(run("gateway.py", *to_service, str(file)))["duplicate"] == 1000
        assert client.get(f"{pile}/status").json()["verdicts"][0]["state"] == "met"
        assert "A7 | hot" in run("compare_sites.py", *to_service)


def test_the_gateway_keeps_what_was_not_acknowledged(tmp_path: Path) -> None:
    file = tmp_path / "readings.ndjson"
    a_thousand_readings(file)
    nobody = f"http://127.0.0.1:{live.free_port()}"
    said = run("gateway.py", "--url", nobody, "--key", "k", "--give-up-after-s", "1", str(file), expect=1)
    assert "stay in the file" in said
    assert len(file.read_text().splitlines()) == 1000


def test_the_gateway_waits_for_a_service_that_comes_back(fresh: Urls, tmp_path: Path) -> None:
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    key = organisations.create_key(steward, "patience", name="x", scopes=frozenset(Scope)).token
    steward.close()
    with live.serving({"DATABASE_URL": fresh.service}, "--no-migrate") as served:
        url = served.base_url
    file = tmp_path / "readings.ndjson"
    a_thousand_readings(file)
    port = url.rsplit(":", 1)[1]
    gateway = subprocess.Popen(
        [
            sys.executable,
            str(live.TOP / "openapi-examples" / "gateway.py"),
            "--url",
            url,
            "--key",
            key,
            str(file),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    with live.serving({"DATABASE_URL": fresh.service}, "--no-migrate", port=int(port)):
        out, _ = gateway.communicate(timeout=90)
    assert json.loads(out)["held"] == 1000
