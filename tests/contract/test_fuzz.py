"""Outside check: Schemathesis against the running service, every check it has, zero failures."""

import base64
import subprocess
import sys
from pathlib import Path

import pytest

from service.domain.authority import Scope
from service.operations import organisations
from service.storage.database import STEWARD_ROLE, Database, connect_engine
from tests import live
from tests.conftest import Urls

CONFIG = Path(__file__).with_name("schemathesis.toml")


@pytest.mark.parametrize(
    ("scopes", "paths"),
    [
        ({"read", "write", "ingest"}, ["--exclude-path-regex", "^/v1/keys"]),
        # Apart, for a fuzzer that may revoke keys revokes its own.
        ({"admin"}, ["--include-path-regex", "^/v1/keys"]),
    ],
    ids=["records", "keys"],
)
def test_no_check_fails(fresh: Urls, tmp_path: Path, scopes: set[str], paths: list[str]) -> None:
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    key = organisations.create_key(steward, "fuzz", name="fuzz", scopes=frozenset(map(Scope, scopes))).token
    steward.close()
    key_of_log = {"HEAPLEDGER_LOG_KEY": base64.b64encode(bytes(32)).decode()}
    with live.serving({"DATABASE_URL": fresh.service, **key_of_log}, "--no-migrate") as served:
        done = subprocess.run(
            [
                str(Path(sys.executable).with_name("schemathesis")),
                "--config-file", str(CONFIG),
                "run", f"{served.base_url}/openapi.json",
                "--header", f"Authorization: Bearer {key}",
                "--checks", "all",
                "--phases", "examples,coverage,fuzzing,stateful",
                "--max-examples", "12",
                "--seed", "1",
                "--no-color",
                *paths,
            ],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=500,
            check=False,
        )  # fmt: skip
    assert done.returncode == 0, _short(done.stdout)
    assert "Failures:" not in done.stdout


def _short(text: str) -> str:
    return "\n".join(line[:300] for line in text.splitlines())[-12_000:]
