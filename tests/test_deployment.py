"""docker-compose.yml and the Dockerfile, checked by reading them where no engine runs."""

import re
from typing import Any

import pytest
import yaml

from tests.live import TOP

COMPOSE = (TOP / "docker-compose.yml").read_text()
DOCKERFILE = (TOP / "service" / "Dockerfile").read_text()


@pytest.fixture(scope="module")
def services() -> dict[str, Any]:
    found: dict[str, Any] = yaml.safe_load(COMPOSE)["services"]
    return found


def test_no_secret_has_a_default() -> None:
    asked = re.findall(r"\$\{(HEAPLEDGER_\w*PASSWORD)(:?[-?][^}]*)\}", COMPOSE)
    assert {name for name, _ in asked} == {"HEAPLEDGER_OWNER_PASSWORD", "HEAPLEDGER_SERVICE_PASSWORD"}
    assert all(rule.startswith(":?") for _, rule in asked)


def test_the_app_knows_only_its_own_login(services: dict[str, Any]) -> None:
    assert "OWNER" not in str(services["app"]["environment"])
    assert "--no-migrate" in services["app"]["command"]


def test_each_long_running_service_has_a_health_check(services: dict[str, Any]) -> None:
    assert "pg_isready" in str(services["postgres"]["healthcheck"])
    assert "HEALTHCHECK" in DOCKERFILE
    assert services["app"]["depends_on"]["migrate"]["condition"] == "service_completed_successfully"
    assert services["migrate"]["depends_on"]["postgres"]["condition"] == "service_healthy"


def test_nothing_runs_as_root_or_listens_to_the_world(services: dict[str, Any]) -> None:
    assert re.search(r"^USER heapledger$", DOCKERFILE, re.MULTILINE)
    assert services["app"]["ports"][0].startswith("127.0.0.1:")
    assert services["app"]["cap_drop"] == ["ALL"]
    assert "ports" not in services["postgres"]


def test_jobs_are_run_by_one_service_that_nobody_reaches(services: dict[str, Any]) -> None:
    assert "--no-work" in services["app"]["command"]
    worker = services["worker"]
    assert "ports" not in worker
    assert worker["cap_drop"] == ["ALL"]
    assert "HEAPLEDGER_OWNER_URL" in worker["environment"]


def test_what_the_image_copies_is_there() -> None:
    for line in re.findall(r"^COPY (.+) \S+$", DOCKERFILE, re.MULTILINE):
        for name in line.split():
            assert (TOP / name).exists(), name


def test_the_commands_exist(services: dict[str, Any]) -> None:
    from service.cli import app

    known = {command.callback.__name__ for command in app.registered_commands if command.callback}
    for name in ("migrate", "app", "worker"):
        assert services[name]["command"][0] == "heapledger"
        assert services[name]["command"][1] in known
