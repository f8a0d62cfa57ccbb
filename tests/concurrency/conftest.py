"""Services that are quick to start, and a record that several of them share."""

import ssl
from collections.abc import Iterator
from dataclasses import dataclass, replace
from uuid import uuid4

import httpx
import pytest

from service.storage.embedded import Logins
from tests.concurrency.gateways import make_key
from tests.concurrency.nursery import Forked, Nursery
from tests.conftest import Urls, drop_database, new_database

_PLAIN = ssl.create_default_context()
"""Never used, but each client makes one of its own otherwise, which takes longer than a whole test."""


@pytest.fixture(scope="session")
def nursery() -> Iterator[Nursery]:
    made = Nursery()
    yield made
    made.close()


@dataclass(frozen=True)
class Pair:
    """Two services, each a process of its own, on one record."""

    urls: Urls
    services: tuple[Forked, Forked]

    def address(self, number: int) -> str:
        """Return where the client of this number turns to."""
        return self.services[number % 2].base_url

    def new_organisation(self) -> str:
        """Return a key of one that is new."""
        return make_key(self.urls, uuid4().hex)

    def client(self, number: int, key: str) -> httpx.Client:
        """Return a client; every other one talks to the other service."""
        headers = {"Authorization": f"Bearer {key}"}
        return httpx.Client(base_url=self.address(number), headers=headers, timeout=60, verify=_PLAIN)


@pytest.fixture(scope="module")
def pair(logins: Logins, template: str, nursery: Nursery) -> Iterator[Pair]:
    name = f"pair_{uuid4().hex[:12]}"
    new_database(logins.owner, name, template=template)
    urls = Urls(replace(logins.owner, database=name).url, replace(logins.service, database=name).url)
    one, other = (
        nursery.start({"DATABASE_URL": urls.service}, "--no-migrate", "--no-work") for _ in range(2)
    )
    yield Pair(urls, (one.wait_ready(), other.wait_ready()))
    assert [one.stop(), other.stop()] == [0, 0]
    drop_database(logins.owner, name)
