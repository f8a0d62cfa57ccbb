"""The log over HTTP: checkpoint and proofs, checked by this side's own verification and by pymerkle's root."""

import base64
import json
import os
import subprocess
import sys
import uuid
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi.testclient import TestClient
from pydantic import SecretStr

from service.app import create_app
from service.domain.log import merkle
from service.domain.log.checkpoint import Checkpoint, opened, read_checkpoint
from service.operations import log
from service.operations.signing import Signer, is_signed_by
from service.settings import Settings
from service.storage.database import SERVICE_ROLE, Database, connect_engine
from tests import live
from tests.builders import a_bag, a_pile, a_placement, a_probe, a_reading, a_site, at
from tests.conftest import Tenant, Urls

KEY = base64.b64encode(bytes(range(32))).decode()
SIGNER = Signer("compost.example/log", KEY)


@pytest.fixture(scope="module")
def client(urls: Urls) -> Iterator[TestClient]:
    """The app of a deployment that has a key."""
    settings = Settings(
        key_cache_s=0, posts_per_minute=0, log_key=SecretStr(KEY), log_name="compost.example/log"
    )
    app = create_app(settings, database=Database(connect_engine(urls.service, role=SERVICE_ROLE)))
    with TestClient(app, raise_server_exceptions=False) as running:
        yield running


def append(database: Database, tenant: Tenant) -> int:
    with database.begin(tenant.organisation_id) as session:
        return log.append_due(session, tenant.organisation_id)


def some_batches(tenant: Tenant, database: Database, count: int) -> dict[str, Any]:
    probe = a_probe(tenant)
    for hour in range(count):
        tenant.post("/v1/readings", a_bag(a_reading(probe["serial"], hour)))
    assert append(database, tenant) == count
    return probe


def the_checkpoint(tenant: Tenant, note: str | None = None) -> Checkpoint:
    if note is None:
        answer = tenant.call("GET", "/v1/log/checkpoint")
        assert answer.status_code == 200, answer.text
        assert answer.headers["content-type"].startswith("text/plain")
        note = answer.text
    return read_checkpoint(opened(note, SIGNER.verifier_key(tenant.organisation_id), is_signed_by))


def raw(hashes: list[str]) -> list[bytes]:
    return [base64.b64decode(one) for one in hashes]


def test_an_empty_log_has_a_checkpoint(tenant: Tenant) -> None:
    found = the_checkpoint(tenant)
    assert found == Checkpoint(f"compost.example/log/{tenant.organisation_id}", 0, merkle.EMPTY)


def test_a_leaf_is_proved_at_every_size(tenant: Tenant, database: Database) -> None:
    some_batches(tenant, database, 6)
    for size in range(3, 7):
        found = tenant.get(f"/v1/log/proof?leaf=2&size={size}")
        assert found["key"] == SIGNER.verifier_key(tenant.organisation_id)
        then = the_checkpoint(tenant, found["checkpoint"])
        assert then.size == size
        leaf = merkle.leaf_hash(found["entry"].encode())
        assert base64.b64decode(found["hash"]) == leaf
        assert merkle.is_included(leaf, 2, size, raw(found["path"]), then.root)
    assert json.loads(found["entry"])["kind"] == "batch"


def test_growth_is_proved(tenant: Tenant, database: Database) -> None:
    some_batches(tenant, database, 5)
    was = the_checkpoint(tenant)
    some_batches(tenant, database, 4)
    found = tenant.get(f"/v1/log/consistency?from={was.size}")
    now = the_checkpoint(tenant, found["checkpoint"])
    assert (found["from"], found["to"], now.size) == (5, 9, 9)
    assert merkle.is_consistent(5, 9, was.root, now.root, raw(found["path"]))
    assert tenant.get("/v1/log/consistency?from=5&to=5")["path"] == []


@pytest.mark.parametrize(
    ("path", "status", "words"),
    [
        ("proof", 422, "either a leaf or a pile_id"),
        (f"proof?leaf=0&pile_id={uuid.UUID(int=1)}", 422, "either a leaf or a pile_id"),
        (f"proof?size=1&pile_id={uuid.UUID(int=1)}", 422, "goes with a leaf"),
        (f"proof?pile_id={uuid.UUID(int=1)}", 404, "no pile with this id"),
        ("proof?leaf=3", 404, "no leaf 3 in a log of 3"),
        ("proof?leaf=1&size=1", 422, "must lie above the leaf, 1"),
        ("proof?leaf=1&size=4", 422, "not above the log's size, 3"),
        ("proof?leaf=-1", 422, "/leaf"),
        ("consistency", 422, "/from"),
        ("consistency?from=0", 422, "from 1 to the log's size, 3"),
        ("consistency?from=4", 422, "and is 4"),
        ("consistency?from=2&to=1", 422, "and is 1"),
        ("consistency?from=2&to=4", 422, "and is 4"),
    ],
)
def test_what_cannot_be_proved_is_told(
    path: str, status: int, words: str, tenant: Tenant, database: Database
) -> None:
    some_batches(tenant, database, 3)
    answer = tenant.call("GET", f"/v1/log/{path}")
    assert answer.status_code == status, answer.text
    assert words in answer.text


