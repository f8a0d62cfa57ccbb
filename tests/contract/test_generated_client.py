"""Outside check: a client that openapi-python-client makes from the document takes a pile there and back."""

import importlib
import json
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from service.domain.authority import Scope
from service.operations import organisations
from service.storage.database import STEWARD_ROLE, Database, connect_engine
from tests import live
from tests.conftest import Urls


@pytest.fixture
def made(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    beside = Path(sys.executable).parent
    monkeypatch.setenv("PATH", str(beside), prepend=":")
    package = tmp_path / "heapledger_client"
    config = tmp_path / "config.json"
    # The maker knows JSON and bytes; forms it does not know are bytes to it.
    forms = (
        "application/senml+cbor",
        "text/csv",
        "application/x-ndjson",
        "application/vnd.apache.parquet",
        "application/pdf",
        "image/svg+xml",
    )
    overrides = dict.fromkeys(forms, "application/octet-stream")
    config.write_text(json.dumps({"content_type_overrides": overrides}))
    done = subprocess.run(
        [
            beside / "openapi-python-client", "generate",
            "--path", live.TOP / "openapi-examples" / "openapi.json",
            "--output-path", package,
            "--config", config,
            "--meta", "none",
            "--fail-on-warning",
        ],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    monkeypatch.syspath_prepend(str(tmp_path))
    return package


def test_a_pile_goes_there_and_back(made: Path, fresh: Urls) -> None:
    steward = Database(connect_engine(fresh.owner, role=STEWARD_ROLE, pool_size=1))
    key = organisations.create_key(steward, "client", name="x", scopes=frozenset(Scope)).token
    steward.close()

    def of(module: str, name: str) -> Any:
        return getattr(importlib.import_module(f"{made.name}.{module}"), name)

    models = importlib.import_module(f"{made.name}.models")
    with (
        live.serving({"DATABASE_URL": fresh.service}, "--no-migrate") as served,
        of("client", "AuthenticatedClient")(base_url=served.base_url, token=key) as client,
    ):
        create_site = importlib.import_module(f"{made.name}.api.sites.create_site").sync
        create_pile = importlib.import_module(f"{made.name}.api.piles.create_pile").sync
        get_pile = importlib.import_module(f"{made.name}.api.piles.get_pile").sync
        site = create_site(client=client, body=models.SiteIn(name="orchard", time_zone="Europe/Lisbon"))
        built_at = datetime(2026, 5, 4, 9, tzinfo=UTC)
        sent = models.PileIn(
            site_id=site.id,
            label="A7",
            built_at=built_at,
            rules=["us-nop-windrow", "eu-cmc3"],
            pattern=models.PatternIn(
                rest_days=7,
                last_turn_day=27,
                turn_on=[models.PatternInTurnOnType0Item(day) for day in ("mon", "wed", "fri")],
            ),
            design_volume_m3=1.5,
        )
        pile = create_pile(client=client, body=sent)
        back = get_pile(client=client, pile_id=pile.id)
        assert back == pile
        assert (back.label, back.built_at, back.rules) == ("A7", built_at, ["us-nop-windrow", "eu-cmc3"])
        assert back.pattern.to_dict()["turn_on"] == ["mon", "wed", "fri"]
        refused = create_pile(client=client, body=sent)
        assert isinstance(refused, models.Problem)
        assert refused.status == 409
