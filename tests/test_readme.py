"""What the README says works: its bodies are sent as they stand and the figures it quotes come back."""

import json
import os
import re
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests import live
from tests.conftest import Tenant, Urls
from tests.live import TOP

README = (TOP / "README.md").read_text()
SENT = [
    (path, media_type, json.loads(body))
    for path, media_type, body in re.findall(
        r"curl -s http://127\.0\.0\.1:8000(/v1/\S+) -H \"[^\"]*\" -H 'Content-Type: ([^']+)' -d '\n([^`]*?)'\n```",
        README,
    )
]
BODIES = {path: body for path, media_type, body in SENT if media_type == "application/json"}
PACKS = [body for _, media_type, body in SENT if media_type == "application/senml+json"]


def test_the_commands_are_there() -> None:
    assert "pip install -q -c requirements.lock -e '.[tests]' && .venv/bin/heapledger demo" in README
    assert "\n.venv/bin/python -m pytest\n" in README
    assert set(BODIES) == {"/v1/recipes/evaluate", "/v1/recipes/solve", "/v1/schedules/plan", "/v1/readings"}


@pytest.fixture
def answers(tenant: Tenant) -> dict[str, Any]:
    tenant.post("/v1/probes", {"serial": "PR-0042"})
    return {path: tenant.post(path, body) for path, body in BODIES.items()}


def test_the_figures_are_those_quoted(answers: dict[str, Any]) -> None:
    mix = answers["/v1/recipes/evaluate"]
    for name, digits in (
        ("moisture_pct", 1), ("carbon_nitrogen_ratio", 1), ("volume_m3", 2), ("free_air_space_pct", 1),
    ):  # fmt: skip
        assert f"`{name}` {mix[name]:.{digits}f}" in README
    assert any(advice["text"] in README for advice in mix["advice"] if advice["about"] == "volume_m3")
    solved = answers["/v1/recipes/solve"]
    assert solved["state"] == "infeasible"
    assert solved["conflicts"][0]["because"] in README
    plan = answers["/v1/schedules/plan"]
    assert plan["state"] == "cannot_be_kept"
    assert [misfit["date"] for misfit in plan["misfits"]] == ["2026-03-08", "2026-03-14"]
    assert plan["misfits"][0]["remedy"] in README
    assert json.dumps(answers["/v1/readings"]) in README


def test_the_pack_says_what_the_bag_says(tenant: Tenant) -> None:
    """The first reading of the SenML pack is that of the JSON bag, so it was there before."""
    tenant.post("/v1/probes", {"serial": "PR-0042"})
    tenant.post("/v1/readings", BODIES["/v1/readings"])
    (pack,) = PACKS
    told = tenant.client.post(
        "/v1/readings",
        content=json.dumps(pack),
        headers={"Authorization": f"Bearer {tenant.key}", "Content-Type": "application/senml+json"},
    ).json()
    assert (told["received"], told["stored"], told["duplicate"]) == (2, 1, 1)


def test_every_rule_and_command_it_names_exists(tenant: Tenant) -> None:
    rules = {rule["id"] for rule in tenant.get("/v1/rules")["items"]}
    assert set(re.findall(r"[✓…?✗] ([a-z]{2}-[a-z0-9-]+)", README)) <= rules


def test_from_an_empty_record_to_a_build_sheet(tenant: Tenant, urls: Urls, tmp_path: Path) -> None:
    """The section's own commands, in a shell, against a service of its own."""
    (commands,) = re.findall(r"```sh\n(at=[^`]*)```", README)
    with live.serving({"DATABASE_URL": urls.service}, "--no-migrate") as served:
        told = subprocess.run(
            ["bash", "-euc", commands.replace("http://127.0.0.1:8000", served.base_url)],
            cwd=tmp_path,
            env={**os.environ, "KEY": tenant.key},
            capture_output=True,
            check=True,
            text=True,
        )
    for quoted in ("10 layers", "Repeat 2 and 3: \N{MULTIPLICATION SIGN}4", "FILL MARK: 120 cm"):
        assert quoted in told.stdout
    assert (tmp_path / "build-sheet.pdf").read_bytes().startswith(b"%PDF")