def test_a_deployment_without_a_key_says_which_setting(tenant: Tenant, urls: Urls) -> None:
    app = create_app(Settings(), database=Database(connect_engine(urls.service, role=SERVICE_ROLE)))
    with TestClient(app) as keyless:
        for path in ("checkpoint", "proof?leaf=0", "consistency?from=1"):
            answer = keyless.get(f"/v1/log/{path}", headers={"Authorization": f"Bearer {tenant.key}"})
            assert answer.status_code == 503
            assert "HEAPLEDGER_LOG_KEY" in answer.json()["detail"]


def test_logs_are_apart(tenant: Tenant, other: Tenant, database: Database) -> None:
    some_batches(tenant, database, 2)
    some_batches(other, database, 1)
    assert (the_checkpoint(tenant).size, the_checkpoint(other).size) == (2, 1)
    assert other.call("GET", "/v1/log/proof?leaf=1").status_code == 404
    site = a_site(tenant)
    pile = a_pile(tenant, site["id"])
    assert other.call("GET", f"/v1/log/proof?pile_id={pile['id']}").status_code == 404


def test_a_key_of_one_site_sees_its_own_piles_and_no_entries(tenant: Tenant, database: Database) -> None:
    here, there = a_site(tenant), a_site(tenant)
    pile, far = a_pile(tenant, here["id"]), a_pile(tenant, there["id"])
    some_batches(tenant, database, 2)
    key = tenant.key_for("read", site_id=here["id"])
    assert tenant.get("/v1/log/proof?leaf=0", key=key)["entry"] is None
    assert tenant.get(f"/v1/log/proof?pile_id={pile['id']}", key=key)["pile_id"] == pile["id"]
    assert tenant.call("GET", f"/v1/log/proof?pile_id={far['id']}", key=key).status_code == 404


def test_a_piles_proofs_show_its_own_readings_alone(tenant: Tenant, database: Database) -> None:
    """Another probe's readings came in the same bag: its batch is proved by a hash of theirs."""
    site = a_site(tenant)
    pile = a_pile(tenant, site["id"])
    mine, neighbour = a_probe(tenant), a_probe(tenant)
    a_placement(tenant, mine["id"], pile["id"])
    tenant.post(
        "/v1/readings",
        a_bag(*(a_reading(one["serial"], hour) for hour in range(4) for one in (mine, neighbour))),
    )
    waits = tenant.get(f"/v1/log/proof?pile_id={pile['id']}")
    assert (waits["items"], len(waits["pending"])) == ([], 2)
    append(database, tenant)
    shown = tenant.get(f"/v1/log/proof?pile_id={pile['id']}")
    assert (shown["pending"], shown["uncovered"]) == ([], [])
    assert neighbour["serial"] not in json.dumps(shown)
    (batch,) = [item for item in shown["items"] if "series" in item]
    (series,) = batch["series"]
    assert len(series["readings"]) == 4
    said = json.loads(batch["entry"])
    assert said["series"] == "2"
    path = [base64.b64decode(shown["hashes"][place]) for place in series["path"]]
    assert len(path) == 1
    leaf = merkle.leaf_hash(series["entry"].encode())
    assert merkle.is_included(leaf, series["place"], 2, path, bytes.fromhex(said["digest"]))


def test_readings_of_before_and_after_the_stay_are_shown_only_with_their_bag(
    tenant: Tenant, database: Database
) -> None:
    site = a_site(tenant)
    pile = a_pile(tenant, site["id"])
    probe = a_probe(tenant)
    a_placement(tenant, probe["id"], pile["id"], **{"from": at(10), "to": at(20)})
    for hours in (range(5), range(8, 12), range(30, 33)):
        tenant.post("/v1/readings", a_bag(*(a_reading(probe["serial"], hour) for hour in hours)))
    append(database, tenant)
    shown = tenant.get(f"/v1/log/proof?pile_id={pile['id']}")
    assert [len(item["series"][0]["readings"]) for item in shown["items"] if "series" in item] == [4]


def test_the_embedded_record_brings_a_key_of_its_own(tmp_path: Path) -> None:
    """Nothing is set; the key lies in the data folder and outlives the process."""
    own = {"HEAPLEDGER_DATA_DIR": str(tmp_path)}
    bare = {name: value for name, value in os.environ.items() if not name.startswith("HEAPLEDGER_")} | own
    notes = []
    for _ in range(2):
        served = live.start(own)
        try:
            made = subprocess.run(
                [
                    sys.executable,
                    "-m",
                    "service",
                    "key",
                    "create",
                    "--organisation",
                    "o",
                    "--scopes",
                    "read",
                    "--quiet",
                ],
                env=bare,
                cwd=live.TOP,
                capture_output=True,
                text=True,
                check=True,
            )
            answer = httpx.get(
                f"{served.base_url}/v1/log/checkpoint",
                headers={"Authorization": f"Bearer {made.stdout.strip()}"},
            )
            assert answer.status_code == 200, answer.text
            notes.append(answer.text)
        finally:
            served.process.terminate()
            served.process.wait()
    signer = Signer("heapledger", (tmp_path / "log_key").read_text().strip())
    assert (tmp_path / "log_key").stat().st_mode & 0o777 == 0o600
    assert notes[0] == notes[1]
    assert (
        opened(notes[0], signer.verifier_key(1), is_signed_by)
        == "heapledger/1\n0\n" + notes[0].split("\n")[2] + "\n"
    )
