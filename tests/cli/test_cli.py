"""The console command, as its own process, on the embedded server and on a server it is given."""

import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests import live
from tests.conftest import Urls


def heapledger(environment: dict[str, str], *arguments: str, expect: int = 0) -> str:
    done = subprocess.run(
        [sys.executable, "-m", "service", *arguments],
        env={**os.environ, "COLUMNS": "200", **environment},
        cwd=live.TOP,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == expect, done.stdout + done.stderr
    return done.stdout + done.stderr


@pytest.fixture
def given(fresh: Urls) -> dict[str, str]:
    return {"DATABASE_URL": fresh.service, "HEAPLEDGER_OWNER_URL": fresh.owner}


@pytest.fixture
def own() -> Iterator[dict[str, str]]:
    """A data folder of one's own; no server is named."""
    home = Path("/dev/shm") if Path("/dev/shm").is_dir() else None  # noqa: S108 - memory is what makes it quick
    folder = tempfile.mkdtemp(prefix="heapledger-cli-", dir=home)
    yield {"HEAPLEDGER_DATA_DIR": folder}
    shutil.rmtree(folder, ignore_errors=True)


def test_a_newcomer_on_the_embedded_server(own: dict[str, str]) -> None:
    """No PostgreSQL on the path, nothing configured: key, service, site."""
    bare = {**own, "PATH": "/usr/bin:/bin"}
    key = heapledger(bare, "key", "create", "--organisation", "Orchard", "--scopes", "read,write", "--quiet")
    key = key.strip().splitlines()[0]
    assert re.fullmatch(r"hlk_[0-9a-f_]+", key)
    with live.serving(bare) as served:
        headers = {"Authorization": f"Bearer {key}"}
        body = {"name": "hillside", "time_zone": "Europe/Lisbon"}
        assert httpx.post(f"{served.base_url}/v1/sites", json=body, headers=headers).status_code == 201
        # A second command joins the running server and must not stop it.
        assert "command line" in heapledger(bare, "key", "list", "--organisation", "Orchard")
        assert len(httpx.get(f"{served.base_url}/v1/sites", headers=headers).json()["items"]) == 1
    with live.serving(bare) as served:
        assert len(httpx.get(f"{served.base_url}/v1/sites", headers=headers).json()["items"]) == 1


def test_keys(given: dict[str, str]) -> None:
    key = heapledger(given, "key", "create", "--organisation", "A", "--scopes", "read", "--quiet").split()[0]
    prefix = key.split("_")[2]
    assert prefix in heapledger(given, "key", "list", "--organisation", "A")
    assert key not in heapledger(given, "key", "list", "--organisation", "A")
    assert "revoked" in heapledger(given, "key", "revoke", prefix, "--organisation", "A")
    assert "no key with prefix" in heapledger(
        given, "key", "revoke", "0000000000", "--organisation", "A", expect=1
    )
    assert "no organisation" in heapledger(given, "key", "list", "--organisation", "B", expect=1)
    assert "admin" in heapledger(given, "key", "create", "--organisation", "A", "--scopes", "rule", expect=2)


def test_migrate_says_so(given: dict[str, str]) -> None:
    assert "newest schema" in heapledger(given, "migrate")


def test_a_server_that_cannot_be_reached_is_said_in_one_sentence() -> None:
    said = heapledger({"DATABASE_URL": "postgresql://nobody@127.0.0.1:9/none"}, "migrate", expect=1)
    assert "cannot be reached" in said
    assert "Traceback" not in said


def test_the_demo(given: dict[str, str]) -> None:
    said = heapledger(given, "demo", "--no-serve")
    assert "simulated" in said
    assert "/v1/piles/" in said
    for mark in ("✓ us-nop-windrow", "… us-nop-windrow", "✗ us-nop-windrow", "? us-nop-windrow"):
        assert mark in said
    again = heapledger(given, "demo", "--no-serve")
    assert "simulated" in again
