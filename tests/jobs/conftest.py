"""What the tests of jobs share."""

from collections.abc import Iterator

import pytest

from service.jobs.tasks import Tools
from service.storage.database import connect_engine
from tests.conftest import Tenant, Urls
from tests.jobs.making import (
    HotPile,
    a_hot_pile,
    tools_of,
)


@pytest.fixture
def tools(urls: Urls) -> Iterator[Tools]:
    made = tools_of(urls)
    yield made
    made.database.close()


@pytest.fixture
def owned(urls: Urls) -> Iterator[Tools]:
    engine = connect_engine(urls.owner, pool_size=2)
    made = tools_of(urls, owner=engine)
    yield made
    made.database.close()
    engine.dispose()


@pytest.fixture
def pile(tenant: Tenant) -> HotPile:
    """Hot for 40 hours, a verdict on file, and then silence: 40 CFR 503 asks for three days."""
    made = a_hot_pile(tenant)
    made.send(range(41))
    return made
