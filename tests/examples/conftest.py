"""The example programs importable, and the service they talk to as a process of its own."""

import sys
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import httpx
import pytest

from service.domain.authority import Scope
from service.operations import organisations
from service.storage.database import Database
from tests import live
from tests.bridge.conftest import broker, yard  # noqa: F401 - fixtures
from tests.conftest import Urls

sys.path.insert(0, str(live.TOP / "openapi-examples"))


@dataclass(frozen=True)
class Place:
    """A pile with two probes, and a gateway's own key."""

    office: httpx.Client
    pile_id: str
    serials: tuple[str, str]
    token: str

    def readings(self, quantity: str) -> list[dict[str, Any]]:
        """Return everything on record, page by page."""
        found: list[dict[str, Any]] = []
        after: dict[str, str] = {}
        while True:
            query = {"quantity": quantity, "limit": "500", **after}
            page = self.office.get(f"/v1/piles/{self.pile_id}/readings", params=query).json()
            found += page["items"]
            if page["next"] is None:
                return found
            after = {"after": page["next"]}

    def verdict(self) -> dict[str, Any]:
        (verdict,) = self.office.get(f"/v1/piles/{self.pile_id}/compliance").json()["items"]
        return dict(verdict)


@dataclass(frozen=True)
class Office:
    """An organisation's own view of the running service."""

    url: str
    client: httpx.Client

    def post(self, path: str, body: dict[str, Any]) -> dict[str, Any]:
        answer = self.client.post(path, json=body)
        assert answer.is_success, answer.text
        return dict(answer.json())

    def place(self, name: str, built_at: datetime, rule: str = "us-503-pfrp-asp") -> Place:
        site = self.post("/v1/sites", {"name": f"site {name}", "time_zone": "Europe/Lisbon"})
        built = built_at.isoformat()
        pile = self.post(
            "/v1/piles", {"site_id": site["id"], "label": name, "built_at": built, "rules": [rule]}
        )
        serials = (f"{name}-a", f"{name}-b")
        for position, serial in zip(("core-1", "core-2"), serials, strict=True):
            probe = self.post("/v1/probes", {"serial": serial})
            placement = {"pile_id": pile["id"], "position": position, "from": built}
            self.post(f"/v1/probes/{probe['id']}/placements", placement)
        gateway = self.post("/v1/gateways", {"name": f"gateway {name}"})
        token = self.post(f"/v1/gateways/{gateway['id']}/keys", {"name": name})["token"]
        return Place(self.client, pile["id"], serials, token)


@pytest.fixture(scope="module")
def url(urls: Urls) -> Iterator[str]:
    with live.serving({"DATABASE_URL": urls.service}, "--no-migrate") as served:
        yield served.base_url


@pytest.fixture
def office(url: str, steward: Database) -> Iterator[Office]:
    name = f"organisation {uuid.uuid4().hex}"
    key = organisations.create_key(steward, name, name="x", scopes=frozenset(Scope)).token
    with httpx.Client(base_url=url, headers={"Authorization": f"Bearer {key}"}, timeout=30) as client:
        yield Office(url, client)
